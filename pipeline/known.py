"""What was known at the midnight a list is issued: nothing dated later, nothing that arrived later."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table

_WEEK = timedelta(days=7)


@dataclass(frozen=True)
class Known:
    """The tables a list may rest on, as known at its midnight."""

    days: pl.DataFrame
    codes: pl.DataFrame
    onboard_tests: pl.DataFrame
    work_orders: pl.DataFrame
    register: pl.DataFrame


def known_at(settings: Settings, lake: Lake, week_start: date, issued: bool = False) -> Known:
    """Tables cut at the midnight on which ``week_start`` begins in the fleet's time zone.

    A lake that was filled after that midnight holds history: what it says of the time before is taken as known when
    it happened. From the lake's first ingest on, only what had arrived on the Monday of the list counts: the night
    run after the midnight still brings last week's data, but nothing that came in later changes a list made again.
    A day of readings counts as arrived when its last reading had. With ``issued`` a list that is first written later in its
    week sees what has arrived by then (:func:`arrived_by`).
    """
    midnight = midnight_of(settings, week_start)
    arrived = arrived_by(settings, lake, week_start, issued)
    oldest = week_start - timedelta(days=7 * settings.history_weeks)
    return Known(
        days=lake.read("indicator_days", where=pl.col("day").is_between(oldest, week_start, closed="left") & arrived),
        codes=lake.read("codes", where=(pl.col("ts") < midnight) & arrived),
        onboard_tests=lake.read("onboard_tests", where=(pl.col("ts") < midnight) & arrived),
        work_orders=lake.read("work_orders", where=(pl.col("closed_on") < week_start) & arrived),
        register=lake.read("register"),
    )


def lamp_days(settings: Settings, lake: Lake, known: Known, codes: pl.DataFrame, week_start: date) -> pl.DataFrame:
    """Days on which the lamp was read: those that a list looks back on, and of codes older than these all since the oldest.

    Codes stay until they are cleared, so what withdrew one must not be forgotten earlier.

    Args:
        codes: unit_id, cleared, confirmed, first_seen_at; a pending one passes by itself (``judge.code_age_days``).

    Returns:
        unit_id, day, value: 1 where the lamp was on at any time of the day, 0 where it was read and never on.

    Raises:
        LakeError: a table cannot be read.
    """
    lamp, columns = pl.col("indicator") == "mil_on", ["unit_id", "day", "value"]
    newer = known.days.filter(lamp).select(columns)
    oldest = week_start - timedelta(days=7 * settings.history_weeks)
    old = codes.filter(
        ~pl.col("cleared") & pl.col("confirmed") & (pl.col("first_seen_at") < midnight_of(settings, oldest))
    )
    if old.is_empty():
        return newer
    since = old["first_seen_at"].dt.convert_time_zone(settings.time_zone).dt.date().min()
    those = pl.col("unit_id").is_in(old["unit_id"].unique().implode())
    before = pl.col("day").is_between(since, oldest, closed="left") & arrived_by(settings, lake, week_start)
    return pl.concat([lake.read("indicator_days", where=lamp & those & before).select(columns), newer])


def arrived_by(settings: Settings, lake: Lake, week_start: date, issued: bool = False) -> pl.Expr:
    """Which rows, by ``arrived_at``, had arrived when the list was due; all of them in a lake filled afterwards.

    With ``issued``, of a list that goes out and not of a replay: where the Monday's run failed and the list is first written
    on another day of its week, also what arrived until then (:func:`note_issued`).
    """
    issued_by = midnight_of(settings, week_start + timedelta(days=1))
    arrivals = lake.read("exports")["arrived_at"]
    born, newest = arrivals.min(), arrivals.max()
    if born is None or born >= issued_by:
        return pl.lit(True)
    on_time = pl.col("arrived_at") < issued_by
    if not issued:
        return on_time
    seen = lake.read("issued_lists", where=pl.col("week_start") == week_start)["seen_until"].max()
    if seen is not None:
        return on_time | (pl.col("arrived_at") <= seen)
    return pl.lit(True) if newest < midnight_of(settings, week_start + _WEEK) else on_time


def note_issued(lake: Lake, week_start: date) -> None:
    """Note, when a list is first written, what it has seen: a list made again must be the same list.

    Raises:
        LakeError: the table cannot be written.
    """
    if lake.read("issued_lists", where=pl.col("week_start") == week_start).height:
        return
    # Findings of returned cards come without an export.
    newest = [lake.collect(lake.scan(name).select(pl.col("arrived_at").max())).item() for name in ("exports", "work_orders")]
    seen = max((at for at in newest if at is not None), default=None)
    if seen is not None:
        row = {"week_start": week_start, "seen_until": seen}
        lake.append("issued_lists", pl.DataFrame([row], schema=table("issued_lists").schema))


def midnight_of(settings: Settings, day: date) -> datetime:
    """Instant at which a day begins in the fleet's time zone, in UTC as the tables are: instants of two zones
    cannot be compared.
    """
    return datetime.combine(day, datetime.min.time(), ZoneInfo(settings.time_zone)).astimezone(UTC)
