"""What was known at the midnight a list is issued: nothing dated later, nothing that arrived later."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.lake import Lake
from pipeline.settings import Settings


@dataclass(frozen=True)
class Known:
    """The tables a list may rest on, as known at its midnight."""

    days: pl.DataFrame
    codes: pl.DataFrame
    onboard_tests: pl.DataFrame
    work_orders: pl.DataFrame
    register: pl.DataFrame


def known_at(settings: Settings, lake: Lake, week_start: date) -> Known:
    """Tables cut at the midnight on which ``week_start`` begins in the fleet's time zone.

    A lake that was filled after that midnight holds history: what it says of the time before is taken as known when
    it happened. From the lake's first ingest on, only what had arrived on the Monday of the list counts: the night
    run after the midnight still brings last week's data, but nothing that came in later changes a list made again.
    A day of readings counts as arrived when its last reading had.
    """
    midnight = midnight_of(settings, week_start)
    arrived = arrived_by(settings, lake, week_start)
    oldest = week_start - timedelta(days=7 * settings.history_weeks)
    return Known(
        days=lake.read("indicator_days", where=pl.col("day").is_between(oldest, week_start, closed="left") & arrived),
        codes=lake.read("codes", where=(pl.col("ts") < midnight) & arrived),
        onboard_tests=lake.read("onboard_tests", where=(pl.col("ts") < midnight) & arrived),
        work_orders=lake.read("work_orders", where=(pl.col("closed_on") < week_start) & arrived),
        register=lake.read("register"),
    )


def arrived_by(settings: Settings, lake: Lake, week_start: date) -> pl.Expr:
    """Which rows, by ``arrived_at``, had arrived when the list was due; all of them in a lake filled afterwards."""
    issued_by = midnight_of(settings, week_start + timedelta(days=1))
    born = lake.read("exports")["arrived_at"].min()
    alive = born is not None and born < issued_by
    return (pl.col("arrived_at") < issued_by) if alive else pl.lit(True)


def midnight_of(settings: Settings, day: date) -> datetime:
    """Instant at which a day begins in the fleet's time zone, in UTC as the tables are: instants of two zones
    cannot be compared.
    """
    return datetime.combine(day, datetime.min.time(), ZoneInfo(settings.time_zone)).astimezone(UTC)
