"""Makes ``lake_0_1``: a very small lake as a version before some columns were declared would have left it.

Run with ``python -m tests.data.make_older_lake`` only when the lake of version 0.1 itself was wrong: the point
of the committed one is that it stays as it is while the code moves on. Three vehicles, four weeks, a list
issued.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
from deltalake import write_deltalake

from pipeline import jobs
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table
from sample_lake.simulate import simulate

FOLDER = Path(__file__).with_name("lake_0_1")
BUCKETS, WEEKS, START = 1, 4, date(2026, 1, 5)
WRITTEN = datetime(2026, 2, 2, 2, tzinfo=UTC)  # the Monday after the four weeks

# What the older version did not declare; its exports are without these columns, too, so that nothing is lost.
ABSENT = {
    "readings": ("stft2_b1_pct", "ltft2_b1_pct", "stft2_b2_pct", "ltft2_b2_pct", "purge_pct", "mil_on"),
    "register": ("vin_hash", "model_year"),
    "work_orders": ("cause", "labour_h"),
    "exports": ("notes", "reason"),
    "trips": ("warm_coolant_degc",),
    "signal_days": ("held_share", "skew_s"),
    "trends": ("own_spread", "drift_up", "drift_down"),
    "evidence": ("margin_drop", "code_age_days"),
    "scores": ("points_at", "confirm_by", "ruled_out", "not_ruled_out"),
    "ranked": ("points_at", "confirm_by", "ruled_out", "not_ruled_out"),
}
LATER_TABLES = ("proposed_breaks", "chances", "input_shift", "quarantine")


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        os.chdir(scratch)  # the ledger keeps the paths of the files as they were given
        simulate(Path("simulated"), 3, WEEKS, 2, START, log_minutes_per_week=3, days_per_week=1, sampling=5.0)
        exports = older_exports(Path("simulated/exports"), Path("exports"))
        settings = Settings(lake="lake", buckets=BUCKETS, card_vehicles=0)
        lake = Lake(settings.lake)
        with lake.lock("weekly", WRITTEN.isoformat()):
            jobs.nightly(settings, lake, [exports], WRITTEN)
            week = jobs.make_list(settings, lake, WRITTEN.date(), Path("out"))
        print(f"{week.outputs.counts}")
        older(lake)
        shutil.rmtree(FOLDER, ignore_errors=True)
        shutil.copytree(lake.root, FOLDER)
    size = sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file())
    print(f"{FOLDER.name}: {size / 1000:,.0f} kB")


def older_exports(simulated: Path, folder: Path) -> Path:
    """The exports without the columns that came later and without what had no table yet."""
    folder.mkdir()
    files = sorted((simulated / "readings").glob("*.parquet"))
    rows = pl.concat([pl.read_parquet(path) for path in files], how="diagonal")
    rows.drop(ABSENT["readings"], strict=False).write_parquet(folder / "readings.parquet")
    for name in ("codes", "register", "work_orders"):
        frame = pl.read_csv(simulated / f"{name}.csv", infer_schema=False)
        frame.drop(ABSENT.get(name, ()), strict=False).write_csv(folder / f"{name}.csv")
    return folder


def older(lake: Lake) -> None:
    """Write each table anew without the columns that came later, in one commit as a small table has."""
    for folder in sorted(path for path in lake.root.iterdir() if path.is_dir()):
        name = folder.name
        frame = lake.read(name).drop(ABSENT.get(name, ()))
        shutil.rmtree(folder)
        if name in LATER_TABLES:
            continue
        if name == "shards":
            # Another version measured by other SQL: its fingerprint of what was derived is another.
            frame = frame.with_columns(content=pl.lit("older"))
        write_deltalake(str(folder), frame.to_arrow(), partition_by=list(table(name).partition) or None)


if __name__ == "__main__":
    main()
