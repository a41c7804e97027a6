"""The technician's card of one vehicle: what to look at, why, in which order, and what to write down."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from models.codes import withdrawn
from models.words import component_words, mode_words
from pipeline.facts import read_codes
from pipeline.known import midnight_of
from pipeline.lake import Lake
from pipeline.report.cardfacts import CardFacts, Caution, Check, Deposit, Fitting
from pipeline.report.page import loudest_plots
from pipeline.report.plots import Plot
from pipeline.report.stretch import Stretch, of_peer, recent, when_good
from pipeline.report.words import Indicator, percent, plain, saving_words, unit_facts, window
from pipeline.settings import Settings

PENDING_DAYS = 180  # pending codes read this long before the list are shown; older ones say little about today
# models.levels: the newest week, or as many as three where it holds too few samples; else a card would contradict its plot.
FIGURES = "figures: mean of the newest 1 to 3 weeks"
GOOD_DAYS = 42  # a stretch counts as "earlier" only this long before the list
NO_CODES = f"none stands: no confirmed code since the last clear, no pending one of the last {PENDING_DAYS} days"
_WHERE = {
    "upstream": "Between engine and catalyst, in the manifold or the pipe ahead of the catalyst. Follow its cable to the "
    "connector on the vehicle side.",
    "downstream": "Behind the catalyst, usually under the floor. Its connector lies where the cable goes up from the "
    "exhaust.",
    "catalyst": "The can between the upstream and the downstream sensor of this bank.",
}
_SHORT = {"BANK1": "bank 1", "BANK2": "bank 2"}
_BANK = "Bank {} is the side {} cylinder 1 (which side that is: service information)."
# The names are those of the sheet's columns: what stands on paper is copied into it.
_COLUMNS = (
    "found: this part at fault (yes / no)", "cause", "readings taken", "part fitted: this part renewed, its number",
    "odometer km", "day (2026-04-29)",
)
_FOUND = (
    "Yes: this part, its plug, wires or heater was at fault. No: it was sound, whatever else was at fault or renewed (a leak, "
    "another sensor); that goes under cause, and part fitted stays empty. Not looked at: nothing, the row stays open."
)


@dataclass(frozen=True)
class Job:
    """One part of the vehicle: words, evidence, plots and tests."""

    card_id: str
    component: str
    part: str
    where: str
    chance: str
    window: str
    saving: str
    action: str
    why: str
    rule_out: str
    points_at: str
    confirm_by: str
    ruled_out: str
    not_ruled_out: str
    judged_by: str
    weekly: Plot | None
    recent: Stretch | None
    reference: Stretch | None
    checks: list[Check]


@dataclass(frozen=True)
class Card:
    """Everything on one vehicle's card."""

    unit_id: str
    shown_unit: str
    facts: str
    week_start: date
    km: str
    codes: list[str]
    jobs: list[Job]
    cautions: list[Caution]
    deposits: list[Deposit]
    deposits_source: str
    fitting: list[Fitting]
    service_information: str
    confirm: str
    boxes: tuple[str, ...] = _COLUMNS
    found: str = _FOUND
    no_codes: str = NO_CODES
    figures_are: str = FIGURES


def file_stem(unit_id: str) -> str:
    """A file name for a vehicle: its number where that is harmless, else what is left of it and a short hash."""
    harmless = re.sub(r"[^A-Za-z0-9_-]+", "_", unit_id).strip("_-")[:40]
    if harmless == unit_id:
        return unit_id
    return f"{harmless or 'unit'}-{hashlib.sha256(unit_id.encode()).hexdigest()[:8]}"


def card_id(week_start: date, unit_id: str, component: str) -> str:
    """Key of a card's row in the findings sheet."""
    return f"{week_start:%Y%m%d}-{file_stem(unit_id)}-{component}"


