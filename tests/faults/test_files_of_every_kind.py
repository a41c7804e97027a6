"""Every way in which a file can be wrong, and what becomes of it: read, read with a note, set apart or refused."""

from __future__ import annotations

import gzip
import io
import os
import socket
import zipfile
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest

from pipeline.errors import ExportError
from pipeline.exports.finding import find_exports, fingerprint
from pipeline.exports.formats import source_of
from pipeline.exports.items import Item
from pipeline.exports.readings import wanted_types
from pipeline.exports.sources import TextForm
from tests.faults.lakes import READINGS, content, fleet, one, reasons, rejects, run, write
from tests.faults.test_bad_files import refused

HEADER, FIRST, SECOND, THIRD = READINGS.splitlines()


def zst(data: bytes) -> bytes:
    return pa.Codec("zstd").compress(data, asbytes=True)


def zipped(members: dict[str, bytes | str]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return packed.getvalue()


def ingested(tmp_path: Path, name: str, data: bytes | str) -> tuple[dict[str, object], list[tuple]]:
    """Summary line of the only file, and readings as (unit, rpm, coolant, voltage)."""
    settings, lake = fleet(tmp_path)
    line = one(run(settings, lake, write(tmp_path / "in" / name, data)))
    rows = content(lake, "readings").select("unit_id", "rpm", "coolant_degc", "o2_b1s1_v")
    return line | {"rejects": rejects(lake), "reasons": reasons(lake)}, rows.rows()


def notes(tmp_path: Path, name: str, data: bytes | str, form: TextForm | None = None) -> list[str]:
    source = source_of(write(tmp_path / name, data), form)
    list(source.batches(wanted_types(tuple(name for name in source.names if name in HEADER.split(",")))))
    return source.notes


GOOD = [("V1", 800.0, 90.0, pytest.approx(0.45)), ("V1", 820.0, None, pytest.approx(0.1)), ("V2", None, 88.0, None)]


# -- files that are read ---------------------------------------------------------------------------------------


NDJSON = (
    '{"unit_id":"V1","ts":"2026-01-05T08:00:00Z","rpm":800,"coolant_degc":90,"o2_b1s1_v":0.45}\n'
    '{"unit_id":"V1","ts":"2026-01-05T08:00:01Z","rpm":"820","o2_b1s1_v":0.1,"coolant_degc":null}\n'
    '{"ts":"2026-01-05T08:00:00Z","unit_id":"V2","coolant_degc":88}\n'
)


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.csv", READINGS.encode()),
        ("a.csv.gz", gzip.compress(READINGS.encode())),
        ("a.csv.zst", zst(READINGS.encode())),
        ("a.csv.zst", zst(READINGS[:70].encode()) + zst(READINGS[70:].encode())),
        ("a.TSV", READINGS.replace(",", "\t").encode()),
        ("a.tsv.zst", zst(READINGS.replace(",", "\t").encode())),
        ("a.ndjson", NDJSON.encode()),
        ("a.jsonl.gz", gzip.compress(NDJSON.encode())),
        ("a.ndjson.zst", zst(b"\xef\xbb\xbf" + NDJSON.replace("\n", "\r\n\n").encode())),
        ("a.zip", zipped({"x/a.csv": READINGS})),
        ("a.zip", zipped({"../../etc/a.csv.gz": gzip.compress(READINGS.encode())})),
        ("a.csv", READINGS.replace("\n", "\r\n").encode()),
        ("a.csv", READINGS.replace("\n", "\r").encode()),
        ("a.csv", READINGS.replace("\n", "\n\n").encode()),
        ("a.csv", READINGS.encode("utf-8-sig")),
        ("a.csv", READINGS.encode("utf-16")),
        ("a.csv", b"\xfe\xff" + READINGS.encode("utf-16-be")),
        ("a.csv", READINGS.rstrip("\n").encode()),
        ("a.csv", (HEADER + "\n" + "".join(f"{line},\n" for line in READINGS.splitlines()[1:])).encode()),
        ("a.csv", READINGS.replace(HEADER, HEADER + ",").encode()),
    ],
    ids=range(20),
)
def test_one_table_in_every_dress(tmp_path: Path, name: str, data: bytes) -> None:
    line, rows = ingested(tmp_path, name, data)
    assert (line["status"], line["rows_in"], line["kept"], line["quarantined"]) == ("read", 3, 3, 0)
    assert line["dropped"] == ""
    assert rows == GOOD


