"""Derive: readings -> trips and indicator days, only for the partitions that changed."""

from __future__ import annotations

import hashlib
import json
import socket
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache, partial
from importlib.metadata import version
from itertools import islice
from pathlib import Path
from typing import Protocol

import polars as pl

from pipeline.closed import closed_day
from pipeline.errors import RESTORE, ConfigError, LightoffError, ShardsError
from pipeline.lake import Lake, bucket_of
from pipeline.limits import qualify_params
from pipeline.query import SQL, Session, step
from pipeline.settings import Settings
from pipeline.shards import Shard, by_vehicle, crossing, fingerprints, joined, shards_of
from pipeline.tables import table

STEPS = (
    "05_unit_days",
    "10_context",
    "11_samples",
    "12_signal_days",
    "13_held_days",
    "20_banks",
    "25_cuts",
    "15_trips",
    "30_upstream_narrowband",
    "31_upstream_wide_range",
    "32_downstream",
    "33_catalyst",
    "34_heater",
    "35_fuel",
    "36_fuelling",
    "37_sensor_pairs",
    "38_upstream_shape",
    "39_wide_range_cells",
    "40_warm_up",
    "50_indicator_days",
)
_LAST_TO_READ_READINGS = [name for name in STEPS if "readings" in step(name).reads][-1]
_DAY = timedelta(days=1)
_STORED = ("indicator_days", "signal_days", "trips")
_IN_A_ROW = 5  # shards that fail one after another: no shard's own fault any more, the rest would only take long

Made = dict[str, pl.DataFrame]


@dataclass(frozen=True)
class DeriveSummary:
    """What a run derived: partitions in the lake, partitions derived again, readings read, rows written."""

    partitions: int
    derived: int
    readings: int
    indicators: int
    trips: int


@dataclass(frozen=True)
class ShardWork:
    """One shard with all that is needed to measure it, on whatever machine; ``units`` are those of its buckets."""

    settings: Settings
    params: dict[str, float]
    units: pl.DataFrame
    shard: Shard
    program: str

    def __str__(self) -> str:
        """As messages and records name it."""
        return str(self.shard)


class Waited(Protocol):
    """A measurement that was begun elsewhere."""

    def result(self) -> Made:
        """Wait for it; raises what it raised."""


Measure = Callable[[Sequence[ShardWork]], Iterator[Made | Exception]]
Keep = Callable[[Lake, Shard, Made], None]