def cards(
    lake: Lake,
    settings: Settings,
    ranked: pl.DataFrame,
    weeks: pl.DataFrame,
    facts: CardFacts,
    indicators: dict[str, Indicator],
    currency: str,
) -> list[Card]:
    """One card a listed vehicle, in the order of the list.

    Args:
        ranked: all rows of one list. weeks: ``indicator_weeks`` as known when it was made.
    """
    listed = ranked.filter(pl.col("list_rank").is_not_null()).sort("list_rank")
    if listed.is_empty():
        return []
    week_start = listed["week_start"][0]
    plots = loudest_plots(lake, listed, weeks, indicators)
    register = {row["unit_id"]: row for row in lake.read("register").iter_rows(named=True)}
    codes = _codes(lake, settings, listed["unit_id"].unique().to_list(), week_start)
    km = _odometers(weeks)
    made = []
    for (unit_id,), rows in listed.group_by("unit_id", maintain_order=True):
        known = register.get(unit_id)
        parts = set(rows["part"])
        jobs = [
            _job(lake, settings, row, ranked, facts, plots, currency) for row in rows.iter_rows(named=True)
        ]
        made.append(
            Card(
                unit_id=unit_id,
                shown_unit=plain(unit_id),
                facts=unit_facts(rows["depot"][0], rows["engine_family"][0], known is not None),
                week_start=week_start,
                km=f"{km[unit_id]:,.0f} km".replace(",", "\u00a0") if unit_id in km else "not known",
                codes=codes.get(unit_id, []),
                jobs=jobs,
                cautions=facts.cautions_for(parts, (known or {}).get("fuel") or ""),
                deposits=facts.deposits if parts & {"upstream", "downstream"} else [],
                deposits_source=facts.deposits_source,
                fitting=[rule for rule in facts.fitting if parts & set(rule.parts)],
                service_information=facts.service_information,
                confirm=facts.confirm,
            )
        )
    return made


def _job(
    lake: Lake,
    settings: Settings,
    row: dict,
    ranked: pl.DataFrame,
    facts: CardFacts,
    plots: dict[tuple[str, str], Plot],
    currency: str,
) -> Job:
    unit_id, component, kind, before = row["unit_id"], row["component"], row["kind"], row["week_start"]
    bank = component[1] if component.startswith("B") else component[-1]
    earlier = before - timedelta(days=GOOD_DAYS)
    since = _fitted(lake, unit_id, component, before) or before - timedelta(days=7 * settings.history_weeks)
    reference = when_good(lake, settings, unit_id, component, kind, since, earlier) if since < earlier else None
    if reference is None:
        peer = _healthy_peer(ranked, row)
        reference = of_peer(lake, settings, peer, component, kind, before) if peer is not None else None
    mode = mode_words(row["mode"])
    return Job(
        card_id=card_id(before, unit_id, component),
        component=component,
        part=component_words(component),
        where=f"{_WHERE[row['part']]} {_BANK.format(bank, 'with' if bank == '1' else 'without')}",
        chance=percent(row["probability"]),
        window=window(row["window_from"], row["window_to"]),
        saving=saving_words(row, currency),
        action=plain(row["action"]),
        why=_sentence(mode, plain(row["why"])),
        rule_out=plain(row["rule_out_first"]) or "nothing beyond the inspection itself",
        points_at=plain(row["points_at"] or "") or "nothing in particular",
        confirm_by=plain(row["confirm_by"] or "") or "the tests below",
        ruled_out=plain(row["ruled_out"] or "") or "nothing",
        not_ruled_out=plain(row["not_ruled_out"] or ""),
        judged_by=plain(row["judged_by"]) or "not named",
        weekly=plots.get((unit_id, component)),
        recent=recent(lake, settings, unit_id, component, kind, before),
        reference=reference,
        checks=facts.checks_for(row["part"], kind, row["mode"]),
    )


