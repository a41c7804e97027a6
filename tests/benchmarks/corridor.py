"""Whole corridor on a simulated fleet: readings a second and peak memory a stage, and the lists against the truth.

Run with ``python -m tests.benchmarks.corridor [--units 100 --weeks 20 --seed 7]``. Every stage is the command a user
would run, in a process of its own; the baseline of the same run reads the finished lake and sums every column.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import polars as pl

from models.evaluate import evaluate_lists
from pipeline.lake import Lake

HORIZON = timedelta(days=28)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=100)
    parser.add_argument("--weeks", type=int, default=20)
    parser.add_argument("--seed", type=int, default=7)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "lightoff.toml").write_text('lake = "lake"\nexports = ["exports"]\nout = "out"\n', encoding="utf-8")
        size = ["--units", str(arguments.units), "--weeks", str(arguments.weeks), "--seed", str(arguments.seed)]
        timings = {
            "simulate": _timed(root, "simulate", *size, "--out", str(root)),
            "ingest": _timed(root, "ingest"),
            "derive": _timed(root, "derive"),
            "rank": _timed(root, "rank"),
            "backtest": _timed(root, "backtest", "--out", str(root / "replayed")),
            "bare scan": _scan(root),
        }
        readings = Lake(str(root / "lake")).files("readings")["rows"].sum()
        print(f"{arguments.units} vehicles, {arguments.weeks} weeks, {readings:,} readings")
        scan_s = timings["bare scan"][0]
        for stage, (seconds, peak_mb) in timings.items():
            print(
                f"{stage:10} {seconds:7.1f} s  {readings / seconds:12,.0f} readings/s  {seconds / scan_s:7.1f} x scan"
                f"  {peak_mb:6.0f} MB"
            )
        for name, figure in evaluate(root).items():
            value = "none" if figure["value"] is None else f"{figure['value']:.3f}"
            interval = "" if figure["low"] is None else f"  ({figure['low']:.3f} to {figure['high']:.3f})"
            print(f"{name:32} {value}{interval}  n = {figure['n']}")


def evaluate(root: Path) -> dict[str, dict]:
    """Figures of the replayed lists against the truth, weeks whose 28 days lie in the simulated span only.

    The first two weeks are left out: no part has a past yet.
    """
    folders = sorted(path for path in (root / "replayed").iterdir() if path.is_dir())
    weeks = [folder.name for folder in folders][2:]
    lists = pl.concat([_table(root / "replayed" / week / "list.csv") for week in weeks])
    scores = pl.concat([_table(root / "replayed" / week / "scores.csv") for week in weeks])
    last = scores["week_start"].max() - HORIZON
    truth = pl.read_csv(root / "truth" / "components.csv", try_parse_dates=True).filter(
        pl.col("failed_on").is_not_null()
    )
    columns = ["week_start", "rank", "unit_id", "component", "probability"]
    judged = scores.filter(pl.col("probability").is_not_null() & (pl.col("week_start") <= last))
    return evaluate_lists(
        lists.filter(pl.col("week_start") <= last).select(columns),
        judged.select(columns),
        truth.select("unit_id", "component", pl.col("failed_on", "repaired_on").cast(pl.Date)),
    )


def _table(path: Path) -> pl.DataFrame:
    return pl.read_csv(path, infer_schema=False).select(
        pl.col("week_start").str.to_date(),
        pl.col("rank").cast(pl.Int64),
        "unit_id",
        "component",
        pl.col("probability").cast(pl.Float64),
    )


def _timed(root: Path, *command: str) -> tuple[float, float]:
    """Wall seconds and peak resident memory (MB) of one command in its own process."""
    words = [sys.executable, "-m", "pipeline.cli", "--config", str(root / "lightoff.toml"), *command]
    began = time.perf_counter()
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - began
    code = os.waitstatus_to_exitcode(status)
    if code not in (0, 3):
        raise SystemExit(f"{' '.join(command)} ended with {code}")
    return seconds, usage.ru_maxrss / 1024


def _scan(root: Path) -> tuple[float, float]:
    """Sum of every signal over the finished lake: what reading alone costs."""
    script = (
        "import sys, polars as pl; from pipeline.lake import Lake; from pipeline.signals import signals\n"
        "print(Lake(sys.argv[1]).scan('readings').select(pl.col(list(signals())).sum()).collect())"
    )
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, "-c", script, str(root / "lake")], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status):
        raise SystemExit("the scan failed")
    return time.perf_counter() - began, usage.ru_maxrss / 1024


if __name__ == "__main__":
    main()
