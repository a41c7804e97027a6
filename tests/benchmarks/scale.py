"""Seconds, memory and bytes by the size of the fleet: derive, assess and rank, list and page.

Run with ``python -m tests.benchmarks.scale [--units 200 2000] [--keep FOLDER]``. A small fleet is simulated once
(near world, eight weeks, one short day of logging a week) and copied under new names with its codes, on-board
tests and work orders; the readings a vehicle are the same at every size. Each stage runs in a process of its
own; ``idle`` is what the process holds before the stage begins, and the exponent of memory is that of what comes
on top. An exponent of 1 is in proportion to the fleet; that of time is taken from the processor's seconds, which
a busy machine changes less. Ingest is measured by ``tests.benchmarks.ingest``: it depends on rows, not on
vehicles.
"""

from __future__ import annotations

import argparse
import json
import math
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.assess import REPLAYED, assess, weekly_indicators
from pipeline.derive import derive
from pipeline.facts import read_costs
from pipeline.lake import Lake
from pipeline.rank import rank
from pipeline.report.listing import write_outputs
from pipeline.settings import Settings
from tests.benchmarks.derive import seed_lake, written
from tests.benchmarks.ingest import peak_mb

WEEKS, MINUTES_PER_WEEK, DAYS_PER_WEEK = 8, 8, 1
EVENTS = ("codes", "onboard_tests", "work_orders")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, nargs="+", default=[200, 2000], help="vehicles, one fleet a number")
    parser.add_argument("--buckets", type=int, default=16)
    parser.add_argument("--keep", type=Path, help="folder in which the lakes and lists stay")
    parser.add_argument("--child", nargs=2, metavar=("STAGE", "FOLDER"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        stage, folder = arguments.child
        print(json.dumps(measured(_STAGES[stage], Path(folder), arguments.buckets)))
        return
    if arguments.keep is not None:
        arguments.keep.mkdir(parents=True, exist_ok=True)
        measure(arguments.keep, sorted(arguments.units), arguments.buckets)
        return
    with tempfile.TemporaryDirectory() as scratch:
        measure(Path(scratch), sorted(arguments.units), arguments.buckets)


def measure(root: Path, sizes: list[int], buckets: int) -> None:
    """Make a lake of each size, run the stages on it, and print what they took."""
    seed = root / "seed" / "lake"
    if not seed.is_dir():
        seed_lake(root / "seed", WEEKS, MINUTES_PER_WEEK, DAYS_PER_WEEK)
    own = Lake(str(seed)).files("readings").select(pl.col("bytes").sum() / pl.col("rows").sum()).item()
    print(f"the simulated fleet itself: {own:.1f} bytes a reading; copies pack better than vehicles do")
    found: dict[str, dict[int, dict[str, float]]] = {stage: {} for stage in _STAGES}
    print("| vehicles | readings | bytes a reading | stage | seconds | of processor | peak memory (idle) |")
    print("|---|---|---|---|---|---|---|---|")
    for size in sizes:
        folder = root / str(size)
        readings, units = copy_fleet(seed, folder / "lake", size, buckets)
        files = Lake(str(folder / "lake")).files("readings")
        each = files["bytes"].sum() / readings
        for stage in _STAGES:
            told = found[stage][units] = in_child(stage, folder, buckets)
            print(
                f"| {units:,} | {readings:,} | {each:.1f} | {stage} | {told['seconds']:.1f} | "
                f"{told['cpu_s']:.1f} | {told['peak_mb']:,.0f} MB ({told['idle_mb']:,.0f} MB) |",
                flush=True,
            )
    for stage, by_size in found.items():
        for (small, before), (large, after) in zip(list(by_size.items()), list(by_size.items())[1:], strict=False):
            seconds = slope(small, before["cpu_s"], large, after["cpu_s"])
            extra = [told["peak_mb"] - told["idle_mb"] for told in (before, after)]
            memory = slope(small, extra[0], large, extra[1])
            print(
                f"{stage}: processor time grows with the fleet to the power of {seconds:.2f}, "
                f"memory {memory:.2f} ({small:,} to {large:,} vehicles)"
            )


def slope(small: int, before: float, large: int, after: float) -> float:
    """Slope of the line through two points on logarithmic axes."""
    return math.log(after / before) / math.log(large / small)


def copy_fleet(seed: Path, folder: Path, size: int, buckets: int) -> tuple[int, int]:
    """At least so many vehicles; readings and vehicles of the lake."""
    old, lake = Lake(str(seed)), Lake(str(folder))
    source = old.read("readings")
    copies = -(-size // old.read("register").height)
    if not lake.exists("readings"):
        lake.settle("UTC", buckets)
        written(seed, folder, source, copies, 1, timedelta(0), buckets)
        numbers = pl.DataFrame({"copy": range(copies)})
        for name in EVENTS:
            rows = old.read(name).join(numbers, how="cross")
            ids = {key: pl.format("{}x{}", key, "copy") for key in ("unit_id", "order_id") if key in rows.columns}
            lake.overwrite(name, rows.with_columns(**ids).drop("copy"))
    return lake.files("readings")["rows"].sum(), lake.read("register").height


def in_child(stage: str, folder: Path, buckets: int) -> dict[str, float]:
    """One stage in a process of its own."""
    child = ["--buckets", str(buckets), "--child", stage, str(folder)]
    words = [sys.executable, "-m", "tests.benchmarks.scale", *child]
    told = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
    return json.loads(told.splitlines()[-1])


def measured(stage: Callable[[Settings, Lake, Path], None], folder: Path, buckets: int) -> dict[str, float]:
    """Seconds by the clock and of the processor, peak resident memory, and the memory before the stage."""
    settings = Settings(lake=str(folder / "lake"), buckets=buckets)
    idle = peak_mb()
    used, began = time.process_time(), time.perf_counter()
    stage(settings, Lake(settings.lake), folder)
    seconds, cpu_s = time.perf_counter() - began, time.process_time() - used
    return {"seconds": seconds, "cpu_s": cpu_s, "peak_mb": peak_mb(), "idle_mb": idle}


def _derived(settings: Settings, lake: Lake, folder: Path) -> None:
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


_STAGES = {"derive": _derived, "assess and rank": _ranked, "list and page": _listed}

if __name__ == "__main__":
    main()
