"""One export file: finding it, telling what it is, cutting it into rows, and scaling of on-board tests."""

from __future__ import annotations

import gzip
import hashlib
import os
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import ExportError
from pipeline.exports.csvtext import CsvSource
from pipeline.exports.events import clean_codes
from pipeline.exports.finding import OWN, find_exports, fingerprint, why_ignored
from pipeline.exports.items import Item
from pipeline.exports.kinds import recognise
from pipeline.exports.merging import merge_readings, running_least
from pipeline.exports.parquet import ParquetSource
from pipeline.exports.readings import wanted_types
from pipeline.exports.scaling import scale, scalings
from pipeline.exports.times import to_date, to_utc
from pipeline.tables import table
from tests.faults.lakes import write


def test_files_are_found_once_and_in_order(tmp_path: Path) -> None:
    for name in ("b.csv", "a/z.parquet", "a/y.CSV.GZ", "a/.x.csv", "notes.txt", ".git/c.csv"):
        write(tmp_path / name, "x")
    found, ignored = find_exports([tmp_path / "b.csv", tmp_path, tmp_path / "a"])
    assert [item.path.relative_to(tmp_path).as_posix() for item in found] == ["a/y.CSV.GZ", "a/z.parquet", "b.csv"]
    assert [item.name for item in ignored] == ["notes.txt"]


def changed(path: Path, seconds: int) -> Path:
    """The file as changed so many seconds after the beginning of 2026."""
    os.utime(path, (1_767_225_600 + seconds,) * 2)
    return path


def test_files_changed_later_come_later_and_numbers_in_names_are_numbers(tmp_path: Path) -> None:
    # The second copy of a folder: within a minute, in the order of the names, which puts 10 before 9.
    for place, name in enumerate(("w_10.csv", "w_100.csv", "w_9.csv", "w.csv", "w09.csv")):
        changed(write(tmp_path / name, "x"), 3600 + place)
    changed(write(tmp_path / "z_corrected.csv", "x"), 0)
    changed(write(tmp_path / "a_corrected.csv", "x"), 9000)
    found, _ = find_exports([tmp_path])
    assert [item.path.name for item in found] == [
        "z_corrected.csv", "w.csv", "w09.csv", "w_9.csv", "w_10.csv", "w_100.csv", "a_corrected.csv",
    ]  # fmt: skip
    long = write(tmp_path / "more" / ("9" * 200 + ".csv"), "x")
    assert find_exports([long.parent])[0] == [Item(long)]


def test_the_folders_of_the_lake_and_the_lists_are_left_out(tmp_path: Path) -> None:
    for name in ("a.csv", "lake/readings/b.parquet", "lake/c.csv", "deep/out/2026-04-27/list.csv", "deep/d.csv"):
        write(tmp_path / name, "x")
    own = (tmp_path / "lake", tmp_path / "deep" / "out")
    found, ignored = find_exports([tmp_path], own)
    assert [item.path.name for item in found] == ["a.csv", "d.csv"]
    assert [(item.path, why_ignored(item, own)) for item in ignored] == [(own[1], OWN), (own[0], OWN)]
    # A file that is named, and a folder within, are meant.
    assert [item.path.name for item in find_exports([tmp_path / "lake" / "c.csv"], own)[0]] == ["c.csv"]
    assert [item.path.name for item in find_exports([own[1] / "2026-04-27"], own)[0]] == ["list.csv"]
    assert [item.path.name for item in find_exports([tmp_path / "deep"], (tmp_path,))[0]] == ["d.csv", "list.csv"]


def test_fingerprint_is_the_start_of_sha_256(tmp_path: Path) -> None:
    """FIPS 180-4, example of "abc": digest ba7816bf 8f01cfea ..."""
    path = write(tmp_path / "a.csv", "abc")
    assert fingerprint(path)[:2] == ("ba7816bf8f01cfea", 3)
    long = write(tmp_path / "b.csv", b"0123456789" * 300_000)
    assert fingerprint(long)[:2] == (hashlib.sha256(long.read_bytes()).hexdigest()[:16], 3_000_000)


