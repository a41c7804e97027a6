"""Seconds, memory and bytes by the size of the fleet: derive, a night's increment, assess and rank, list and page.

Run with ``python -m tests.benchmarks.scale [--units 200 2000] [--minutes 8] [--workers] [--keep FOLDER]``. A small
fleet is simulated once (near world, eight weeks, one short day of logging a week) and copied under new names with its
codes, on-board tests and work orders, each copy with noise of its own of one step of its sensors, so that copies do not
pack better than vehicles do. The readings a vehicle are the same at every size. The night is one more day: the
fleet's last day once more, after it. ``--workers`` derives the whole lake of each size a second time with one thread.
Each stage runs in a process of its own; ``idle`` is what the process holds before the stage begins, and the exponent of
memory is that of what comes on top. An exponent of 1 is in proportion to the fleet; that of time is taken from the
processor's seconds, which a busy machine changes less. The scan sums every column of the same lake in the same run.
Ingest is measured by ``tests.benchmarks.ingest``: it depends on rows, not on vehicles.
"""

from __future__ import annotations

import argparse
import json
import math
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.assess import REPLAYED, assess, weekly_indicators
from pipeline.derive import derive
from pipeline.facts import read_costs
from pipeline.lake import Lake, bucket_of
from pipeline.rank import rank
from pipeline.report.listing import write_outputs
from pipeline.settings import Settings
from pipeline.signals import signals
from pipeline.tables import table
from tests.benchmarks.derive import ARRIVED, scanned, seed_lake
from tests.benchmarks.ingest import peak_mb

