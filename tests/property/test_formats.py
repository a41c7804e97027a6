"""A known table in any container, mangled row by row: each row is in the lake as it was, or in quarantine."""

from __future__ import annotations

import gzip
import io
import json
import tempfile
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.faults.lakes import content, fleet, one, run, write

START = datetime(2026, 1, 12, 8, 0, tzinfo=UTC)
NAMES = ("unit_id", "ts", "rpm", "coolant_degc", "o2_b1s1_v")
SIGNALS = NAMES[2:]
WHOLE, CELL, ROW = "whole", "cell", "row"
# What is done to one line -> what is lost by it: nothing, one cell, or the row.
MANGLES = {
    "none": WHOLE,
    "blanks round every cell": WHOLE,
    "quotes round every cell": WHOLE,
    "plus hours for Z": WHOLE,
    "words for a number": CELL,
    "a number out of any range": CELL,
    "a formula for a number": CELL,
    "a cell more": ROW,
    "a cell less": ROW,
    "a NUL byte": ROW,
    "no unit": ROW,
    "no time": ROW,
    "a month too many": ROW,
    "a time without a zone": ROW,
}
TEXT = ("csv", "tsv", "csv.gz", "csv.zst", "zip")


def mangled(how: str, cells: list[str]) -> list[str]:
    """The cells of a line after one mishap; all but the containers' own."""
    unit, ts, rpm, *rest = cells
    return {
        "none": cells,
        "blanks round every cell": [f" {cell} " if cell else cell for cell in cells],
        "quotes round every cell": [f'"{cell}"' for cell in cells],
        "plus hours for Z": [unit, (_read(ts) + timedelta(hours=5)).strftime("%Y-%m-%dT%H:%M:%S+05:00"), rpm, *rest],
        "words for a number": [unit, ts, "fast", *rest],
        "a number out of any range": [unit, ts, "-99999", *rest],
        "a formula for a number": [unit, ts, "=1+1", *rest],
        "a cell more": [*cells, "7"],
        "a cell less": cells[:-1],
        "a NUL byte": [unit, ts, "\0", *rest],
        "no unit": ["", ts, rpm, *rest],
        "no time": [unit, "", rpm, *rest],
        "a month too many": [unit, ts.replace("2026-01", "2026-13"), rpm, *rest],
        "a time without a zone": [unit, ts.removesuffix("Z"), rpm, *rest],
    }[how]


def _read(ts: str) -> datetime:
    return datetime.strptime(ts, "%Y-%m-%dT%H:%M:%SZ")


def packed(kind: str, lines: list[list[str]], order: list[int], bom: bool, end: str) -> bytes:
    """The file's bytes."""
    mark = "\t" if kind == "tsv" else ","
    # Written by hand: a writer would put right what is to be wrong.
    ordered = [[line[n] for n in order if n < len(line)] + line[len(order) :] for line in lines]
    text = end.join(mark.join(line) for line in ordered)
    body = (b"\xef\xbb\xbf" if bom else b"") + (text + end).encode()
    if kind == "csv.gz":
        return gzip.compress(body)
    if kind == "csv.zst":
        return pa.compress(body, codec="zstd", asbytes=True)
    if kind == "zip":
        into = io.BytesIO()
        with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("in/a.csv", body)
        return into.getvalue()
    return body


@st.composite
def tables(draw: st.DrawFn) -> list[tuple[str, datetime, dict[str, float | None]]]:
    """Rows of units, instants and values, by instant."""
    keys = draw(st.lists(st.tuples(st.sampled_from("AB"), st.integers(0, 7200)), min_size=1, max_size=25, unique=True))
    rows = []
    for unit, second in sorted(keys, key=lambda key: key[1]):
        values = {
            "rpm": float(draw(st.integers(600, 6000))),
            "coolant_degc": draw(st.none() | st.integers(-30, 110).map(float)),
            "o2_b1s1_v": draw(st.none() | st.integers(0, 200).map(lambda n: n / 200)),
        }
        rows.append((unit, START + timedelta(seconds=second), values))
    return rows


def cells(row: tuple[str, datetime, dict[str, float | None]]) -> list[str]:
    """A row as the canonical text."""
    unit, at, values = row
    return [unit, at.strftime("%Y-%m-%dT%H:%M:%SZ"), *("" if values[n] is None else f"{values[n]:g}" for n in SIGNALS)]


