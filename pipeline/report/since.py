"""What moved since the issued list before, and what came of the lists before: from tables alone, no decision here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl
from scipy.stats import binomtest

from models.words import component_words
from pipeline.known import known_at
from pipeline.lake import Lake
from pipeline.report.coming import WAITS
from pipeline.report.words import plain
from pipeline.settings import Settings

ANSWER_DAYS = 56  # after the last list of a call: a visit later than that answers another question
VISIT_DAYS = 14  # orders of one part so close together are of one visit; a card may come in beside the workshop's own
PAUSE_DAYS = 7  # lists of neighbouring weeks
CONFIDENCE = 0.90
_PART = ["unit_id", "component"]
_SHOWN = 40


@dataclass(frozen=True)
class Moved:
    """Against the list of ``before`` (None: there was none): new rows, rows that left with the reason, places moved."""

    before: date | None
    new: list[dict]
    gone: list[dict]
    moved: list[dict]


@dataclass(frozen=True)
class Past:
    """What came of calls since ``first``. ``calls`` = confirmed + no_fault + unknown + open.

    ``right`` is confirmed over confirmed and no_fault, with ``low`` and ``high`` (Wilson, 90 %), None without any.
    ``lead_days`` is the median from the first list to the visit, ``saved_expected`` what the lists promised for the
    calls confirmed, in the fleet's currency.
    """

    first: date | None
    calls: int
    confirmed: int
    no_fault: int
    unknown: int
    open: int
    right: float | None
    low: float | None
    high: float | None
    lead_days: float | None
    saved_expected: float
    rows: list[dict]


def moved(settings: Settings, lake: Lake, ranked: pl.DataFrame, series: str, week_start: date) -> Moved:
    """The list of ``ranked`` against the newest list of the series before it; a row that left after a visit says so."""
    weeks = lake.scan("ranked").filter((pl.col("series") == series) & (pl.col("week_start") < week_start))
    before = lake.collect(weeks.select(pl.col("week_start").max())).item()
    if before is None:
        return Moved(None, [], [], [])
    old = lake.read("ranked", (pl.col("series") == series) & (pl.col("week_start") == before))
    was = old.filter(pl.col("list_rank").is_not_null()).select(*_PART, was="list_rank")
    now = ranked.filter(pl.col("list_rank").is_not_null()).select(*_PART, now="list_rank")
    both = was.join(now, on=_PART, how="full", coalesce=True).sort("now", "was", nulls_last=True)
    left = both.filter(pl.col("now").is_null()).join(
        ranked.select(*_PART, "status", "reason", "expected_saving", "waits_for"), on=_PART, how="left"
    )
    orders = known_at(settings, lake, week_start, series == "issued").work_orders.filter(pl.col("closed_on") >= before)
    visits = orders.sort("closed_on", "order_id").unique(_PART, keep="last", maintain_order=True)
    left = left.join(visits.select(*_PART, "closed_on", "action"), on=_PART, how="left", maintain_order="left")
    return Moved(
        before,
        [_named(row) | {"no": row["now"]} for row in both.filter(pl.col("was").is_null()).iter_rows(named=True)],
        [_named(row) | {"no": row["was"], "why": _left(row)} for row in left.iter_rows(named=True)],
        [
            _named(row) | {"no": row["now"], "was": row["was"]}
            for row in both.filter((pl.col("was") - pl.col("now")).abs() >= 3).iter_rows(named=True)
        ],
    )


def past(settings: Settings, lake: Lake, week_start: date) -> Past:
    """What work orders and returned cards known at ``week_start`` say of the issued lists before it.

    A row that stays from list to list is one call, however long it stands, also over weeks in which no list was made. The
    first visit from its first list until :data:`ANSWER_DAYS` after its last answers it, by the order that notes what was
    found, if one does; calls that one visit answers are one, from the first on.
    """
    issued = lake.scan("ranked").filter((pl.col("series") == "issued") & (pl.col("week_start") < week_start))
    lists = lake.collect(issued.select(pl.col("week_start").unique().sort()))["week_start"]
    listed = lake.collect(
        issued.filter(pl.col("list_rank").is_not_null()).select("week_start", *_PART, "probability", "expected_saving")
    )
    if listed.is_empty():
        return Past(None, 0, 0, 0, 0, 0, None, None, None, None, 0.0, [])
    orders = known_at(settings, lake, week_start).work_orders.select(
        *_PART, "closed_on", "action", "finding", "cause", "order_id"
    )
    calls = _calls(listed, lists, orders)
    first_visit = pl.col("closed_on").min().over("call")
    in_first = (pl.col("closed_on") - first_visit).dt.total_days() <= VISIT_DAYS
    noted = in_first & pl.col("finding").is_in(["confirmed", "no_fault_found"])
    answered = (
        calls.join(orders, on=_PART)
        .filter(
            pl.col("closed_on") >= pl.col("week_start"),
            (pl.col("closed_on") - pl.col("last_week")).dt.total_days() <= ANSWER_DAYS,
        )
        .sort("call", ~noted, "closed_on", "order_id")
        .unique("call", keep="first", maintain_order=True)
    )
    # A row that flickered before the visit was one call: a repair is confirmed, and saves, once.
    merged = answered.filter(~pl.struct(*_PART, "order_id").is_first_distinct())
    answered, calls = (frame.join(merged.select("call"), on="call", how="anti", maintain_order="left") for frame in (answered, calls))
    every = calls.join(answered.select("call", "closed_on", "action", "finding", "cause"), on="call", how="left")
    counts = dict(answered.group_by("finding").len().iter_rows())
    yes, no = counts.get("confirmed", 0), counts.get("no_fault_found", 0)
    share = binomtest(yes, yes + no).proportion_ci(CONFIDENCE, "wilson") if yes + no else None
    found = answered.filter(pl.col("finding") == "confirmed")
    leads = (found["closed_on"] - found["week_start"]).dt.total_days().to_numpy()
    shown = every.sort(pl.col("closed_on").is_null(), "closed_on", "week_start", "call", descending=[False, True, True, False])
    return Past(
        calls["week_start"].min(), calls.height, yes, no, answered.height - yes - no, calls.height - answered.height,
        yes / (yes + no) if yes + no else None, share and share.low, share and share.high,
        float(np.median(leads)) if leads.size else None, float(found["expected_saving"].sum()),
        [_named(row) | {"week": row["week_start"], "said": _came_of(row)} for row in shown.head(_SHOWN).iter_rows(named=True)],
    )


def _calls(listed: pl.DataFrame, lists: pl.Series, orders: pl.DataFrame) -> pl.DataFrame:
    """One row a call, as on its first list, with ``last_week`` and its number ``call``.

    A part that the list before did not have is called anew; so is one that was visited in weeks in which no list was made.
    """
    places = pl.DataFrame({"week_start": lists}).with_row_index("place").with_columns(pl.col("place").cast(pl.Int64))
    rows = listed.join(places, on="week_start").sort(*_PART, "week_start").with_columns(
        before=pl.col("week_start").shift(1).over(_PART), lists=pl.col("place").diff().over(_PART)
    ).with_row_index("row")
    paused = rows.filter((pl.col("week_start") - pl.col("before")).dt.total_days() > PAUSE_DAYS)
    visited = paused.join(orders.select(*_PART, "closed_on"), on=_PART).filter(
        (pl.col("closed_on") >= pl.col("before")) & (pl.col("closed_on") < pl.col("week_start"))
    )
    anew = pl.col("before").is_null() | (pl.col("lists") > 1) | pl.col("row").is_in(visited["row"].implode())
    return (
        rows.with_columns(call=anew.cum_sum())
        .group_by("call", maintain_order=True)
        .agg(pl.col("week_start", *_PART, "probability", "expected_saving").first(), last_week=pl.col("week_start").last())
    )


def _named(row: dict) -> dict:
    return {"unit": plain(row["unit_id"]), "part": component_words(row["component"])}


def _left(row: dict) -> str:
    """Why a row is no longer on the list."""
    if row["status"] is None:
        return "the vehicle is no longer in the data"
    if row["status"] != "judged":
        return plain(row["reason"])
    visit = f"{row['action']} on {row['closed_on']}" if row["closed_on"] is not None else ""
    if row["waits_for"]:
        return f"{visit}{'; ' * bool(visit)}on the way: {WAITS[row['waits_for']]}"
    if visit:
        return visit
    if (row["expected_saving"] or 0.0) <= 0:
        return WAITS["saving"]
    return "below the chance a row needs"


def _came_of(row: dict) -> str:
    if row["finding"] is None:
        return "no visit known yet"
    words = {"confirmed": "fault found", "no_fault_found": "no fault found"}.get(row["finding"], "finding not noted")
    cause = f" ({plain(row['cause'])})" if row["cause"] else ""
    return f"{row['action']} on {row['closed_on']}: {words}{cause}"