@pytest.mark.parametrize(
    ("names", "kind", "dropped"),
    [
        ("unit_id ts rpm", "readings", []),
        ("unit_id ts rpm lat vin", "readings", ["lat", "vin"]),
        ("state code ts unit_id rpm", "codes", ["rpm"]),
        ("unit_id ts obdmid tid uasid value min max", "onboard_tests", []),
        ("unit_id engine_family fuel vin driver", "register", ["driver"]),
        ("order_id unit_id closed_on component action finding cause", "work_orders", []),
    ],
)
def test_kind_is_told_from_columns(names: str, kind: str, dropped: list[str]) -> None:
    found, left = recognise("f", names.split())
    assert (found.name, left) == (kind, dropped)


@pytest.mark.parametrize(
    "names", ["unit_id ts", "unit_id rpm", "ts rpm", "unit_id ts code", "UNIT_ID ts rpm"]
)
def test_incomplete_columns_are_no_input(names: str) -> None:
    with pytest.raises(ExportError, match="not one of the inputs"):
        recognise("f", names.split())


def test_doubled_column_matters_only_where_it_is_needed() -> None:
    recognise("f", ["unit_id", "ts", "rpm", "lat", "lat"])
    with pytest.raises(ExportError, match="column rpm"):
        recognise("f", ["unit_id", "ts", "rpm", "rpm"])


def test_blocks_keep_line_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [f"V{n},2026-01-05T08:00:00Z,{n}\n" for n in range(500)]
    rows[70], rows[300] = "\n", "V300,short\n"
    path = tmp_path / "a.csv.gz"
    path.write_bytes(gzip.compress(("unit_id,ts,rpm\n" + "".join(rows)).encode()))
    monkeypatch.setattr("pipeline.exports.csvtext.BLOCK_BYTES", 1000)
    batches = list(CsvSource(path).batches(wanted_types(("unit_id", "ts", "rpm"))))
    assert len(batches) > 10
    assert sum(batch.rows_in for batch in batches) == 499
    frame = pl.concat(batch.frame for batch in batches)
    assert frame["line"].to_list() == [n + 2 for n in range(500) if n not in (70, 300)]
    assert frame["rpm"].to_list() == [n for n in range(500) if n not in (70, 300)]
    assert pl.concat(batch.rejected for batch in batches)["line"].to_list() == [302]


def test_plain_block_is_typed_at_once_and_another_as_text(tmp_path: Path) -> None:
    wanted = wanted_types(("unit_id", "ts", "rpm"))
    good = write(tmp_path / "a.csv", "unit_id,ts,rpm\nV1,x,1\nV1,x,\n")
    bad = write(tmp_path / "b.csv", "unit_id,ts,rpm\nV1,x,1\nV1,x,q\n")
    assert next(iter(CsvSource(good).batches(wanted))).frame["rpm"].dtype == pl.Float32
    assert next(iter(CsvSource(bad).batches(wanted))).frame["rpm"].to_list() == ["1", "q"]


def test_quoted_cells_with_commas_quotes_and_stray_quotes(tmp_path: Path) -> None:
    text = 'unit_id,ts,rpm\n"V,1","a ""b""",1\nV"2,t,1\n"V3"x,t,1\n"","t",1\n'
    batch = next(
        iter(CsvSource(write(tmp_path / "a.csv", text)).batches(wanted_types(("unit_id", "ts", "rpm"))))
    )
    assert batch.frame["unit_id"].to_list() == ["V,1", ""]
    assert batch.frame["ts"].to_list() == ['a "b"', "t"]
    assert batch.rejected["line"].to_list() == [3, 4]


def test_records_number_the_line_a_row_begins_on(tmp_path: Path) -> None:
    text = 'a,b\n"x\ny",1\n\nz,2\nw\n"open,3\nnever closed'
    batch = CsvSource(write(tmp_path / "a.csv", text)).records(["b", "a"])
    assert batch.frame.rows() == [(2, "1", "x\ny"), (5, "2", "z")]
    assert batch.rejected["line"].to_list() == [6, 7]
    assert batch.rows_in == 4