def lost_by(how: str, row: tuple[str, datetime, dict[str, float | None]]) -> str:
    """What a mishap costs: a row that keeps no value is no row."""
    alone = all(value is None for name, value in row[2].items() if name != "rpm")
    return ROW if alone and MANGLES[how] == CELL else MANGLES[how]


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    rows=tables(),
    kind=st.sampled_from(TEXT),
    bom=st.booleans(),
    end=st.sampled_from(["\n", "\r\n"]),
    order=st.permutations(range(len(NAMES))),
    data=st.data(),
)
def test_mangled_lines(rows, kind, bom, end, order, data):
    # At least one clean line: a file without any may rightly be refused as a whole.
    how = ["none", *(data.draw(st.sampled_from(sorted(MANGLES))) for _ in rows[1:])]
    lines = [list(NAMES), *(mangled(what, cells(row)) for what, row in zip(how, rows, strict=True))]
    with tempfile.TemporaryDirectory() as folder:
        setup, lake = fleet(Path(folder))
        line = one(run(setup, lake, write(Path(folder) / f"a.{kind}", packed(kind, lines, list(order), bom, end))))
        found = content(lake, "readings").select("unit_id", "ts", *SIGNALS)
        faults = lake.read("quarantine").select("line", "scope").rows()
    assert line["status"] == "read", line["reason"]
    losses = {number: lost_by(what, row) for number, (what, row) in enumerate(zip(how, rows, strict=True), start=2)}
    assert sorted(faults) == sorted((number, loss) for number, loss in losses.items() if loss != WHOLE)
    lost = [loss for loss in losses.values() if loss == ROW]
    assert (line["rows_in"], line["kept"], line["quarantined"], line["duplicates"]) == (
        len(rows),
        len(rows) - len(lost),
        len(lost),
        0,
    )
    check(found, [(row, losses[number]) for number, row in enumerate(rows, start=2)])


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(rows=tables(), kind=st.sampled_from(["ndjson", "ndjson.gz", "parquet"]), numbers=st.booleans())
def test_other_containers(rows, kind, numbers):
    frame = pl.DataFrame(
        [{"unit_id": unit, "ts": at, **values} for unit, at, values in rows],
        schema={"unit_id": pl.String, "ts": pl.Datetime("us", "UTC"), **dict.fromkeys(SIGNALS, pl.Float64)},
    )
    body = io.BytesIO()
    if kind == "parquet":
        frame.write_parquet(body)
        content_bytes = body.getvalue()
    else:
        told = [dict(zip(NAMES, cells(row), strict=True)) for row in rows]
        if numbers:
            told = [
                {k: float(v) if k in SIGNALS and v else (v or None) for k, v in each.items()} for each in told
            ]
        content_bytes = "".join(json.dumps(each) + "\n" for each in told).encode()
        content_bytes = gzip.compress(content_bytes) if kind.endswith("gz") else content_bytes
    with tempfile.TemporaryDirectory() as folder:
        setup, lake = fleet(Path(folder))
        line = one(run(setup, lake, write(Path(folder) / f"a.{kind}", content_bytes)))
        found = content(lake, "readings").select("unit_id", "ts", *SIGNALS)
        assert lake.read("quarantine").is_empty()
    assert (line["status"], line["kept"]) == ("read", len(rows))
    check(found, [(row, WHOLE) for row in rows])


def check(found: pl.DataFrame, rows: list[tuple[tuple[str, datetime, dict[str, float | None]], str]]) -> None:
    """The lake holds every row that was not lost, with every cell that was not lost, and nothing else."""
    wanted = []
    for (unit, at, values), loss in rows:
        if loss == ROW:
            continue
        wanted.append((unit, at, *(None if loss == CELL and n == "rpm" else values[n] for n in SIGNALS)))
    assert found.height == len(wanted)
    for got, expected in zip(found.rows(), sorted(wanted, key=lambda row: row[:2]), strict=True):
        assert got[:2] == expected[:2]
        assert list(got[2:]) == [None if value is None else pytest.approx(value, rel=1e-6) for value in expected[2:]]
