"""Derive on a Dask cluster of this machine: two workers against one, and against threads of the one process.

Run with ``python -m tests.benchmarks.spread [--rounds 2]``. Everything is derived from the exports of the sample, each
way on a lake of its own, the ways in turn so that a busy machine hits all alike; the fastest round counts. A cluster's
start is counted apart: it is the same for a small lake and a large one.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from pipeline import jobs
from pipeline.derive import derive
from pipeline.lake import Lake
from pipeline.settings import PROJECT, Settings
from pipeline.spread import spread
from tests.faults.dasks import cluster

WAYS = (("1 thread", 1, 0), ("2 threads", 2, 0), ("1 worker", 1, 1), ("2 workers", 2, 2))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--shard-readings", type=int, default=20_000, help="small, so that there are shards to share out")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        measure(Path(scratch), arguments.rounds, arguments.shard_readings)


def measure(root: Path, rounds: int, shard_readings: int) -> None:
    """Print the fastest seconds of each way and their ratios to one thread."""
    raw = Settings(
        lake=str(root / "raw"), exports=[str(PROJECT / "sample_lake" / "exports")], shard_readings=shard_readings, buckets=4
    )
    jobs.ingest_paths(raw, Lake(raw.lake), [], datetime(2026, 11, 25, tzinfo=UTC))
    taken: dict[str, list[float]] = {name: [] for name, _, _ in WAYS}
    for _ in range(rounds):
        for name, threads, workers in WAYS:
            settings = raw.model_copy(update={"lake": str(root / "run"), "threads": threads})
            shutil.rmtree(settings.lake, ignore_errors=True)
            shutil.copytree(raw.lake, settings.lake)
            taken[name].append(seconds(settings, workers))
    first = min(taken["1 thread"])
    print("| derive | seconds, fastest | to one thread |\n|---|---|---|")
    for name, values in taken.items():
        print(f"| {name} | {min(values):.1f} | {min(values) / first:.2f} |")


def seconds(settings: Settings, workers: int) -> float:
    """Seconds of one run; the cluster is up before the clock starts, and its workers have imported what they need."""
    if not workers:
        begun = time.perf_counter()
        derive(settings, Lake(settings.lake))
        return time.perf_counter() - begun
    with cluster(workers) as made:
        made.client.run(_import)
        begun = time.perf_counter()
        derive(settings, Lake(settings.lake), measured=spread(made.address, settings))
        return time.perf_counter() - begun


def _import() -> None:
    import pipeline.derive  # noqa: F401


if __name__ == "__main__":
    main()