def test_parquet_batches_number_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pl.DataFrame({"ts": ["x"] * 25, "unit_id": range(25), "rpm": range(25)}).write_parquet(
        tmp_path / "a.parquet"
    )
    monkeypatch.setattr("pipeline.exports.parquet.BATCH_ROWS", 10)
    batches = list(ParquetSource(tmp_path / "a.parquet").batches(wanted_types(("unit_id", "ts", "rpm"))))
    assert [batch.rows_in for batch in batches] == [10, 10, 5]
    frame = pl.concat(batch.frame for batch in batches)
    assert frame["line"].to_list() == list(range(1, 26))
    assert frame["unit_id"].to_list() == [str(n) for n in range(25)]


def test_small_tables_in_parquet(tmp_path: Path) -> None:
    frame = pl.DataFrame({"unit_id": ["V1"], "code": ["P0420"], "state": ["pending"]})
    stamped = frame.with_columns(
        ts=pl.lit(datetime(2026, 1, 5, 6, tzinfo=UTC)).cast(pl.Datetime("ms", "UTC"))
    )
    stamped.write_parquet(tmp_path / "a.parquet")
    frame.with_columns(ts=pl.lit(datetime(2026, 1, 5, 8))).write_parquet(tmp_path / "b.parquet")
    names = ["unit_id", "ts", "code", "state"]
    zoned = clean_codes(ParquetSource(tmp_path / "a.parquet").records(names).frame)
    assert str(zoned.frame["ts"][0]) == "2026-01-05 06:00:00+00:00"
    naive = clean_codes(ParquetSource(tmp_path / "b.parquet").records(names).frame)
    assert naive.rows.select("line", "column").rows() == [(1, "ts")]


def test_times_of_an_empty_column() -> None:
    instants, why = to_utc(pl.Series("ts", [], dtype=pl.String))
    assert instants.dtype == pl.Datetime("us", "UTC") and why.len() == 0


def test_dates() -> None:
    texts = pl.Series(
        ["2026-01-05", "2026-01-05T00:00:00.000", "2026-01-05T25:00:00", "1949-12-31", "", None, "soon"]
    )
    days, why = to_date(texts, date(1950, 1, 1), date(2100, 12, 31))
    assert days.to_list() == [date(2026, 1, 5)] * 2 + [None] * 5
    assert [reason is not None for reason in why] == [False, False, True, True, False, False, True]


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2026-01-05T07:00:00", 5),  # no offset: the day it names
        ("2026-01-05 07:00", 5),
        ("2026-01-05T15:02:00Z", 5),
        ("2026-01-05T23:00:00Z", 6),  # midnight in Vienna, one hour ahead of UTC in January
        ("2026-01-05T22:59:59.9+00:00", 5),
        ("2026-01-05T20:30:00-05:00", 6),
        ("2026-01-05T00:00:00Z", 5),  # a date written as its midnight
        ("2026-01-05T00:00:00+09:00", 5),
        ("2026-01-05 00:00:00.000", 5),
    ],
)
def test_an_instant_is_the_day_it_falls_on_in_the_fleets_zone(text: str, day: int) -> None:
    days, why = to_date(pl.Series([text, "2026-01-09"]), date(1950, 1, 1), date(2100, 12, 31), "Europe/Vienna")
    assert days.to_list() == [date(2026, 1, day), date(2026, 1, 9)] and why.null_count() == 2


def scaled(uasid: int, *raw: int) -> dict[str, object]:
    """One scaled service $06 result."""
    frame = pl.DataFrame([(uasid, *raw)], schema=["uasid", "value_raw", "min_raw", "max_raw"], orient="row")
    return scale(frame).row(0, named=True)