def test_folder_named_like_an_export_is_searched(tmp_path: Path) -> None:
    for folder in ("folder.csv", "other.zip"):
        write(tmp_path / "in" / folder / "a.csv", READINGS)
    found, ignored = find_exports([tmp_path / "in"])
    assert [str(item.path.relative_to(tmp_path / "in")) for item in found] == ["folder.csv/a.csv", "other.zip/a.csv"]
    assert ignored == []


def test_header_only_in_every_format(tmp_path: Path) -> None:
    pl.DataFrame(schema={"unit_id": pl.String, "ts": pl.String, "rpm": pl.Float32}).write_parquet(tmp_path / "p")
    for number, (name, data) in enumerate(
        {
            "a.csv": HEADER,
            "a.csv.zst": zst(HEADER.encode() + b"\n"),
            "a.parquet": (tmp_path / "p").read_bytes(),
        }.items()
    ):
        line, rows = ingested(tmp_path / str(number), name, data)
        assert (line["status"], line["rows_in"], rows) == ("read", 0, [])


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz", "a.csv.zst", "a.ndjson", "a.parquet", "a.zip"])
def test_empty_file(tmp_path: Path, name: str) -> None:
    reason = refused(tmp_path, name, b"")
    assert "empty" in reason or "cut off" in reason


# -- notes -------------------------------------------------------------------------------------------------------


def test_notes_say_what_cost_no_row(tmp_path: Path) -> None:
    longer = HEADER + "\n" + FIRST + ",\n" + SECOND + ",\n"
    assert notes(tmp_path, "a.csv", longer) == ["every row has one empty cell more than the header"]
    assert notes(tmp_path, "b.csv", READINGS.replace(HEADER, HEADER + ",")) == [
        "the header has one empty name more than the rows have cells"
    ]
    assert notes(tmp_path, "c.csv", READINGS.rstrip("\n")) == ["no line end after the last row"]
    assert notes(tmp_path, "d.ndjson", NDJSON.rstrip("\n")) == ["no line end after the last row"]
    assert notes(tmp_path, "e.csv", READINGS) == []


