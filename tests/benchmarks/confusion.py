"""Confusion of the judging: each fault, each other defect, each pair of both, against what the list says.

Run with ``python -m tests.benchmarks.confusion [--alone] [--banks 1 2] [--sampling 1 5] [--out FILE]``. Every case is one
simulated vehicle whose fault is fully there at the last list. ``right``: the faulty part is on the list. ``wrong``: another
part is. ``held``: the faulty part is held back. ``silent``: nothing is said of it. The list has no limit of bays.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.assess import ISSUED, assess
from pipeline.derive import derive
from pipeline.ingest import ingest
from pipeline.lake import Lake
from pipeline.rank import rank
from pipeline.settings import Settings
from sample_lake.scenarios import NOBODY_REPAIRS, Case, cases, scenario
from sample_lake.simulate import simulate

START = date(2026, 1, 5)
WEEKS = 11
LAST_LIST = START + timedelta(weeks=WEEKS)
_MANY_BAYS = 100_000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--alone", action="store_true", help="no pairs")
    parser.add_argument("--banks", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--sampling", type=float, nargs="+", default=[1.0, 5.0], help="seconds between two rows")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None, help="a CSV file of all cases")
    arguments = parser.parse_args()
    parts = []
    for sampling_s in arguments.sampling:
        wanted = cases(not arguments.alone, tuple(arguments.banks))
        with tempfile.TemporaryDirectory() as scratch:
            found = confusion(wanted, sampling_s, Path(scratch), arguments.seed)
        parts.append(found.with_columns(sampling_s=pl.lit(sampling_s)))
        print(f"\none reading in {sampling_s:g} s, {len(wanted)} vehicles")
        for by in (["kind", "banks"], ["part", "mode"], ["defect"]):
            show(parts[-1], by)
    if arguments.out is not None:
        pl.concat(parts).write_csv(arguments.out)


def confusion(wanted: list[Case], sampling_s: float, folder: Path, seed: int = 1) -> pl.DataFrame:
    """One row a case: its fields, and ``right``, ``wrong``, ``held``, ``silent`` of the last list, with what it says.

    ``listed`` names the listed parts, ``reason`` why the faulty part is held back, ``maf_off_pct`` the air mass against
    manifold pressure, ``mended`` whether fault or defect was gone before the last list.
    """
    simulate(folder, len(wanted), WEEKS, seed, START, NOBODY_REPAIRS, scenario=scenario(wanted, sampling_s))
    settings = Settings(lake=str(folder / "lake"), bays_per_depot=_MANY_BAYS, buckets=8)
    lake = Lake(settings.lake)
    arrived = datetime.combine(LAST_LIST, datetime.min.time(), UTC)
    with lake.lock("ingest", arrived.isoformat()):
        ingest(settings, lake, [folder / "exports"], arrived)
    derive(settings, lake)
    assess(settings, lake, LAST_LIST)
    rank(settings, lake, LAST_LIST, ISSUED)
    ranked = lake.read("ranked", where=pl.col("series") == ISSUED)
    numbered = lake.read("register").with_columns(number=pl.col("unit_id").str.extract(r"(\d+)$").cast(pl.Int64))
    units = numbered.sort("number")["unit_id"]
    given = pl.DataFrame([case.__dict__ | {"component": case.component} for case in wanted]).with_columns(unit_id=units)
    listed = ranked.filter(pl.col("list_rank").is_not_null())
    said = listed.group_by("unit_id").agg(listed=pl.col("component").sort().str.join(" "))
    wrong = (
        listed.join(given.select("unit_id", faulty="component"), on="unit_id")
        .filter(pl.col("component") != pl.col("faulty"))["unit_id"].unique()
    )
    truth = [pl.read_csv(folder / "truth" / f"{name}.csv", infer_schema=False) for name in ("components", "confounders")]
    ends = pl.concat([frame.select("unit_id", ended=column) for frame, column in zip(truth, ("repaired_on", "to_on"), strict=True)])
    mended = ends.filter(pl.col("ended").is_not_null())["unit_id"].unique()
    air = lake.read("trends", where=pl.col("indicator") == "maf_off_pct").select("unit_id", maf_off_pct="level")
    own = ranked.select("unit_id", "component", "status", "reason", "mode", "probability", own_rank="list_rank")
    return (
        given.join(said, on="unit_id", how="left")
        .join(own.rename({"mode": "found_mode"}), on=["unit_id", "component"], how="left")
        .join(air, on="unit_id", how="left")
        .with_columns(pl.col("listed").fill_null(""))
        .with_columns(
            right=pl.col("own_rank").is_not_null(),
            wrong=pl.col("unit_id").is_in(wrong.implode()),
            held=(pl.col("status") == "held").fill_null(False),
            mended=pl.col("unit_id").is_in(mended.implode()),
        )
        .with_columns(silent=~(pl.col("right") | pl.col("wrong") | pl.col("held")))
        .sort("unit_id")
    )


def show(found: pl.DataFrame, by: list[str]) -> None:
    counted = found.group_by(by).agg(
        pl.len().alias("cases"), *(pl.col(name).sum() for name in ("right", "wrong", "held", "silent"))
    )
    with pl.Config(tbl_rows=100, tbl_hide_dataframe_shape=True, tbl_hide_column_data_types=True):
        print(counted.sort(by))


if __name__ == "__main__":
    main()
