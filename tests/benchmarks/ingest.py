"""Ingest to sorted, unique partitions against the bare floor: rows a second, ratio and peak memory.

Run with ``python -m tests.benchmarks.ingest [--rows 3000000] [--rounds 2] [--big-gb 5]``. The floor reads the same
files, sorts them and writes the same columns in the same partitions, checks nothing, and runs right after the ingest
it is compared with. Each runs in a process of its own; seconds are counted after the imports, and the processor's
seconds besides, which a busy machine changes less. With ``--big-gb`` one CSV file of that size is read instead.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from pipeline.ingest import ingest
from pipeline.lake import Lake
from pipeline.query import duckdb
from pipeline.settings import Settings
from tests.benchmarks.fleetfiles import SIGNALS, write_big, write_exports

ARRIVED = datetime(2027, 3, 1, tzinfo=UTC)  # after the last day of the biggest file
_FLOOR = Path(__file__).with_name("floor.sql")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=3_000_000)
    parser.add_argument("--rounds", type=int, default=2)
    parser.add_argument("--big-gb", type=float, default=0)
    parser.add_argument("--scratch", type=Path, default=None, help="folder for exports and lakes")
    parser.add_argument("--child", nargs=3, metavar=("STEP", "EXPORTS", "OUT"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        step, exports, out = arguments.child
        print(json.dumps(measured(_STEPS[step], Path(exports), Path(out))))
        return
    with tempfile.TemporaryDirectory(dir=arguments.scratch) as scratch:
        root = Path(scratch)
        if arguments.big_gb:
            size = int(arguments.big_gb * 1e9)
            rows = write_big(root / "exports" / "big.csv", size)
            print(f"one CSV file of {(root / 'exports' / 'big.csv').stat().st_size / 1e9:.2f} GB, {rows:,} rows")
            report("CSV", root, rows, 1)
            return
        for suffix in (".csv", ".parquet"):
            folder = root / "exports"
            rows = write_exports(folder, arguments.rows, suffix)
            files = list(folder.iterdir())
            size = sum(path.stat().st_size for path in files)
            print(f"{suffix}: {rows:,} rows in {len(files)} files, {size / 1e6:,.0f} MB")
            report(suffix, root, rows, arguments.rounds)
            shutil.rmtree(folder)


def report(name: str, root: Path, rows: int, rounds: int) -> None:
    """Measure ingest and floor in turn and print the fastest round of each."""
    best: dict[str, dict[str, float]] = {}
    for _ in range(rounds):
        for step in ("ingest", "floor"):
            found = in_child(step, root / "exports", root / "out")
            if step not in best or found["wall_s"] < best[step]["wall_s"]:
                best[step] = found
    for step, found in best.items():
        print(
            f"{name:9} {step:7} {found['wall_s']:7.1f} s  {rows / found['wall_s']:12,.0f} rows/s  "
            f"{found['cpu_s']:7.1f} s of processor  peak {found['peak_mb']:6.0f} MB"
        )
    wall, cpu = (best["ingest"][key] / best["floor"][key] for key in ("wall_s", "cpu_s"))
    print(f"{name:9} ingest / floor: {wall:.2f} by the clock, {cpu:.2f} by processor time", flush=True)


def in_child(step: str, exports: Path, out: Path) -> dict[str, float]:
    """One step in a process of its own, its output removed."""
    words = [sys.executable, "-m", "tests.benchmarks.ingest", "--child", step, str(exports), str(out)]
    told = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
    shutil.rmtree(out)
    return json.loads(told.splitlines()[-1])


def measured(step: Callable[[Path, Path], None], exports: Path, out: Path) -> dict[str, float]:
    """Wall and processor seconds of a step and the peak resident memory of this process."""
    out.mkdir()
    used = resource.getrusage(resource.RUSAGE_SELF)
    began = time.perf_counter()
    step(exports, out)
    wall = time.perf_counter() - began
    now = resource.getrusage(resource.RUSAGE_SELF)
    cpu = now.ru_utime + now.ru_stime - used.ru_utime - used.ru_stime
    return {"wall_s": wall, "cpu_s": cpu, "peak_mb": peak_mb()}


def peak_mb() -> float:
    """Peak resident memory of this process in MB; ``ru_maxrss`` would count the parent's before the start."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")) / 1024


def _ingest(exports: Path, out: Path) -> None:
    settings = Settings(lake=str(out / "lake"))
    lake = Lake(settings.lake)
    with lake.lock("ingest", ARRIVED.isoformat()):
        summary = ingest(settings, lake, [exports], ARRIVED)
    totals = summary.totals
    if totals["kept"] != totals["rows_in"]:
        raise SystemExit(f"invented exports must be kept whole: {totals}")


def _floor(exports: Path, out: Path) -> None:
    names = sorted(str(path) for path in exports.iterdir())
    if names[0].endswith(".csv"):
        kinds = {"unit_id": "varchar", "ts": "timestamptz"} | dict.fromkeys(SIGNALS, "float")
        reader = f"read_csv({names}, header = true, columns = {kinds | {'odometer_km': 'double'}})"
    else:
        reader = f"read_parquet({names})"
    with duckdb.connect(config={"threads": "2", "memory_limit": "4GB"}) as connection:
        connection.execute("set TimeZone = 'UTC'")
        connection.execute(f"set temp_directory = '{out / 'spilled'}'")
        connection.execute(_FLOOR.read_text(encoding="utf-8").format(reader=reader, folder=out / "lake"))


_STEPS: dict[str, Callable[[Path, Path], None]] = {"ingest": _ingest, "floor": _floor}

if __name__ == "__main__":
    main()
