"""Typed rows for the SQL tests, and one step run on them.

Every frame has all the columns that ``tables.toml`` declares, with their types; one that may not be empty
must be given. Limits are the tests' own where a test depends on them, so that tuning a limit breaks no test.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import polars as pl

from pipeline.limits import qualify_params
from pipeline.query import Session, step
from pipeline.settings import Settings
from pipeline.tables import table

START = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)  # a Monday
LIMITS = {
    "trip_gap_s": 200.0,
    "running_rpm": 400.0,
    "warm_coolant_degc": 70.0,
    "warm_run_s": 100.0,
    "warm_run_without_coolant_s": 500.0,
    "settle_after_cut_s": 4.0,
    "settle_rear_after_cut_s": 20.0,
    "cut_speed_kmh": 20.0,
    "cut_rpm": 1000.0,
    "cut_load_pct": 25.0,
    "cut_throttle_over_idle_pct": 3.0,
    "cut_lambda": 1.3,
    "cut_lean_v": 0.2,
    "cut_least_s": 2.0,
    "rear_cut_wait_s": 4.0,
    "rear_lean_v": 0.3,
    "rear_fall_v": 0.6,
    "rear_rich_v": 0.5,
    "recovery_most_s": 60.0,
    "enrich_load_pct": 70.0,
    "enrich_lambda": 0.95,
    "idle_speed_kmh": 1.0,
    "idle_rpm": 1000.0,
    "cruise_speed_kmh": 30.0,
    "cruise_rpm": 1000.0,
    "cruise_load_pct": 75.0,
    "steady_s": 10.0,
    "steady_speed_kmh": 5.0,
    "low_v": 0.2,
    "mid_low_v": 0.3,
    "mid_high_v": 0.6,
    "high_v": 0.7,
    "block_s": 60.0,
    "block_readings": 5.0,
    "stuck_range_v": 0.05,
    "stuck_range_ratio": 0.002,
    "exact_ratio": 0.0006,
    "exact_ma": 0.006,
    "bias_v": 0.45,
    "bias_band_v": 0.15,
    "start_run_s": 20.0,
    "cold_start_degc": 50.0,
    "never_closed_s": 300.0,
    "thermostat_run_s": 700.0,
    "pair_step_s": 12.0,
    "timing_step_s": 1.5,
    "under_load_pct": 45.0,
}
STALENESS = {
    "speed_kmh": 10.0,
    "coolant_degc": 100.0,
    "run_time_s": 60.0,
    "fuel_status_b1": 10.0,
    "lambda_b1s1": 3.0,
    "catalyst_b1s1_degc": 30.0,
}
PARAMS = (
    qualify_params(Settings()) | LIMITS | {f"{name}_staleness_s": value for name, value in STALENESS.items()}
)

WARM_CRUISE = {
    "unit_id": "V1",
    "running": True,
    "run_time_known": True,
    "warm": True,
    "hot": True,
    "cut": False,
    "enriched": False,
    "steady": True,
    "idle": False,
    "cruise": True,
}
ONE_BANK = {"kind": "narrowband", "banks": 1}
REPORTED = {"reports_b1": True, "reports_b2": False}
CLOSED = {
    "status_known_b1": True,
    "status_known_b2": True,
    "closed_b1": True,
    "closed_b2": True,
    "front_settled": True,
    "rear_settled": True,
}


def at(seconds: float, start: datetime = START) -> datetime:
    """The instant so many seconds after the start."""
    return start + timedelta(seconds=seconds)


def rows(name: str, records: Iterable[dict]) -> pl.DataFrame:
    """Rows of a declared table: full columns, declared types, nothing unknown, nothing missing that must be
    there.
    """
    declared = table(name)
    records = [dict(record) for record in records]
    unknown = {column for record in records for column in record} - set(declared.columns)
    if unknown:
        raise ValueError(f"table {name!r} has no {sorted(unknown)}")
    blank = dict.fromkeys(declared.columns)
    return declared.conform(pl.DataFrame([blank | record for record in records], schema=declared.schema))


def over(seconds: Sequence[float], start: datetime = START, **columns: object) -> list[dict]:
    """Records, one a second of ``seconds``: ``ts``, ``day`` and the columns.

    A column is one value for all, a sequence of as many, or a mapping second -> value (elsewhere empty).
    """
    records = []
    for index, second in enumerate(seconds):
        record: dict = {"ts": at(second, start), "day": at(second, start).date()}
        for column, value in columns.items():
            if isinstance(value, dict):
                record[column] = value.get(second)
            elif isinstance(value, (list, tuple)):
                record[column] = value[index]
            else:
                record[column] = value
        records.append(record)
    return records


def readings(seconds: Sequence[float], start: datetime = START, **columns: object) -> pl.DataFrame:
    """Readings of vehicle V1 unless told otherwise."""
    return rows("readings", over(seconds, start, **({"unit_id": "V1", "bucket": 0} | columns)))


def context(seconds: Sequence[float], start: datetime = START, **columns: object) -> pl.DataFrame:
    """Readings with their context in warm even driving, long after the engine start, unless told otherwise."""
    given = WARM_CRUISE | ONE_BANK | REPORTED | {"started_at": at(seconds[0], start)} | _pace(seconds) | columns
    return rows("context", over(seconds, start, **given))


def samples(seconds: Sequence[float], start: datetime = START, **columns: object) -> pl.DataFrame:
    """Samples in warm even closed-loop driving, settled, long after the engine start, unless told otherwise."""
    given = WARM_CRUISE | ONE_BANK | CLOSED | {"started_at": at(seconds[0], start)} | _pace(seconds) | columns
    return rows("samples", over(seconds, start, **given))


def banks(seconds: Sequence[float], start: datetime = START, **columns: object) -> pl.DataFrame:
    """Samples of bank 1 in warm even closed-loop driving, settled, unless told otherwise."""
    given = (
        WARM_CRUISE
        | {"started_at": at(seconds[0], start), "bank": 1, "kind": "narrowband", "closed": True, "status_known": True}
        | {"front_ok": True, "rear_ok": True}
        | _pace(seconds)
        | columns
    )
    return rows("banks", over(seconds, start, **given))


def cuts(*records: dict, **shared: object) -> pl.DataFrame:
    """Fuel cuts of vehicle V1, bank 1, a minute apart, with what is given."""
    defaults = {
        "unit_id": "V1",
        "bank": 1,
        "kind": "narrowband",
        "day": START.date(),
        "cut_s": 6.0,
        "step_s": 1.0,
    }
    defaults |= {"warm": True, "hot": True, "front_before": 0, "rear_between": 0, "rear_readings": 6, "watched_s": 50.0} | shared
    made = [defaults | {"began_at": at(60 * index)} | record for index, record in enumerate(records)]
    return rows(
        "cuts", [{"recovery_seen": record.get("recovery_s") is not None} | record for record in made]
    )


def run(name: str, params: dict[str, float] | None = None, **tables: pl.DataFrame) -> pl.DataFrame:
    """The table that one step makes of the given ones; a declared input that is not given is empty."""
    made = step(name)
    surplus = set(tables) - set(made.reads)
    if surplus:
        raise ValueError(f"{name} does not read {sorted(surplus)}")
    with Session(PARAMS | (params or {}), threads=1, memory_limit_mb=500) as session:
        for read in made.reads:
            declared = table(read)
            session.attach(read, tables.get(read, declared.empty()).sort(list(declared.sort)))
        session.run(name)
        return session.fetch(made.table)


def values(frame: pl.DataFrame, component: str | None = None) -> dict[str, float]:
    """Indicator -> value of a long table, of one component where it is named."""
    kept = frame if component is None else frame.filter(pl.col("component") == component)
    return dict(kept.select("indicator", "value").iter_rows())


def counts(frame: pl.DataFrame) -> dict[str, int]:
    """Indicator -> samples of a long table."""
    return dict(frame.select("indicator", "samples").iter_rows())


def _pace(seconds: Sequence[float]) -> dict[str, list]:
    """Steps and run time of a trip that began a thousand seconds before the first row."""
    steps = [None, *(later - earlier for earlier, later in pairwise(seconds))]
    return {"step_s": steps, "run_s": [1000.0 + second - seconds[0] for second in seconds]}
