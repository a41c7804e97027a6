"""Whatever the order of rows and files and however they are split: the same readings, counts that add up."""

from __future__ import annotations

import math
import tempfile
from itertools import pairwise
from pathlib import Path

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from tests.faults.lakes import content, fleet, run, write

HEADER = "unit_id,ts,rpm,coolant_degc,fuel_status_b1\n"
_stamps = st.sampled_from(
    [
        "2026-01-05T08:00:00Z",
        "2026-01-05T09:00:00+01:00",
        "2026-01-05T08:00:01Z",
        # Less than a day on: a jump that comes back is judged by the order of the rows, and set apart.
        "2026-01-06T07:30:00.5Z",
        "2026-01-05T08:00:00",
        "soon",
    ]
)
_rows = st.tuples(
    st.sampled_from(["V1", "V1", "V2", " V2", ""]),
    _stamps,
    st.sampled_from(["", "800", "810.5", "800.0", "99999", "x"]),
    st.sampled_from(["", "90", "-40", "NaN"]),
    st.sampled_from(["", "2", "3"]),
).map(lambda cells: ",".join(cells) + "\n")
_lines = st.lists(st.one_of(_rows, st.sampled_from(["\n", "V1,short\n"])), max_size=24)


def ingested(folder: Path, files: list[list[str]], runs: int) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Readings and ledger after the files were read in so many runs."""
    setup = fleet(folder)
    for place, lines in enumerate(files):
        # A comment-like column name nobody needs makes files of equal rows different exports.
        extra = HEADER.replace("\n", f",note_{place}\n")
        body = "".join(line if line == "\n" else line.replace("\n", ",\n") for line in lines)
        write(folder / f"run_{place % runs}" / f"{place}.csv", extra + body)
    for number in range(min(runs, len(files))):
        run(*setup, folder / f"run_{number}")
    return content(setup[1], "readings"), setup[1].read("exports")


def expected(lines: list[str]) -> dict[tuple[str, str], tuple[float | None, ...]]:
    """The merge rule as a plain loop over rows: smallest sampled value a unit, instant and signal."""
    limits = ((0, 16383.75), (-40, 215), (0, 16))
    merged: dict[tuple[str, str], tuple[float | None, ...]] = {}
    for line in lines:
        cells = line.strip("\n").split(",")
        if len(cells) != 5 or not cells[0].strip() or not cells[1].endswith(("Z", "+01:00")):
            continue
        stamp = "2026-01-05T08:00:00Z" if cells[1].endswith("+01:00") else cells[1]
        values: list[float | None] = []
        for place, (cell, (least, most)) in enumerate(zip(cells[2:], limits, strict=True)):
            number = float(cell) if cell not in ("", "x") else math.nan
            usable = least <= number <= most and not (place == 2 and number == 3)
            values.append(number if usable else None)
        if not any(value is not None for value in values):
            continue
        key = (cells[0].strip(), stamp)
        before = merged.get(key, (None, None, None))
        merged[key] = tuple(
            min((v for v in pair if v is not None), default=None) for pair in zip(before, values, strict=True)
        )
    return merged


@settings(max_examples=25, deadline=None)
@given(lines=_lines, data=st.data())
def test_order_and_splitting_do_not_matter(lines: list[str], data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(lines))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(lines)), max_size=3)))
    parts = [shuffled[start:end] for start, end in pairwise([0, *cuts, len(lines)])]
    runs = data.draw(st.integers(1, 2))
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as many:
        whole, _ = ingested(Path(one), [lines], 1)
        split, ledger = ingested(Path(many), parts, runs)
    assert_frame_equal(split, whole)
    stamps = whole["ts"].dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ")
    found = {
        (unit, stamp.replace(".500", ".5")): values
        for unit, stamp, *values in whole.select(
            "unit_id", stamps, "rpm", "coolant_degc", "fuel_status_b1"
        ).rows()
    }
    assert {key: tuple(values) for key, values in found.items()} == expected(lines)
    assert (ledger["rows_in"] == ledger["kept"] + ledger["quarantined"] + ledger["duplicates"]).all()
    assert ledger["rows_in"].sum() == sum(line != "\n" for line in lines)


@settings(max_examples=10, deadline=None)
@given(lines=_lines)
def test_reading_the_same_rows_again_changes_nothing(lines: list[str]) -> None:
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        once, _ = ingested(Path(one), [lines], 1)
        twice, ledger = ingested(Path(two), [lines, lines], 2)
    assert_frame_equal(twice, once)
    assert ledger.height == 2