def test_notes_reach_the_export(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings, lake = fleet(tmp_path)
    seen = []
    monkeypatch.setattr("pipeline.ingest.ledger", lambda exports, *rest: seen.extend(exports) or [])
    run(settings, lake, write(tmp_path / "a.csv", READINGS.rstrip("\n")))
    assert [export.notes for export in seen] == [["no line end after the last row"]]


# -- rows set apart ----------------------------------------------------------------------------------------------


def test_one_longer_row_is_no_habit_of_the_file(tmp_path: Path) -> None:
    """With decimal commas a row has a cell too many too, and its last may be empty: no shift by guess."""
    line, rows = ingested(tmp_path, "a.csv", READINGS + "V3,2026-01-05T08:00:00Z,8,5,90,\n")
    assert line["quarantined"] == 1 and rows == GOOD


def test_extra_cell_that_is_not_always_empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.exports.csvtext._SAMPLE_ROWS", 2)
    text = "\n".join([HEADER, FIRST + ",", SECOND + ",", THIRD + ",", THIRD + ",7", THIRD]) + "\n"
    line, rows = ingested(tmp_path, "a.csv", text)
    assert (line["kept"], line["quarantined"]) == (3, 2) and rows == GOOD
    assert "here it is not" in line["reasons"] and "5 cells where the other rows have 6" in line["reasons"]


def test_column_count_changes_mid_file(tmp_path: Path) -> None:
    line, rows = ingested(tmp_path, "a.csv", READINGS + "V3,2026-01-05T08:00:00Z,800,90,0.4,12,1\n" * 3)
    assert line["quarantined"] == 3 and rows == GOOD
    assert "7 cells where the header has 5" in line["reasons"]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_header_line_again(tmp_path: Path, end: str) -> None:
    line, rows = ingested(tmp_path, "a.csv", (READINGS + READINGS).replace("\n", end))
    assert (line["kept"], line["duplicates"], line["quarantined"]) == (3, 3, 1) and rows == GOOD
    assert line["rejects"] == [(5, "row", "", HEADER)] and "the header line again" in line["reasons"]


def test_header_line_again_in_a_small_table(tmp_path: Path) -> None:
    text = "unit_id,ts,code,state\nV1,2026-01-05T08:00:00Z,P0420,pending\n"
    line, _ = ingested(tmp_path, "a.csv", text + text)
    assert line["quarantined"] == 1 and "the header line again" in line["reasons"]


@pytest.mark.parametrize("name", ["a.csv", "a.ndjson"])
def test_truncated_last_line(tmp_path: Path, name: str) -> None:
    text = READINGS if name == "a.csv" else NDJSON
    line, rows = ingested(tmp_path, name, text + text.splitlines()[1][:22])
    assert (line["kept"], line["quarantined"]) == (3, 1) and rows == GOOD
    assert "may be cut off, transfer it again" in line["reasons"]


def test_truncated_last_line_of_a_small_table(tmp_path: Path) -> None:
    line, _ = ingested(tmp_path, "a.csv", "unit_id,ts,code,state\nV1,2026-01-05T08:00:00Z,P0420,pending\nV1,2026")
    assert line["quarantined"] == 1 and "may be cut off" in line["reasons"]


def test_nul_bytes_in_a_row(tmp_path: Path) -> None:
    line, rows = ingested(tmp_path, "a.csv", READINGS + "V3,2026-01-05T08:00:00Z,8\0,90,\n")
    assert line["quarantined"] == 1 and "NUL bytes" in line["reasons"] and rows == GOOD


def test_quoted_delimiters_and_line_ends_in_readings(tmp_path: Path) -> None:
    text = HEADER + ",note\n" + FIRST + ',"x, y\nand ""z""\n"\n' + SECOND + ",\n" + THIRD + ',"a,b"\n'
    line, rows = ingested(tmp_path, "a.csv", text)
    assert (line["kept"], line["quarantined"]) == (3, 0) and rows == GOOD


def test_quoted_line_ends_across_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.exports.csvtext.BLOCK_BYTES", 100)
    rows = "".join(f'V{n},2026-01-05T08:00:00Z,{n},"a\nb, c\n{n}"\n' for n in range(200))
    source = source_of(write(tmp_path / "a.csv", "unit_id,ts,rpm,note\n" + rows))
    batches = list(source.batches(wanted_types(("unit_id", "ts", "rpm"))))
    frame = pl.concat(batch.frame for batch in batches)
    assert frame["line"].to_list() == [2 + 3 * n for n in range(200)]
    assert frame["rpm"].cast(pl.Float32).to_list() == list(range(200))
    assert not any(batch.rejected.height for batch in batches)


def test_a_stray_quote_takes_no_good_row_with_it(tmp_path: Path) -> None:
    stray = 'V3,2026-01-05T08:00:00Z,"8,90,\n'
    line, rows = ingested(tmp_path, "a.csv", HEADER + "\n" + stray + FIRST + "\n" + SECOND + "\n" + stray + THIRD + "\n")
    assert (line["kept"], line["quarantined"]) == (3, 2) and rows == GOOD


def test_ndjson_lines_that_are_no_rows(tmp_path: Path) -> None:
    bad = [
        "5",
        "[1]",
        '{"unit_id":"V3"',
        '{"unit_id":"V3","ts":"2026-01-05T08:00:00Z","rpm":NaN}',
        '{"unit_id":"V3","ts":"2026-01-05T08:00:00Z","rpm":1,"rpm":2}',
        '{"unit_id":"V3","ts":"2026-01-05T08:00:00Z","rpm":{"value":1}}',
    ]
    flat = '{"unit_id":"V4","ts":"2026-01-05T08:00:00Z","rpm":1,"gps":{"lat":[1,2]}}\n'
    line, rows = ingested(tmp_path, "a.ndjson", NDJSON + "\n".join(bad) + "\n" + flat)
    assert (line["kept"], line["quarantined"], line["dropped"]) == (4, 6, "gps")
    assert rows == [*GOOD, ("V4", 1.0, None, None)]
    assert [reject[0] for reject in line["rejects"]] == [4, 5, 6, 7, 8, 9]
    assert "key 'rpm' stands there more than once" in line["reasons"]
    assert "a list or object within rpm" in line["reasons"]


# -- files refused -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("same", [True, False])
def test_header_names_twice(tmp_path: Path, same: bool) -> None:
    """Equal everywhere or not: which of the two is meant next week is not for us to guess."""
    text = f"unit_id,ts,rpm,rpm\nV1,2026-01-05T08:00:00Z,1,{1 if same else 2}\n"
    assert "column rpm stands there more than once" in refused(tmp_path, "a.csv", text)


@pytest.mark.parametrize(("name", "pack"), [("a.csv.gz", gzip.compress), ("a.csv.zst", zst)])
def test_packed_file_cut_off_or_damaged(tmp_path: Path, name: str, pack) -> None:
    packed = pack("".join(f"{READINGS}{n}" for n in range(500)).encode())
    pieces = (packed[:5], packed[: len(packed) // 2], packed[:-1], b"\xff" + packed[1:])
    for number, damaged in enumerate(pieces):
        assert "cut off or damaged" in refused(tmp_path / str(number), name, damaged)


def test_zip_cut_off(tmp_path: Path) -> None:
    packed = zipped({"a.csv": READINGS * 50})
    for number, cut in enumerate((10, len(packed) // 2, -5)):
        assert "zip archive is cut off or damaged" in refused(tmp_path / str(number), "a.zip", packed[:cut])


def test_zip_without_members(tmp_path: Path) -> None:
    assert "without a file" in refused(tmp_path, "a.zip", zipped({}))


def test_damaged_member_leaves_the_others(tmp_path: Path) -> None:
    packed = bytearray(zipped({"bad.csv": READINGS, "good.csv": READINGS.replace("V1", "V9")}))
    packed[50:60] = b"\xff" * 10
    settings, lake = fleet(tmp_path)
    files = run(settings, lake, write(tmp_path / "a.zip", bytes(packed))).files
    assert files["file"].to_list() == [f"{tmp_path}/a.zip/bad.csv", f"{tmp_path}/a.zip/good.csv"]
    assert files["status"].to_list() == ["refused", "read"]
    assert "cut off or damaged" in str(files["reason"][0])


def test_locked_member(tmp_path: Path) -> None:
    packed = bytearray(zipped({"a.csv": READINGS}))
    packed[6] |= 1  # general purpose flag bit 0 in the local header: encrypted (APPNOTE 4.4.4)
    packed[packed.rindex(b"PK\x01\x02") + 8] |= 1  # and in the directory
    assert "locked by a password" in refused(tmp_path, "a.zip", bytes(packed))


def test_archive_in_an_archive(tmp_path: Path) -> None:
    assert "archive within an archive" in refused(tmp_path, "a.zip", zipped({"b.zip": zipped({"a.csv": READINGS})}))


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_two_members_of_one_name(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for text in (READINGS, READINGS.replace("V1", "V9")):
            archive.writestr("a.csv", text)
    assert "two members of this name" in refused(tmp_path, "a.zip", packed.getvalue())


def test_member_that_is_a_file_elsewhere_counts_once(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "in" / "a.zip", zipped({"d/x.csv": READINGS, ".hidden.csv": "x", "__MACOSX/x.csv": "x", "r.txt": "x"}))
    write(tmp_path / "in" / "b.csv", READINGS)
    files = run(settings, lake, tmp_path / "in").files
    assert dict(files.select("file", "status").rows()) == {
        f"{tmp_path}/in/a.zip/d/x.csv": "read",
        f"{tmp_path}/in/a.zip/r.txt": "ignored",
        f"{tmp_path}/in/b.csv": "already read",
    }
    assert files["kept"][0] == 3


def test_parquet_member_of_a_zip(tmp_path: Path) -> None:
    frame = pl.DataFrame({"unit_id": ["V1"], "ts": ["2026-01-05T08:00:00Z"], "rpm": [800.0]})
    frame.write_parquet(tmp_path / "p")
    line, rows = ingested(tmp_path, "a.zip", zipped({"a.parquet": (tmp_path / "p").read_bytes()}))
    assert line["kept"] == 1 and rows[0][:2] == ("V1", 800.0)
    for data in ((tmp_path / "p").read_bytes()[:-9], b""):
        reason = refused(tmp_path / str(len(data)), "a.zip", zipped({"a.parquet": data}))
        assert "not a whole Parquet file" in reason or "empty" in reason


# A repeating stream packed once; copies of it follow each other: 10 GB of text in some MB or less.
def _bomb(kind: str, piece: bytes, total: int) -> bytes:
    pieces = total // len(piece)
    if kind == "zst":
        return zst(piece) * pieces
    return gzip.compress(piece, 9) * pieces


@pytest.mark.parametrize("kind", ["gz", "zst"])
def test_bomb_without_a_line_end(tmp_path: Path, kind: str) -> None:
    bomb = _bomb(kind, b"\0" * (100 << 20), 10 << 30) if kind == "zst" else _bomb(kind, b"x" * (100 << 20), 10 << 30)
    assert len(bomb) < 20 << 20
    path = write(tmp_path / f"a.csv.{kind}", bomb)
    with pytest.raises(ExportError, match="no line end within"):
        source_of(path)


@pytest.mark.parametrize("kind", ["gz", "zst"])
def test_bomb_of_rows(tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The bound is lowered for the test: parsing 1 GB first takes half a minute."""
    monkeypatch.setattr("pipeline.exports.items.BOMB_BYTES", 64 << 20)
    row = (FIRST + "\n").encode()
    pack = zst if kind == "zst" else gzip.compress
    path = write(
        tmp_path / f"a.csv.{kind}", pack(HEADER.encode() + b"\n") + _bomb(kind, row * 1_000_000, 10 << 30)
    )
    source, read = source_of(path), 0
    with pytest.raises(ExportError, match="more than 200 times its size"):
        for batch in source.batches(wanted_types(("unit_id", "ts", "rpm"))):
            read += batch.rows_in
    assert read * len(row) < 80 << 20


def test_bomb_in_a_zip_is_told_from_the_directory(tmp_path: Path) -> None:
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        with archive.open("a.csv", "w", force_zip64=True) as member:
            member.write(HEADER.encode() + b"\n")
            for _ in range(20):
                member.write(b"x" * (64 << 20))
    settings, lake = fleet(tmp_path)
    line = one(run(settings, lake, path))
    assert line["status"] == "refused" and "more than 200 times its size" in str(line["reason"])


@pytest.mark.parametrize("name", ["a.csv", "a.csv.gz", "a.parquet", "a.ndjson"])
def test_small_table_that_is_none(tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in ("csvtext", "parquet", "ndjson"):
        monkeypatch.setattr(f"pipeline.exports.{module}.MOST_TABLE_BYTES", 10_000)
    frame = pl.DataFrame({"unit_id": [f"V{n}" for n in range(1000)], "engine_family": "T12", "fuel": "petrol"})
    write_it = {"a.parquet": frame.write_parquet, "a.ndjson": frame.write_ndjson}.get(name, frame.write_csv)
    write_it(tmp_path / "x")
    data = (tmp_path / "x").read_bytes()
    assert "split it" in refused(tmp_path, name, gzip.compress(data) if name.endswith(".gz") else data)


@pytest.mark.parametrize("columns", [10_001, 1_000_000])
def test_header_of_a_million_columns(tmp_path: Path, columns: int) -> None:
    header = "unit_id,ts,rpm" + "".join(f",c{n}" for n in range(columns - 3))
    assert "more than 10000 columns" in refused(tmp_path, "a.csv", header + "\n")


@pytest.mark.parametrize("columns", [10_001, 101_000])
def test_parquet_of_too_many_columns(tmp_path: Path, columns: int) -> None:
    pa.parquet.write_table(pa.table({f"c{n}": pa.array([1]) for n in range(columns)}), tmp_path / "p")
    assert "more than 10000 columns" in refused(tmp_path, "a.parquet", (tmp_path / "p").read_bytes())


def test_ndjson_of_too_many_keys(tmp_path: Path) -> None:
    rows = "".join('{"c%d":1}\n' % n for n in range(10_001))
    assert "more than 10000 columns" in refused(tmp_path, "a.ndjson", rows)


def test_other_encodings_are_named_in_the_refusal(tmp_path: Path) -> None:
    german = refused(tmp_path / "1", "a.csv", READINGS.replace("V2", "Wägen").encode("cp1252"))
    korean = refused(tmp_path / "2", "a.csv", READINGS.replace("V2", "차량둘").encode("cp949"))
    assert "cp1252" in german and "cp949" in korean
    assert "utf-16-le" in refused(tmp_path / "3", "a.csv", READINGS.replace("V2", "Ä").encode("utf-16-le"))


# -- files that are no files, or not yet -----------------------------------------------------------------------


def test_pipes_and_sockets_are_refused_and_never_wait(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "in"
    write(folder / "zz_good.csv", READINGS)
    for name in ("a.csv", "b.zip", "c.parquet"):
        os.mkfifo(folder / name)
    monkeypatch.chdir(folder)  # the path of a socket may not be long
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind("s.csv.gz")
        settings, lake = fleet(tmp_path)
        files = run(settings, lake, folder).files
    assert files["status"].to_list() == ["refused"] * 4 + ["read"]
    assert files["reason"].str.contains("a pipe, socket or device")[:4].all()
    with pytest.raises(ExportError, match="a pipe, socket or device"):
        fingerprint(Item(Path(os.devnull)))


def test_links_in_a_circle_and_to_nowhere(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    write(folder / "zz_good.csv", READINGS)
    os.symlink(folder / "a.csv", folder / "a.csv")
    os.symlink(folder / "gone", folder / "b.csv")
    os.symlink(folder, folder / "circle")
    settings, lake = fleet(tmp_path)
    files = run(settings, lake, folder).files
    assert dict(files.select(pl.col("file").str.split("/").list.last(), "status").rows()) == {
        "a.csv": "refused",
        "b.csv": "refused",
        "circle": "ignored",
        "zz_good.csv": "read",
    }


def test_file_without_rights(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", READINGS)
    path.chmod(0)
    for folder in (tmp_path, *tmp_path.parents[:2]):
        folder.chmod(0o755)
    owner = os.geteuid()
    if owner == 0:
        os.seteuid(65534)
    try:
        with pytest.raises(ExportError, match="cannot be read: Permission denied"):
            fingerprint(Item(path))
    finally:
        os.seteuid(owner)


def _while_read(monkeypatch: pytest.MonkeyPatch, what) -> None:
    """Do something to the file after its content was told and before its rows are checked."""
    real = source_of

    def opened(item: Item, form: TextForm | None = None):
        source = real(item, form)
        what(item.path)
        return source

    monkeypatch.setattr("pipeline.exports.reading.source_of", opened)


@pytest.mark.parametrize("name", ["a.csv", "a.zip"])
def test_file_still_being_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / name, READINGS if name == "a.csv" else zipped({"a.csv": READINGS}))
    with monkeypatch.context() as patched:
        _while_read(patched, lambda path: os.utime(path, ns=(1, 1)))
        line = one(run(settings, lake, path))
    assert line["status"] == "refused" and "read again on the next run" in str(line["reason"])
    assert content(lake, "readings").is_empty()
    assert one(run(settings, lake, path))["kept"] == 3


def test_file_that_vanishes_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings, lake = fleet(tmp_path)
    _while_read(monkeypatch, Path.unlink)
    line = one(run(settings, lake, write(tmp_path / "a.csv", READINGS)))
    assert line["status"] == "refused" and "vanished" in str(line["reason"])
    assert content(lake, "readings").is_empty()


def test_half_uploaded_file_is_read_again_when_it_is_whole(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    half = one(run(settings, lake, write(tmp_path / "a.csv", READINGS[:-12])))
    assert (half["kept"], half["quarantined"]) == (2, 1) and "may be cut off" in reasons(lake)
    whole = one(run(settings, lake, write(tmp_path / "a.csv", READINGS)))
    assert (whole["kept"], whole["duplicates"]) == (1, 2)
    assert content(lake, "readings").height == 3