@pytest.mark.parametrize(
    ("uasid", "raw", "physical", "unit"),
    [
        pytest.param(0x10, (0x0055, 0x0000, 0x0078), (85, 0, 120), "ms", id="switch time"),
        pytest.param(
            0x0A, (0x0E69, 0x0E69, 0x0E69), (450.058, 450.058, 450.058), "mV", id="threshold voltage"
        ),
        pytest.param(0x0B, (0x01C2, 0x0258, 0xFFFF), (0.450, 0.600, 65.535), "V", id="maximum voltage"),
        pytest.param(0x06, (0x0CE4, 0x0400, 0xFFFF), (1.0065, 0.31232, 19.988175), "count", id="catalyst"),
        pytest.param(0x0E, (0x028A, 0x00C8, 0x05DC), (0.650, 0.200, 1.500), "A", id="heater current"),
        pytest.param(0x84, (0xFF9C, 0xFF06, 0x00FA), (-0.100, -0.250, 0.250), "count", id="signed shift"),
        pytest.param(0x16, (0x0000, 0x0190, 0xFFFF), (-40, 0, 6513.5), "degC", id="temperature"),
        pytest.param(0x39, (0x8000, 0x0000, 0xFFFF), (0, -327.68, 327.67), "%", id="offset per cent"),
    ],
)
def test_scaling(
    uasid: int, raw: tuple[int, int, int], physical: tuple[float, float, float], unit: str
) -> None:
    """SAE J1979-DA, appendix E (unit-and-scaling ids), from memory; values worked out by hand."""
    result = scaled(uasid, *raw)
    assert (result["value"], result["min"], result["max"]) == pytest.approx(physical, abs=1e-9)
    assert result["known"] is True
    assert scalings()[uasid].unit == unit


def test_signed_ids_are_those_from_80() -> None:
    """SAE J1979-DA, appendix E: ids from $80 hold two's complement values; from memory."""
    assert len(scalings()) == 57
    assert all(item.signed == (uasid >= 0x80) for uasid, item in scalings().items())
    assert scaled(0x81, 0x8000, 0x7FFF, 0xFFFF)["value"] == -32768
    assert scaled(0x01, 0x8000, 0x7FFF, 0xFFFF)["value"] == 32768


def test_unknown_id_stays_raw() -> None:
    result = scaled(0x7F, 65535, 1, 2)
    assert (result["value"], result["min"], result["max"], result["known"]) == (65535, 1, 2, False)


@pytest.mark.parametrize("length", [1, 2, 3, 4, 5, 9, 33])
def test_running_least_against_a_plain_loop(length: int) -> None:
    values = [
        [(n * 7919) % 101 if (n * 31) % 3 else None for n in range(size)] for size in (length, 1, length + 1)
    ]
    again = [place > 0 for group in values for place in range(len(group))]
    expected = []
    for group in values:
        least: int | None = None
        for value in group:
            least = min((item for item in (least, value) if item is not None), default=None)
            expected.append(least)
    rows = pl.DataFrame(
        {"x": [item for group in values for item in group], "again": again},
        schema={"x": pl.Int64, "again": pl.Boolean},
    )
    assert running_least(rows, ["x"])["x"].to_list() == expected


def test_merge_does_not_change_the_frames_it_is_given() -> None:
    lake = table("readings").empty()
    new = pl.DataFrame(
        {"unit_id": ["V1", "V1"], "rpm": [2.0, 1.0], "line": [2, 3], "source": [0, 0]}
    ).with_columns(
        ts=pl.lit(datetime(2026, 1, 5, 8, tzinfo=UTC)),
        day=pl.lit(date(2026, 1, 5)),
        bucket=pl.lit(0, dtype=pl.Int32),
        source=pl.col("source").cast(pl.Int32),
    )
    copy = new.clone()
    merged = merge_readings(lake, new)
    assert new.equals(copy) and lake.is_empty()
    assert merged.rows["rpm"].to_list() == [1.0]
    assert merged.fates.select("fate", "changes").rows() == [("kept", True), ("kept", True)]