WEEKS, MINUTES_PER_WEEK, DAYS_PER_WEEK = 8, 8, 1
EVENTS = ("codes", "onboard_tests", "work_orders")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, nargs="+", default=[200, 2000], help="vehicles, one fleet a number")
    parser.add_argument("--buckets", type=int, default=16)
    parser.add_argument("--minutes", type=float, default=MINUTES_PER_WEEK, help="minutes of driving logged a week")
    parser.add_argument("--workers", action="store_true", help="derive with one thread, too")
    parser.add_argument("--keep", type=Path, help="folder in which the lakes and lists stay")
    parser.add_argument("--child", nargs=3, metavar=("STAGE", "FOLDER", "THREADS"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        stage, folder, threads = arguments.child
        settings = Settings(lake=str(Path(folder) / "lake"), buckets=arguments.buckets, threads=int(threads))
        print(json.dumps(measured(_STAGES[stage], settings, Path(folder))))
        return
    if arguments.keep is not None:
        arguments.keep.mkdir(parents=True, exist_ok=True)
        measure(arguments.keep, arguments)
        return
    with tempfile.TemporaryDirectory() as scratch:
        measure(Path(scratch), arguments)


def measure(root: Path, arguments: argparse.Namespace) -> None:
    """Make a lake of each size, run the stages on it, and print what they took."""
    seed, buckets = root / "seed" / "lake", arguments.buckets
    if not seed.is_dir():
        seed_lake(root / "seed", WEEKS, arguments.minutes, DAYS_PER_WEEK)
    own = Lake(str(seed)).files("readings").select(pl.col("bytes").sum() / pl.col("rows").sum()).item()
    print(f"the simulated fleet itself: {own:.1f} bytes a reading in one bucket")
    found: dict[str, dict[int, dict[str, float]]] = {}
    print("| vehicles | readings | bytes a reading | stage | seconds | of processor | to the scan | peak memory (idle) |")
    print("|---|---|---|---|---|---|---|---|")
    for size in sorted(arguments.units):
        folder = root / str(size)
        units = copy_fleet(seed, folder / "lake", size, buckets)
        began = time.perf_counter()
        stages = [("scan", 2), ("derive", 2), ("one more day", 2), ("assess and rank", 2), ("list and page", 2)]
        if arguments.workers:
            stages += [("derive again, one worker", 1), ("derive again, two workers", 2)]
        scan_s = 0.0
        for stage, threads in stages:
            if stage == "one more day":
                another_day(folder / "lake", buckets)
            files = Lake(str(folder / "lake")).files("readings")
            told = in_child(stage, folder, buckets, threads)
            found.setdefault(stage, {})[units] = told
            scan_s = told["seconds"] if stage == "scan" else scan_s
            print(
                f"| {units:,} | {files['rows'].sum():,} | {files['bytes'].sum() / files['rows'].sum():.1f} | {stage} | "
                f"{told['seconds']:.1f} | {told['cpu_s']:.1f} | {told['seconds'] / scan_s:.1f} | "
                f"{told['peak_mb']:,.0f} MB ({told['idle_mb']:,.0f} MB) |",
                flush=True,
            )
        print(f"{units:,} vehicles measured in {time.perf_counter() - began:.0f} s", flush=True)
    for stage, by_size in found.items():
        for (small, before), (large, after) in zip(list(by_size.items()), list(by_size.items())[1:], strict=False):
            seconds = slope(small, before["cpu_s"], large, after["cpu_s"])
            extra = [told["peak_mb"] - told["idle_mb"] for told in (before, after)]
            memory = f"{slope(small, extra[0], large, extra[1]):.2f}" if min(extra) > 0 else "not known"
            print(
                f"{stage}: processor time grows with the fleet to the power of {seconds:.2f}, "
                f"memory {memory} ({small:,} to {large:,} vehicles)"
            )


def slope(small: int, before: float, large: int, after: float) -> float:
    """Slope of the line through two points on logarithmic axes."""
    return math.log(after / before) / math.log(large / small)


def copy_fleet(seed: Path, folder: Path, size: int, buckets: int) -> int:
    """At least so many vehicles; how many. Copies are written a few at a time, so that any size fits into memory."""
    old, lake = Lake(str(seed)), Lake(str(folder))
    copies = -(-size // old.read("register").height)
    if lake.exists("readings"):
        return lake.read("register").height
    lake.settle("UTC", buckets)
    numbers = pl.DataFrame({"copy": range(copies)})
    for name in ("register", *EVENTS):
        rows = old.read(name).join(numbers, how="cross")
        ids = {key: pl.format("{}x{}", key, "copy") for key in ("unit_id", "order_id") if key in rows.columns}
        lake.overwrite(name, rows.with_columns(**ids).drop("copy"))
    source = old.read("readings").drop("bucket")
    names = source.select("unit_id").unique().join(numbers, how="cross").sort("unit_id", "copy")
    names = names.with_columns(new=pl.format("{}x{}", "unit_id", "copy"))
    names = names.with_columns(bucket=bucket_of(names["new"], buckets))
    for (bucket,), mine in names.group_by("bucket", maintain_order=True):
        rows = source.join(mine, on="unit_id").with_columns(pl.col("ts") + pl.duration(seconds="copy"), unit_id="new")
        rows = jittered(rows.filter(pl.col("ts").dt.date() == pl.col("day")), int(bucket))
        put(lake, rows.select(list(table("readings").columns)), int(bucket))
    return lake.read("register").height


def jittered(rows: pl.DataFrame, number: int) -> pl.DataFrame:
    """Every second value of a sensor one step of its resolution up or down: far below what any indicator resolves."""
    chance = np.random.default_rng(number)
    noisy = []
    for name, signal in signals().items():
        step = _STEP.get(signal.unit)
        if step is None or name == "supply_v" or rows[name].null_count() == rows.height:
            continue
        noise = pl.Series(chance.choice([-step, 0.0, 0.0, step], rows.height), dtype=pl.Float32)
        noisy.append((rows[name] + noise).clip(signal.least, signal.most).alias(name))
    return rows.with_columns(noisy)


def put(lake: Lake, rows: pl.DataFrame, bucket: int) -> None:
    """Rows of one bucket and the spans that say which lines they were."""
    frame = rows.sort("day", "unit_id", "ts")
    lake.replace("readings", frame, [{"day": day, "bucket": bucket} for day in frame["day"].unique().sort()])
    spans = frame.group_by("unit_id", "day").agg(
        first_ts=pl.col("ts").min(), last_ts=pl.col("ts").max(), rows=pl.len().cast(pl.Int64)
    )
    spans = spans.with_columns(
        export_id=pl.lit("copy"), first_line=pl.lit(1, pl.Int64), last_line=pl.col("rows"), arrived_at=pl.lit(ARRIVED)
    )
    declared = table("export_spans")
    lake.append("export_spans", spans.select(pl.col(name).cast(kind) for name, kind in declared.schema.items()))


def another_day(folder: Path, buckets: int) -> None:
    """The newest seven days of readings once more, all on the day after the last one: every vehicle logs that night."""
    lake = Lake(str(folder))
    last = lake.files("readings")["day"].max()
    for bucket in range(buckets):
        recent = pl.col("day") > last - timedelta(days=7)
        rows = lake.collect(lake.scan("readings").filter(recent & (pl.col("bucket") == bucket)))
        newest = rows.filter(pl.col("day") == pl.col("day").max().over("unit_id"))
        ahead = pl.lit(last + timedelta(days=1)) - pl.col("day")
        moved = newest.with_columns(pl.col("ts") + ahead, day=pl.lit(last + timedelta(days=1)))
        put(lake, moved, bucket)


def in_child(stage: str, folder: Path, buckets: int, threads: int) -> dict[str, float]:
    """One stage in a process of its own."""
    child = ["--buckets", str(buckets), "--child", stage, str(folder), str(threads)]
    words = [sys.executable, "-m", "tests.benchmarks.scale", *child]
    told = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
    return json.loads(told.splitlines()[-1])


def measured(stage: Callable[[Settings, Lake, Path], None], settings: Settings, folder: Path) -> dict[str, float]:
    """Seconds by the clock and of the processor, peak resident memory, and the memory before the stage."""
    idle = peak_mb()
    used, began = time.process_time(), time.perf_counter()
    stage(settings, Lake(settings.lake), folder)
    seconds, cpu_s = time.perf_counter() - began, time.process_time() - used
    return {"seconds": seconds, "cpu_s": cpu_s, "peak_mb": peak_mb(), "idle_mb": idle}


def _scanned(settings: Settings, lake: Lake, folder: Path) -> None:
    scanned(settings, list(lake.files("readings")["uri"]))


def _derived(settings: Settings, lake: Lake, folder: Path) -> None:
    derive(settings, lake)


def _derived_again(settings: Settings, lake: Lake, folder: Path) -> None:
    for name in ("shards", "trips", "indicator_days", "signal_days"):
        shutil.rmtree(lake.root / name)
    derive(settings, lake)


def _ranked(settings: Settings, lake: Lake, folder: Path) -> None:
    assess(settings, lake, _week(lake), REPLAYED)
    rank(settings, lake, _week(lake), REPLAYED)


def _listed(settings: Settings, lake: Lake, folder: Path) -> None:
    weeks = weekly_indicators(settings, lake, _week(lake))
    write_outputs(lake, settings, REPLAYED, _week(lake), folder / "list", weeks, read_costs(settings).currency)


def _week(lake: Lake) -> date:
    """Monday after the last day with readings."""
    last = lake.scan("export_spans").select(pl.col("day").max()).collect().item()
    return last + timedelta(days=7 - last.weekday())


_STEP = {"V": 0.005, "ratio": 2 / 65536, "mA": 1 / 256}  # SAE J1979-DA, PIDs 14 to 1B, 24 to 2B, 34 to 3B
_STAGES = {
    "scan": _scanned,
    "derive": _derived,
    "one more day": _derived,
    "assess and rank": _ranked,
    "list and page": _listed,
    "derive again, one worker": _derived_again,
    "derive again, two workers": _derived_again,
}

if __name__ == "__main__":
    main()