def derive(
    settings: Settings,
    lake: Lake,
    progress: Callable[[int, int, int], None] | None = None,
    measured: Measure | None = None,
    keep: Keep | None = None,
    between: tuple[date, date] | None = None,
) -> DeriveSummary:
    """Bring trips and indicator days up to date with the readings.

    Args:
        between: first and last day that are derived, whether they changed or not, ``date.min`` being the first day that is
            not closed; all that changed if left out.
        progress: called with partitions done, partitions to do and readings read so far.
        measured: measures shards somewhere else and yields, in their order, what each made or why it failed; the
            threads of this process do it if left out. Whoever measures, only this process writes.
        keep: writes what a shard made; :func:`keep_shard` if left out.

    Raises:
        ShardsError: some shards failed; the others are kept, and the next run derives those that failed.
        ConfigError, LakeError: a setting, a limit or a table is wrong, or a day asked for is closed; what was committed
            stays valid.
    """
    params = qualify_params(settings)
    # What was measured on a closed day stays: there is nothing left to measure it from.
    closed = closed_day(lake)
    recipe = json.dumps([params, [step(name).text for name in STEPS]], sort_keys=True)
    contents = fingerprints(settings, lake, recipe).filter(pl.col("day") > closed)
    if any(date.min < day <= closed for day in between or ()):  # date.min: a beginning left open
        raise ConfigError(f"raw readings up to {closed} are thinned and cannot be measured again; begin after that day")
    derived = _forgotten(settings, lake, contents, closed).select("day", "bucket", known="content")
    if between is not None:
        contents = contents.filter(pl.col("day").is_between(*between))
    changed = contents.join(derived, on=["day", "bucket"], how="left").filter(
        pl.col("known").is_null() | (pl.col("known") != pl.col("content")) | pl.lit(between is not None)
    )
    units = lake.read("register").select(*table("units").columns)
    own_units = units.with_columns(bucket=bucket_of(units["unit_id"], settings.buckets)).partition_by(
        "bucket", as_dict=True, include_key=False
    )
    files = lake.files("readings")
    alone = [
        shard
        for (bucket,), days in changed.group_by("bucket", maintain_order=True)
        for shard in shards_of(int(bucket), days, files, settings.shard_readings)
    ]
    here = settings.model_copy(update={"lake": lake.uri})  # a relative path is another folder on a worker

    def sent(shards: list[Shard]) -> list[ShardWork]:
        own = [pl.concat([own_units.get((bucket,), units.clear()) for bucket in shard.buckets]) for shard in shards]
        return [ShardWork(here, params, mine, shard, program()) for mine, shard in zip(own, shards, strict=True)]

    measured = measured or _on_threads(lake, settings.threads)
    # Half of what a thread may hold, since the days of many vehicles take more memory than as many readings of few; and two
    # shards a thread, so that none waits long for the last.
    a_turn = -(-sum(shard.readings for shard in alone) // (2 * settings.threads))
    shards = joined(alone, files, min(settings.shard_readings // 2, a_turn))
    run = _Run(lake, changed, keep or keep_shard, progress)
    not_tried = run.take(shards, measured(sent(shards))) if shards else 0
    together = [shard for shard in run.failed if shard.parts]
    if together:
        # What failed together is tried apart: a file that cannot be read costs its own bucket and no other, and what took too
        # much memory takes less.
        apart = [part for shard in together for part in shard.parts]
        for shard in together:
            del run.failed[shard]
        shards = [shard for shard in shards if shard not in together] + apart
        not_tried += run.take(apart, measured(sent(apart)))
    if run.failed:
        raise ShardsError({str(shard): error for shard, error in run.failed.items()}, len(shards), not_tried)
    return DeriveSummary(contents.height, changed.height, run.readings, run.indicators, run.trips)


class _Run:
    """What became of the shards so far."""

    def __init__(
        self, lake: Lake, changed: pl.DataFrame, keep: Keep, progress: Callable[[int, int, int], None] | None
    ) -> None:
        self.failed: dict[Shard, Exception] = {}
        self.readings = self.indicators = self.trips = 0
        self._done: set[tuple[int, date]] = set()
        self._lake, self._changed, self._keep, self._progress = lake, changed, keep, progress

    def take(self, shards: list[Shard], results: Iterator[Made | Exception]) -> int:
        """Keep what each shard made, and note its partitions as derived; how many were given up before they came."""
        records: list[pl.DataFrame] = []
        in_a_row = 0
        with closing(results):
            for place, (shard, made) in enumerate(zip(shards, results, strict=True)):
                problem = made if isinstance(made, Exception) else _kept(self._keep, self._lake, shard, made)
                in_shard = self._changed.filter(_within(shard))
                self._done.update(in_shard.select("bucket", "day").iter_rows())
                if problem is None:
                    in_a_row = 0
                    records.append(_record(in_shard, made))
                    self.readings += shard.readings
                    self.indicators += made["indicator_days"].height
                    self.trips += made["trips"].height
                else:
                    in_a_row += 1
                    self.failed[shard] = problem
                if self._progress is not None:
                    self._progress(len(self._done), self._changed.height, self.readings)
                stop = in_a_row == _IN_A_ROW
                if records and (stop or place + 1 == len(shards) or shards[place + 1].buckets != shard.buckets):
                    _note(self._lake, records)
                    records = []
                if stop:
                    return len(shards) - place - 1
        return 0


def _within(shard: Shard) -> pl.Expr:
    """Rows of its buckets and days."""
    return pl.col("bucket").is_in(shard.buckets) & pl.col("day").is_between(shard.first_day, shard.last_day)


def _kept(keep: Keep, lake: Lake, shard: Shard, made: Made) -> Exception | None:
    try:
        keep(lake, shard, made)
    except ConfigError:
        raise
    except (LightoffError, OSError) as error:
        return error
    return None


def _record(in_shard: pl.DataFrame, made: Made) -> pl.DataFrame:
    """Rows of table ``shards``: these partitions are derived."""
    counts = made["indicator_days"].group_by("day", "bucket").len()
    return in_shard.join(counts, on=["day", "bucket"], how="left").select(
        "day", "bucket", "content", "readings", indicators=pl.col("len").fill_null(0).cast(pl.Int64)
    )


def _note(lake: Lake, records: list[pl.DataFrame]) -> None:
    fresh = pl.concat(records)
    old = lake.read("shards").join(fresh, on=["day", "bucket"], how="anti")
    lake.overwrite("shards", pl.concat([old, fresh]))


def _forgotten(settings: Settings, lake: Lake, contents: pl.DataFrame, closed: date) -> pl.DataFrame:
    """Table ``shards`` after what was measured of partitions that are lost for good was taken out of the lake.

    Only what table ``lost_spans`` tells of: readings that are merely not found wipe nothing out. The day before is measured
    anew, since its trips may have gone on over midnight.

    Args:
        contents: day and bucket of the partitions that there are.
    """
    known, lost = lake.read("shards"), lake.read("lost_spans", where=pl.col("day") > closed)
    lost = lost.select("day", bucket=bucket_of(lost["unit_id"], settings.buckets)).unique()
    gone = lost.join(known, on=["day", "bucket"], how="semi").join(contents, on=["day", "bucket"], how="anti")
    if gone.is_empty():
        return known
    nothing = {name: table(name).empty() for name in _STORED}
    for day, bucket in gone.sort("bucket", "day").iter_rows():
        keep_shard(lake, Shard((bucket,), day, day, (), 0), nothing)
    before = gone.with_columns(pl.col("day") - _DAY).filter(pl.col("day") > closed)
    known = known.join(pl.concat([gone, before]), on=["day", "bucket"], how="anti")
    lake.overwrite("shards", known)
    return known


def in_order(work: Sequence[ShardWork], begin: Callable[[ShardWork], Waited], most: int) -> Iterator[Made | Exception]:
    """What each shard made, in their order, with no more than ``most`` at work or waiting to be taken.

    An error of one shard is handed on in its place.

    Raises:
        ConfigError: none of the shards can be measured.
    """
    waiting = iter(work)
    running = deque(begin(each) for each in islice(waiting, most))
    while running:
        try:
            made: Made | Exception = running.popleft().result()
        except ConfigError:
            raise
        except (LightoffError, OSError) as error:
            made = error
        running.extend(begin(each) for each in islice(waiting, 1))
        yield made


def _on_threads(lake: Lake, most: int) -> Measure:
    def measured(work: Sequence[ShardWork]) -> Iterator[Made | Exception]:
        pool = ThreadPoolExecutor(most)
        try:
            # One more than there are threads waits, so that none of them stands idle while a result is kept.
            yield from in_order(work, partial(pool.submit, measure, lake=lake), most + 1)
        finally:
            pool.shutdown(cancel_futures=True)

    return measured


@cache
def program() -> str:
    """Fingerprint of all that decides what comes out of a shard: the steps, this module, the engines' versions."""
    texts = [path.read_bytes() for path in [*sorted(SQL.rglob("*.sql")), Path(__file__)]]
    engines = "|".join(version(name) for name in ("duckdb", "polars")).encode()
    return hashlib.sha256(engines + b"".join(texts)).hexdigest()[:16]


def measure(work: ShardWork, lake: Lake | None = None) -> Made:
    """Trips, indicator days and signal days of a shard.

    Args:
        lake: opened by the settings of ``work`` where left out, as on another machine.

    Raises:
        ConfigError: this machine has another version of the steps or engines, or does not see the lake.
        QueryError, LakeError: a step or a file is wrong.
    """
    if lake is None:
        lake = _seen_from_here(work)
    return _measure(work.settings, lake, work.params, work.units, work.shard)


def _seen_from_here(work: ShardWork) -> Lake:
    host = socket.gethostname()
    if work.program != program():
        raise ConfigError(
            f"the worker on {host} has other steps or another version of duckdb or polars than the run it works for; "
            "install the same requirements.txt and the same lightoff on both, and start the worker anew"
        )
    lake = Lake(work.settings.lake)
    if not lake.exists("readings"):
        raise ConfigError(
            f"the worker on {host} finds no readings in {lake.uri}; a lake that workers share is a folder that every machine "
            "sees under the same path, or s3://bucket/prefix"
        )
    return lake


def _measure(
    settings: Settings, lake: Lake, params: dict[str, float], units: pl.DataFrame, shard: Shard
) -> Made:
    """Trips and indicator days of a shard. One engine thread each: windows that stream use one anyway."""
    spans = lake.read(
        "export_spans", where=pl.col("day").is_between(shard.first_day - _DAY, shard.last_day + _DAY)
    )
    beside = crossing(lake, shard, spans, params["trip_gap_s"])
    memory_mb = max(settings.memory_limit_mb // settings.threads, 100)
    with lake.on_disk(list(shard.uris), RESTORE) as paths:
        readings = by_vehicle(paths, beside)
    with Session(params, 1, memory_mb) as session:
        session.attach("readings", readings)
        session.attach("units", units)
        session.attach("export_spans", spans)
        del readings, beside
        for name in STEPS:
            session.run(name)
            if name == _LAST_TO_READ_READINGS:
                session.detach("readings")
        trips = _bucketed(session.fetch("trips"), settings.buckets)
        days = _bucketed(session.fetch("indicator_days"), settings.buckets)
        signals = _bucketed(session.fetch("signal_days"), settings.buckets)
    in_shard = pl.col("day").is_between(shard.first_day, shard.last_day)
    # A trip that began the day before and ended in this shard is now whole: it replaces the one cut at midnight.
    trips = trips.filter(
        (pl.col("day") <= shard.last_day)
        & (pl.col("ended_at").dt.convert_time_zone(settings.time_zone).dt.date() >= shard.first_day)
    )
    return {"trips": trips, "indicator_days": days.filter(in_shard), "signal_days": signals.filter(in_shard)}


def _bucketed(frame: pl.DataFrame, buckets: int) -> pl.DataFrame:
    return frame.with_columns(bucket=bucket_of(frame["unit_id"].cast(pl.String), buckets))


def keep_shard(lake: Lake, shard: Shard, made: Made) -> None:
    """Write what a shard made: all of its tables or none."""
    own_days = pl.col("day").is_between(shard.first_day, shard.last_day)
    with lake.transaction(*_STORED):
        for name in _STORED:
            _replace(lake, name, made[name], shard, own_days)


def _replace(lake: Lake, name: str, fresh: pl.DataFrame, shard: Shard, replaced: pl.Expr) -> None:
    """Put the shard's rows in place of the old ones inside the month partitions they share with other days."""
    months = sorted({*fresh["month"], *_months(shard.first_day, shard.last_day)})
    inside = pl.col("bucket").is_in(shard.buckets) & pl.col("month").is_in(months)
    key = [column for column in table(name).key]
    kept = lake.read(name, where=inside & ~replaced).join(fresh, on=key, how="anti")
    lake.replace(
        name, pl.concat([kept, fresh]),
        [{"month": month, "bucket": bucket} for month in months for bucket in shard.buckets],
    )


def _months(first: date, last: date) -> set[str]:
    days = pl.date_range(first, last, "1d", eager=True)
    return set(days.dt.strftime("%Y-%m"))
