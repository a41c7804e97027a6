"""The list of the sample fleet: as reviewed, true to what was built into the fleet, and the same every time.

``list.csv`` and ``scores.csv`` beside this file are reviewed; ``python -m tests.golden.make`` writes them anew.
"""

from __future__ import annotations

import csv
import io
import os
import re
import subprocess
import sys
from datetime import date, timedelta
from itertools import zip_longest
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.settings import PROJECT
from tests.golden.sample import TRUTH, Job, command, fleet, score_rows, small_exports, whole_job

HERE = Path(__file__).parent
PROBABILITY = 1e-6
CENT = 0.0101  # money is rounded to cents: a millionth of a probability may move it by one
MONEY = ("wait_cost", "act_cost", "expected_saving")


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return whole_job(tmp_path_factory.getbasetemp())


@pytest.fixture(scope="module")
def listed(job: Job) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(job.written()["list.csv"].decode("utf-8"))))


def truth(name: str) -> pl.DataFrame:
    return pl.read_csv(TRUTH / f"{name}.csv", try_parse_dates=True)


def bad_parts(week_start: date) -> set[tuple[str, str]]:
    """Parts that have failed and are not repaired when the list goes out, or fail within the 28 days after."""
    repaired = pl.col("repaired_on").cast(pl.Date)
    bad = truth("components").filter(
        (pl.col("failed_on") <= week_start + timedelta(days=28))
        & (repaired.is_null() | (repaired >= week_start))
    )
    return set(bad.select("unit_id", "component").iter_rows())


def difference(made: str, golden: str) -> str:
    """Row by row, cell by cell: what was made and what was expected."""
    lines = []
    pairs = zip_longest(csv.reader(io.StringIO(golden)), csv.reader(io.StringIO(made)), fillvalue=[])
    header: list[str] = []
    for number, (expected, found) in enumerate(pairs):
        header = header or expected
        if expected != found:
            lines.append(f"row {number}: expected {expected[2:6]}, made {found[2:6]}")
            cells = zip_longest(header, expected, found, fillvalue="")
            lines += [f"    {name}: {old!r} -> {new!r}" for name, old, new in cells if old != new]
    return "\n".join(lines)


def test_list_is_the_reviewed_one(job: Job) -> None:
    made = job.written()["list.csv"].decode("utf-8")
    golden = (HERE / "list.csv").read_text(encoding="utf-8")
    assert made == golden, (
        difference(made, golden)
        + "\nwhere this is meant: python -m tests.golden.make, and review the difference"
    )


def test_difference_names_row_and_cell() -> None:
    said = difference("a,b,c\n1,2,3\n4,5,6\n", "a,b,c\n1,2,7\n")
    assert "row 1" in said and "c: '7' -> '3'" in said and "row 2" in said and "row 0" not in said


def test_scores_are_the_reviewed_ones(job: Job) -> None:
    made = score_rows(job)
    golden = pl.read_csv(HERE / "scores.csv", schema=made.schema)
    assert_frame_equal(made.drop(MONEY), golden.drop(MONEY), abs_tol=PROBABILITY, rel_tol=0)
    assert_frame_equal(made.select(MONEY), golden.select(MONEY), abs_tol=CENT, rel_tol=0)


def test_scores_file_prints_every_scored_part(job: Job) -> None:
    printed = pl.read_csv(job.folder / "scores.csv")
    made = score_rows(job)
    assert printed.height == made.height
    assert printed.filter(pl.col("rank").is_not_null())["rank"].to_list() == list(
        range(1, made["rank"].drop_nulls().len() + 1)
    )
    both = printed.filter(pl.col("rank").is_not_null()).join(
        made, on=["unit_id", "component", "rank", "status"]
    )
    assert both.height == made["rank"].drop_nulls().len()
    assert (both["probability"] - both["probability_right"]).abs().max() <= 0.5e-4 + 1e-9
    assert (both["expected_saving"] - both["expected_saving_right"]).abs().max() <= 0.005 + 1e-9


def test_most_of_the_first_ten_are_truly_bad(job: Job, listed: list[dict[str, str]]) -> None:
    bad = bad_parts(date.fromisoformat(job.folder.name))
    first = [(row["unit_id"], row["component"]) for row in listed[:10]]
    assert len([part for part in first if part in bad]) >= 6, (
        f"on the list and sound: {sorted(set(first) - bad)}"
    )


def test_no_sound_part_is_blamed_for_another_fault(job: Job, listed: list[dict[str, str]]) -> None:
    bad = bad_parts(date.fromisoformat(job.folder.name))
    confounded = set(truth("confounders")["unit_id"])
    assert len(confounded) >= 5
    blamed = [(row["unit_id"], row["component"]) for row in listed[:10] if row["unit_id"] in confounded]
    assert not set(blamed) - bad


def test_diesel_and_electric_are_out_of_scope_and_say_why(job: Job) -> None:
    out = score_rows(job).filter(pl.col("status") == "out_of_scope")
    register = job.lake.read("register").filter(pl.col("fuel").is_in(["diesel", "electric"]))
    assert register.height >= 2
    assert sorted(out["unit_id"]) == sorted(register["unit_id"])
    fuel = dict(register.select("unit_id", "fuel").iter_rows())
    for row in out.iter_rows(named=True):
        assert (
            row["reason"].startswith(fuel[row["unit_id"]]) and row["component"] == "" and row["rank"] is None
        )
    assert not set(out["unit_id"]) & set(job.lake.read("findings")["unit_id"])


def test_every_other_vehicle_has_every_part_scored(job: Job) -> None:
    scored = score_rows(job).filter(pl.col("status") != "out_of_scope")
    register = job.lake.read("register").filter(~pl.col("fuel").is_in(["diesel", "electric"]))
    assert scored.height == 3 * register["banks"].sum()
    unjudged = scored.filter(pl.col("status") != "judged")
    assert unjudged.filter(pl.col("reason") == "").is_empty()


def test_again_with_nothing_new_derives_nothing_and_writes_the_same_bytes(job: Job) -> None:
    before = job.written()
    again = command(job, "weekly")
    assert again.exit_code == 0
    assert "ingested 0 files" in again.output and "derived 0 of " in again.output
    assert job.written() == before


def test_two_fresh_runs_write_the_same_bytes(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    """In processes of their own, with other hash seeds, threads and shards."""
    exports = small_exports(tmp_path_factory.getbasetemp())
    written = []
    for seed, values in (("1", {"threads": 1}), ("2", {"threads": 2, "shard_readings": 20_000})):
        made = fleet(tmp_path / seed, exports, buckets=2, **values)
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.cli", "--config", str(made.config), "weekly"],
            env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": str(PROJECT)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        written.append(made.written())
    assert len(written[0]["list.csv"].splitlines()) > 1
    # The page says when the exports came, to the minute; everything else of it must be the same.
    for each in written:
        each["page.html"] = re.sub(rb'(data-label="Arrived">)[^<]*', rb"\1", each["page.html"])
    assert [name for name in written[0] if written[0][name] != written[1][name]] == []
