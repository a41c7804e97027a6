"""Files that are damaged or no exports at all: refused with a reason, tried again, no harm to others."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.errors import ConfigError, ExportError, LakeError
from pipeline.exports import reading
from pipeline.exports.finding import Identity
from pipeline.exports.items import Item
from tests.faults.lakes import ARRIVED, READINGS, content, fleet, one, reasons, rejects, run, write


def refused(tmp_path: Path, name: str, data: bytes | str) -> str:
    """The reason for which a file is refused; a good file beside it must be read all the same."""
    settings, lake = fleet(tmp_path)
    write(tmp_path / "in" / name, data)
    write(tmp_path / "in" / "zz_good.csv", READINGS)
    summary = run(settings, lake, tmp_path / "in")
    bad, good = (summary.files.row(place, named=True) for place in (0, 1))
    assert (bad["status"], bad["kind"], bad["rows_in"]) == ("refused", "refused", 0)
    assert (good["status"], good["kept"]) == ("read", 3)
    ledger = lake.read("exports").filter(pl.col("kind") == "refused")
    assert ledger["reason"].to_list() == [bad["reason"]]
    assert content(lake, "readings").height == 3
    assert lake.read("quarantine").is_empty()
    return str(bad["reason"])


def test_empty_file(tmp_path: Path) -> None:
    assert "empty" in refused(tmp_path, "a.csv", "")


def test_empty_parquet(tmp_path: Path) -> None:
    assert "empty" in refused(tmp_path, "a.parquet", b"")


def test_blank_first_line(tmp_path: Path) -> None:
    assert "line 1" in refused(tmp_path, "a.csv", "\n" + READINGS)


def test_duplicate_header_names(tmp_path: Path) -> None:
    reason = refused(tmp_path, "a.csv", "unit_id,ts,rpm,rpm\nV1,2026-01-05T08:00:00Z,1,2\n")
    assert "column rpm stands there more than once" in reason


def test_columns_of_no_input(tmp_path: Path) -> None:
    reason = refused(tmp_path, "a.csv", "vehicle,when,speed\n1,2,3\n")
    assert "'vehicle'" in reason and "unit_id, ts" in reason and "rename the columns" in reason


def test_other_separator_is_named(tmp_path: Path) -> None:
    assert "another character than the comma" in refused(tmp_path, "a.csv", READINGS.replace(",", ";"))


def test_not_utf8_in_a_block_names_the_byte(tmp_path: Path) -> None:
    data = READINGS.replace("V2", "Wägen").encode("latin-1")
    reason = refused(tmp_path, "a.csv", data)
    assert f"byte {data.index(0xE4)}" in reason and "save the file as UTF-8" in reason


def test_not_utf8_in_a_small_table(tmp_path: Path) -> None:
    data = "unit_id,engine_family,fuel,depot\nV1,T12,petrol,Köln\n".encode("latin-1")
    assert f"byte {data.index(0xF6)}" in refused(tmp_path, "a.csv", data)


def test_truncated_gzip(tmp_path: Path) -> None:
    packed = gzip.compress((READINGS * 50).encode())
    assert "gzip file is cut off or damaged" in refused(tmp_path, "a.csv.gz", packed[: len(packed) // 2])


def test_truncated_gzip_after_whole_blocks(tmp_path: Path) -> None:
    lines = "".join(f"V1,2026-01-05T08:00:00.{n:06}Z,{n % 7919},,\n" for n in range(400_000))
    packed = gzip.compress(("unit_id,ts,rpm,coolant_degc,o2_b1s1_v\n" + lines * 3).encode(), 1)
    assert "transfer it again" in refused(tmp_path, "a.csv.gz", packed[:-20])


def test_no_gzip_at_all(tmp_path: Path) -> None:
    assert "gzip file is cut off or damaged" in refused(tmp_path, "a.csv.gz", READINGS + READINGS)


def test_corrupt_parquet(tmp_path: Path) -> None:
    pl.DataFrame({"unit_id": ["V1"], "ts": ["2026-01-05T08:00:00Z"], "rpm": [1.0]}).write_parquet(
        tmp_path / "p"
    )
    whole = (tmp_path / "p").read_bytes()
    assert "not a whole Parquet file" in refused(tmp_path, "a.parquet", whole[:-30])


def test_parquet_damaged_in_the_middle(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {"unit_id": ["V1"] * 5000, "ts": ["2026-01-05T08:00:00Z"] * 5000, "rpm": range(5000)}
    )
    frame.write_parquet(tmp_path / "p", compression="zstd")
    data = bytearray((tmp_path / "p").read_bytes())
    data[200:2000] = b"\xff" * 1800
    assert "not a whole Parquet file" in refused(tmp_path, "a.parquet", bytes(data))


def test_nested_parquet_column(tmp_path: Path) -> None:
    frame = pl.DataFrame({"unit_id": ["V1"], "ts": ["2026-01-05T08:00:00Z"], "rpm": [[1.0, 2.0]]})
    frame.write_parquet(tmp_path / "p")
    reason = refused(tmp_path, "a.parquet", (tmp_path / "p").read_bytes())
    assert "'rpm'" in reason and "List" in reason


@pytest.mark.parametrize("zone", ["+05:30", "-0300", "Z", "UTC+2", "Foo/Bar", "America/New_York"])
@pytest.mark.parametrize("packed", [False, True])
def test_a_zoned_parquet_timestamp_is_its_instant_whatever_the_zone_is_called(tmp_path: Path, zone: str, packed: bool) -> None:
    # The format stores instants of a timestamp with a zone in UTC; the zone says only how to show them.
    stamps = pa.array([1_767_600_000], pa.timestamp("s", zone))  # 2026-01-05 08:00:00 UTC
    frame = pa.table({"unit_id": ["V1"], "ts": stamps.dictionary_encode() if packed else stamps, "rpm": [800.0]})
    pq.write_table(frame, tmp_path / "a.parquet")
    settings, lake = fleet(tmp_path)
    assert one(run(settings, lake, tmp_path / "a.parquet"))["kept"] == 1
    assert content(lake, "readings")["ts"].to_list() == [datetime(2026, 1, 5, 8, tzinfo=UTC)]


@pytest.mark.parametrize(
    ("values", "name"),
    [
        (pa.array([1], pa.duration("us")), "uration"),
        (pa.array([Decimal(800)], pa.decimal256(60, 3)), "decimal256"),
    ],
)
@pytest.mark.parametrize("column", ["rpm", "unit_id", "depot"])
def test_a_parquet_type_that_cannot_be_read_costs_its_file_only(
    tmp_path: Path, values: pa.Array, name: str, column: str
) -> None:
    columns = {"unit_id": ["V1"], "ts": ["2026-01-05T08:00:00Z"], "rpm": [800.0]}
    if column == "depot":
        columns = {"unit_id": ["V1"], "engine_family": ["T12"], "fuel": ["petrol"]}
    pq.write_table(pa.table(columns | {column: values}), tmp_path / "p")
    reason = refused(tmp_path, "a.parquet", (tmp_path / "p").read_bytes())
    assert f"column {column!r}" in reason and name in reason


@pytest.mark.parametrize("error", [ZeroDivisionError("of 4711"), pl.exceptions.PanicException("of 4711")])
def test_what_nobody_expects_of_one_file_costs_that_file_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException
) -> None:
    recognise = reading.recognise

    def stumbles(file: str, names: list[str]) -> object:
        if "a.csv" in file:
            raise error
        return recognise(file, names)

    monkeypatch.setattr(reading, "recognise", stumbles)
    reason = refused(tmp_path, "a.csv", READINGS.replace("V1", "V7"))
    assert type(error).__name__ in reason and "4711" not in reason


@pytest.mark.parametrize("error", [LakeError("the disk is full"), OSError(28, "No space left on device")])
def test_errors_of_the_machine_are_not_taken_for_those_of_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def fails(*_: object) -> None:
        raise error

    monkeypatch.setattr(reading, "recognise", fails)
    settings, lake = fleet(tmp_path)
    with pytest.raises(type(error)):
        run(settings, lake, write(tmp_path / "a.csv", READINGS))


def test_binary_rubbish(tmp_path: Path) -> None:
    assert "UTF-8" in refused(tmp_path, "a.csv", bytes(range(255, 0, -1)) * 100)


def test_header_of_nul_bytes(tmp_path: Path) -> None:
    assert "NUL" in refused(tmp_path, "a.csv", b"\0" * 64 + b"\n")


def test_cell_longer_than_the_reader_takes(tmp_path: Path) -> None:
    data = "unit_id,engine_family,fuel\nV1," + "x" * 200_000 + ",petrol\n"
    assert "cannot be cut into cells" in refused(tmp_path, "a.csv", data)


def test_header_only_is_a_file_of_no_rows(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    for header in (READINGS.splitlines()[0] + "\n", "unit_id,ts,code,state"):
        write(tmp_path / "a.csv", header)
        line = one(run(settings, lake, tmp_path / "a.csv"))
        assert (line["status"], line["rows_in"], line["kept"]) == ("read", 0, 0)


def test_refused_file_is_tried_again_and_the_ledger_keeps_one_row(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "a.csv", "what,is,this\n1,2,3\n")
    for _ in range(2):
        assert one(run(settings, lake, tmp_path / "a.csv"))["status"] == "refused"
    assert lake.read("exports").height == 1


def test_folder_without_exports(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "in" / "notes.txt", "x")
    write(tmp_path / "in" / ".hidden.csv", READINGS)
    with pytest.raises(ExportError, match=r"looked for \*\.csv, \*\.csv\.gz, .*\*\.parquet, \*\.zip .* found 1 other"):
        run(settings, lake, tmp_path / "in")


def test_missing_path(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    with pytest.raises(ExportError, match="no such file or folder"):
        run(settings, lake, tmp_path / "nowhere")


def test_arrival_without_zone(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "a.csv", READINGS)
    with pytest.raises(ConfigError, match="time zone"):
        run(settings, lake, tmp_path / "a.csv", at=ARRIVED.replace(tzinfo=None))


def test_file_that_grows_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", READINGS)

    def grown(item: Item) -> Identity:
        size, changed = item.state()
        return Identity("0" * 16, size, (size - 10, changed))

    monkeypatch.setattr("pipeline.exports.readbefore.fingerprint", grown)
    line = one(run(settings, lake, path))
    assert line["status"] == "refused" and "changed while it was read" in str(line["reason"])
    assert content(lake, "readings").is_empty()


def test_garbage_column_keeps_the_quarantine_small(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    rows = "".join(f"V1,2026-01-05T08:{n // 60:02}:{n % 60:02}Z,800,bad\n" for n in range(3000))
    write(tmp_path / "a.csv", "unit_id,ts,rpm,coolant_degc\n" + rows)
    line = one(run(settings, lake, tmp_path / "a.csv"))
    assert (line["kept"], line["quarantined"]) == (3000, 0)
    assert lake.read("quarantine").height == 1001
    assert rejects(lake)[0] == (0, "cell", "coolant_degc", "2000")
    assert "the first 1000 are listed" in reasons(lake)


def test_garbage_rows_are_all_listed(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "a.csv", "unit_id,ts,rpm\n" + "V1,yesterday,800\n" * 3000)
    line = one(run(settings, lake, tmp_path / "a.csv"))
    assert (line["rows_in"], line["quarantined"]) == (3000, 3000)
    assert lake.read("quarantine").height == 3000