def _sentence(mode: str, why: str) -> str:
    told = why or "the data give a high chance without one loud indicator"
    text = f"{mode}: {told}" if mode else told
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _fitted(lake: Lake, unit_id: str, component: str, before: date) -> date | None:
    """Day on which the part was last replaced or repaired before the list; one made again knows nothing that came after."""
    orders = lake.read("work_orders", where=(pl.col("unit_id") == unit_id) & (pl.col("component") == component))
    done = pl.col("action").is_in(["replaced", "repaired"]) & (pl.col("closed_on") < before)
    return orders.filter(done)["closed_on"].max()


def _healthy_peer(ranked: pl.DataFrame, row: dict) -> str | None:
    """The judged vehicle of the same family, sensor kind and position with the smallest chance."""
    same = ranked.filter(
        (pl.col("engine_family") == row["engine_family"])
        & (pl.col("kind") == row["kind"])
        & (pl.col("component") == row["component"])
        & (pl.col("unit_id") != row["unit_id"])
        & (pl.col("status") == "judged")
        & pl.col("probability").is_not_null()
    ).sort("probability", "unit_id")
    return same["unit_id"][0] if same.height else None


def _codes(lake: Lake, settings: Settings, units: list[str], week_start: date) -> dict[str, list[str]]:
    """Codes that stand, newest first, as lines of text: what each says of which part; those only stored say so.

    As in the list (``sql/65_active_codes.sql``) a confirmed code stands until it is cleared, however long ago it was read.
    Pending ones are shown for :data:`PENDING_DAYS`.
    """
    midnight = midnight_of(settings, week_start)
    rows = lake.read("codes", where=pl.col("unit_id").is_in(units) & (pl.col("ts") < midnight))
    cleared = rows.filter(pl.col("state") == "cleared").group_by("unit_id").agg(cleared_at=pl.col("ts").max())
    settled = pl.col("state").filter(pl.col("state") != "pending")
    active = (
        rows.filter(pl.col("state") != "cleared")
        .join(cleared, on="unit_id", how="left")
        .filter(pl.col("cleared_at").is_null() | (pl.col("ts") > pl.col("cleared_at")))
        .sort("ts", "state")
        .group_by("unit_id", "code")
        .agg(
            # Read as pending once more, a confirmed code stays one: the list says so, too.
            state=pl.coalesce(settled.last(), pl.lit("pending")), first_seen_at=pl.col("ts").min(), last=pl.col("ts").max(),
            pending_at=pl.col("ts").filter(pl.col("state") == "pending").max(),
        )
        .filter((pl.col("state") != "pending") | (pl.col("last") >= midnight - timedelta(days=PENDING_DAYS)))
        .sort("unit_id", "last", "code", descending=[False, True, False])
    )
    lamp = lake.read(
        "indicator_days",
        where=pl.col("unit_id").is_in(units) & (pl.col("indicator") == "mil_on") & (pl.col("day") < week_start),
    )
    stored = set(withdrawn(active, lamp, settings.time_zone).iter_rows())
    # A code of the other bank or of another part must not be read as one of the part that the card is about.
    known = read_codes(settings).select("code", "title", "component")
    named = {code: (title, where) for code, title, where in known.iter_rows()}
    told: dict[str, list[str]] = {}
    for row in active.iter_rows(named=True):
        title, where = named.get(row["code"], ("", "UNIT"))
        what = f" {title}" + ("" if where == "UNIT" else f" ({_SHORT.get(where, where)})") if title else ""
        read = f"read {row['first_seen_at']:%Y-%m-%d} to {row['last']:%Y-%m-%d}"
        line = f"{plain(row['code'])}{plain(what)}, {row['state']}, {read}"
        if (row["unit_id"], row["code"]) in stored:
            line += "; the lamp has gone out since: stored, no longer found"
        told.setdefault(row["unit_id"], []).append(line)
    return told


def _odometers(weeks: pl.DataFrame) -> dict[str, float]:
    newest = weeks.filter(pl.col("indicator") == "odometer_km").sort("data_week")
    return dict(newest.group_by("unit_id").agg(pl.col("value").last()).iter_rows())
