"""Derive against the bare scan of the same columns: seconds, ratio, peak memory, a night's increment, plain pandas.

Run with ``python -m tests.benchmarks.derive [--readings 100000000] [--units 2000] [--buckets 64]``. A small fleet is
simulated once (near world, mostly one reading a second) and copied under new names, each copy a few seconds later.
The scan sums every column of the readings and runs in the same process right before the derive. ``--night DAYS`` measures
a lake of so many days first derived whole, then after one more day came. ``--pandas`` measures the step that five
indicators need in plain pandas, vehicle by vehicle, against all of them and against the same five out of the SQL. ``--thin``
measures what thinning leaves of the simulated fleet.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path

import polars as pl

from pipeline.derive import derive
from pipeline.ingest import ingest
from pipeline.lake import Lake, bucket_of
from pipeline.limits import qualify_params
from pipeline.partfiles import COMPRESSION, LEVEL
from pipeline.query import Session, duckdb
from pipeline.report.stretch import stretches_of_days
from pipeline.settings import Settings
from pipeline.shards import Shard, by_vehicle, shards_of
from pipeline.tables import table
from sample_lake.simulate import simulate
from sample_lake.worlds import world
from tests.benchmarks.ingest import peak_mb

ARRIVED = datetime(2027, 3, 1, tzinfo=UTC)
_SCAN, _FIVE = Path(__file__).with_name("scan.sql"), Path(__file__).with_name("five.sql")
_FOR_FIVE = ("05_unit_days", "10_context", "11_samples", "20_banks", "25_cuts")
_UNITS, _WEEKS = 40, 2


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=100_000_000)
    parser.add_argument("--units", type=int, default=2000)
    parser.add_argument("--buckets", type=int, default=64)
    parser.add_argument("--night", type=int, default=0, metavar="DAYS", help="days of the lake before the night")
    parser.add_argument("--pandas", action="store_true")
    parser.add_argument("--thin", action="store_true")
    parser.add_argument("--scratch", type=Path, default=None, help="folder for the lakes")
    parser.add_argument("--child", nargs=2, metavar=("STEP", "LAKE"), help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.child:
        step, folder = arguments.child
        settings = Settings(lake=folder, buckets=arguments.buckets)
        print(json.dumps(_STEPS[step](settings)))
        return
    with tempfile.TemporaryDirectory(dir=arguments.scratch) as scratch:
        root = Path(scratch)
        seed = seed_lake(root / "seed")
        if arguments.pandas:
            show(child("pandas", seed, 1))
            return
        if arguments.thin:
            show(thinned(Lake(str(seed))))
            return
        if arguments.night:
            night(seed, root, arguments.night, arguments.units, arguments.buckets)
            return
        lake = root / "lake"
        made = copied(seed, lake, arguments.readings, arguments.units, arguments.buckets)
        print(f"{made:,} readings of {arguments.units:,} units in {arguments.buckets} buckets", flush=True)
        show(child("derive", lake, arguments.buckets))


def night(seed: Path, root: Path, days: int, units: int, buckets: int) -> None:
    """One new day in a lake of many days, against the lake derived whole."""
    lake = root / "lake"
    made = repeated(seed, lake, days, units, buckets)
    print(f"{made:,} readings of {units:,} units on {days} days in {buckets} buckets", flush=True)
    whole = child("derive", lake, buckets)
    show(whole)
    more = repeated(seed, lake, 1, units, buckets, after=days)
    print(f"{more:,} readings more on one day", flush=True)
    again = child("derive", lake, buckets)
    nothing = child("derive", lake, buckets)
    show(again)
    print(f"one new day / whole: 1/{whole['derive_s'] / again['derive_s']:.0f}; nothing new: {nothing['derive_s']:.2f} s")


def seed_lake(folder: Path, weeks: int = _WEEKS, minutes_per_week: float = 420, days_per_week: int = 3) -> Path:
    """A small simulated fleet, read into a lake of one bucket."""
    logged = {"log_minutes_per_week": minutes_per_week, "days_per_week": days_per_week}
    simulate(folder, _UNITS, weeks, world=world(1), **logged)
    settings = Settings(lake=str(folder / "lake"), buckets=1)
    lake = Lake(settings.lake)
    with lake.lock("ingest", ARRIVED.isoformat()):
        ingest(settings, lake, [folder / "exports"], ARRIVED)
    return folder / "lake"


def copied(seed: Path, folder: Path, readings: int, units: int, buckets: int) -> int:
    """The fleet copied to so many units, and its days until there are enough readings; how many there are."""
    source = Lake(str(seed)).read("readings")
    copies = -(-units // _UNITS)
    days = source["day"].unique().sort()
    counted = source.group_by("day").len().sort("day").with_columns(pl.col("len").cum_sum() * copies)
    kept = counted.filter(pl.col("len").shift(1, fill_value=0) < readings)["day"]
    repeats = max(round(readings / (source.height * copies)), 1)
    source = source.filter(pl.col("day").is_in(kept.implode()))
    span = timedelta(days=(days[-1] - days[0]).days + 1)
    return written(seed, folder, source, copies, repeats, span, buckets)


def repeated(seed: Path, folder: Path, days: int, units: int, buckets: int, after: int = 0) -> int:
    """The fleet's busiest day on so many days in a row."""
    source = Lake(str(seed)).read("readings")
    busiest = source.group_by("day").len().sort("len", "day")["day"][-1]
    one = source.filter(pl.col("day") == busiest)
    one = one.with_columns(pl.col("ts").dt.offset_by(f"{after}d"), pl.col("day").dt.offset_by(f"{after}d"))
    return written(seed, folder, one, -(-units // _UNITS), days, timedelta(days=1), buckets)


def written(
    seed: Path, folder: Path, source: pl.DataFrame, copies: int, repeats: int, span: timedelta, buckets: int
) -> int:
    """Readings, register and spans of so many copies, vehicle V of copy 3 as Vx3; how many readings."""
    lake, old = Lake(str(folder)), Lake(str(seed))
    names = old.read("register").select("unit_id").join(pl.DataFrame({"copy": range(copies)}), how="cross")
    names = names.with_columns(new=pl.format("{}x{}", "unit_id", "copy"))
    names = names.with_columns(bucket=bucket_of(names["new"], buckets))
    register = old.read("register").join(names, on="unit_id").with_columns(unit_id="new").drop("new", "copy")
    lake.overwrite("register", register.select(old.read("register").columns))
    rows, spans = 0, []
    for (bucket,), mine in names.group_by("bucket", maintain_order=True):
        one = source.drop("bucket").join(mine, on="unit_id").with_columns(
            pl.col("ts") + pl.duration(seconds="copy"), unit_id="new"
        )
        one = one.filter(pl.col("ts").dt.date() == pl.col("day"))
        for number in range(repeats):
            shifted = one.with_columns(pl.col("ts") + span * number, pl.col("day") + span * number)
            frame = shifted.select(source.columns).sort("day", "unit_id", "ts")
            lake.replace("readings", frame, [{"day": d, "bucket": bucket} for d in frame["day"].unique().sort()])
            rows += frame.height
            ends = frame.group_by("unit_id", "day").agg(
                first_ts=pl.col("ts").min(), last_ts=pl.col("ts").max(), rows=pl.len().cast(pl.Int64)
            )
            spans.append(ends)
    told = pl.concat(spans).with_columns(
        export_id=pl.lit("copy"), first_line=pl.lit(1, pl.Int64), last_line=pl.col("rows"), arrived_at=pl.lit(ARRIVED)
    )
    earlier = lake.read("export_spans")
    lake.overwrite("export_spans", pl.concat([earlier, told.select(earlier.columns).cast(earlier.schema)]))
    return rows


def thinned(lake: Lake) -> dict[str, float]:
    """Readings and bytes before and after thinning, by vehicle and day."""
    days = lake.read("export_spans").select("unit_id", "day").unique().height
    files, after, used, began = lake.files("readings"), 0, 0, time.perf_counter()
    for uri in files["uri"]:
        kept, packed = stretches_of_days(pl.read_parquet(uri, hive_partitioning=True).cast({"day": pl.Date})), BytesIO()
        kept.drop("day", "bucket").write_parquet(packed, compression=COMPRESSION, compression_level=LEVEL)
        after, used = after + kept.height, used + packed.getbuffer().nbytes
    seconds, before = time.perf_counter() - began, files["rows"].sum()
    found = {"readings": before, "kept": after, "one_in": before / after, "bytes": files["bytes"].sum(), "bytes_kept": used}
    return found | {"bytes_kept_a_unit_day": used / days, "thin_s": seconds, "rows_a_second": before / seconds}


def child(step: str, lake: Path, buckets: int) -> dict[str, float]:
    words = [sys.executable, "-m", "tests.benchmarks.derive", "--buckets", str(buckets), "--child", step, str(lake)]
    return json.loads(subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout.splitlines()[-1])


def show(found: dict[str, float]) -> None:
    print(", ".join(f"{name} {value:,.3g}" if value < 100 else f"{name} {value:,.0f}" for name, value in found.items()))


def _derived(settings: Settings) -> dict[str, float]:
    lake = Lake(settings.lake)
    files = lake.files("readings")
    scans = [scanned(settings, list(files["uri"])) for _ in range(2)]
    began = time.perf_counter()
    summary = derive(settings, lake)
    took = time.perf_counter() - began
    found = {"readings": summary.readings, "scan_s": min(scans), "derive_s": took}
    return found | {"ratio": took / min(scans), "rows_a_second": summary.readings / took, "peak_mb": peak_mb()}


def scanned(settings: Settings, uris: list[str]) -> float:
    """Seconds to sum every column of the readings."""
    with duckdb.connect(config={"threads": str(settings.threads), "memory_limit": "500MB"}) as connection:
        connection.read_parquet(uris, hive_partitioning=True).create_view("readings")
        began = time.perf_counter()
        connection.sql(_SCAN.read_text(encoding="utf-8")).fetchall()
        return time.perf_counter() - began


def _against_pandas(settings: Settings) -> dict[str, float]:
    """Plain pandas for five indicators, against the derive of all, and against the same five alone."""
    from tests.benchmarks.plain_pandas import five_indicators

    lake = Lake(settings.lake)
    frame = lake.read("readings").to_pandas()
    began = time.perf_counter()
    plain = five_indicators(frame)
    plain_s = time.perf_counter() - began
    files = lake.files("readings")
    began = time.perf_counter()
    derive(settings, lake)
    took = time.perf_counter() - began
    shutil.rmtree(Path(settings.lake) / "shards")
    began = time.perf_counter()
    alone = _five_alone(settings, lake)
    alone_s = time.perf_counter() - began
    return {"readings": files["rows"].sum(), "pandas_rows": len(plain), "pandas_s": plain_s, "derive_s": took,
            "pandas_over_derive": plain_s / took, "five_rows": alone, "five_s": alone_s,
            "pandas_over_five": plain_s / alone_s}  # fmt: skip


def _five_alone(settings: Settings, lake: Lake) -> int:
    """The five indicators out of the lake's files, with the steps that they need and no other; rows of units and days."""
    params = qualify_params(settings)
    units = lake.read("register").select(table("units").schema.keys())
    files = lake.files("readings")
    work = [
        shard
        for (bucket,), days in files.select("day", "bucket", readings="rows").group_by("bucket", maintain_order=True)
        for shard in shards_of(int(bucket), days, files, settings.shard_readings)
    ]

    def rows(shard: Shard) -> int:
        with Session(params, 1, settings.memory_limit_mb // settings.threads) as session:
            session.attach("readings", by_vehicle(list(shard.uris), table("readings").empty()))
            session.attach("units", units)
            for name in _FOR_FIVE:
                session.run(name)
            return session._connection.sql(_FIVE.read_text(encoding="utf-8")).pl().height

    with ThreadPoolExecutor(settings.threads) as pool:
        return sum(pool.map(rows, work))


_STEPS = {"derive": _derived, "pandas": _against_pandas}

if __name__ == "__main__":
    main()
