"""Why a part stands where it does: from its row on the list back to lines of the export files."""

from __future__ import annotations

from datetime import date
from difflib import get_close_matches
from zoneinfo import ZoneInfo

import polars as pl
from rich.table import Table
from rich.text import Text

from models.words import component_words, mode_words
from pipeline.closed import closed_day
from pipeline.errors import LightoffError
from pipeline.lake import Lake
from pipeline.report.evidence import (
    codes_section,
    days_section,
    findings_section,
    glossary_section,
    orders_section,
    spans_section,
    trends_section,
    trips_section,
)
from pipeline.report.words import (
    SERIES,
    money,
    percent,
    plain,
    read_indicators,
    to_text,
    unit_facts,
    window,
)
from pipeline.settings import Settings

_KNOWING = ("register", "ranked", "export_spans", "codes", "work_orders")
_STATUS = {
    "judged": "judged",
    "held": "held back",
    "not_judged": "not judged",
    "out_of_scope": "out of scope",
}


def explain(
    lake: Lake,
    settings: Settings,
    unit_id: str,
    component: str | None,
    series: str = "issued",
    week_start: date | None = None,
) -> str:
    """Everything behind one vehicle, or one part of it, newest first, at most 110 columns wide.

    Goes from the row of the list to findings, trends, indicator days, trips, lines of export files, trouble
    codes and work orders. Without ``week_start`` the newest list that names the vehicle is taken; days, trips
    and lines are those from before the list's week, codes and work orders all there are. A vehicle on no list
    yet is shown with what the lake holds of it.

    Raises:
        LightoffError: the lake does not know the vehicle (the message names close matches), no list of that
            week names it, or it has no such component.
    """
    of_unit = pl.col("unit_id") == unit_id
    register = lake.read("register", of_unit)
    ranked = lake.read("ranked", of_unit & (pl.col("series") == series))
    if not ranked.height:
        _refuse_unknown(lake, unit_id)
    week = week_start or ranked["week_start"].max()
    rows = ranked.filter(pl.col("week_start") == week) if week else ranked
    rows = rows.sort(["rank", "component"], nulls_last=True)
    if week_start and not rows.height:
        there = ", ".join(str(known) for known in ranked["week_start"].unique().sort(descending=True)[:5])
        raise LightoffError(
            f"vehicle {unit_id!r}: no {series} list of the week of {week}; there is {there or 'none'}"
        )
    of_part = of_unit
    if component is not None:
        if rows.height and component not in rows["component"]:
            raise LightoffError(
                f"vehicle {unit_id!r} has no component {component!r}; it has "
                + (", ".join(filter(None, rows["component"].sort())) or "none that is judged")
            )
        rows = rows.filter(pl.col("component") == component)
        of_part = of_unit & pl.col("component").is_in([component, f"BANK{_bank(component)}", "UNIT"])
    before = pl.col("day") < week if week else pl.lit(True)
    words = read_indicators(settings)
    zone = ZoneInfo(settings.time_zone)
    facts = unit_facts(*_depot_and_family(register, rows), register.height > 0)
    parts: list = [f"Vehicle {plain(unit_id)}: {facts}"]
    parts += [f"List of the week from {week} ({SERIES[series]})"] if week else ["On no list yet."]
    for row in rows.iter_rows(named=True):
        parts += ["", *_standing(row)]
    if week:
        of_list = of_part & (pl.col("series") == series) & (pl.col("week_start") == week)
        findings, trends = lake.read("findings", of_list), lake.read("trends", of_list)
        parts += findings_section(findings) + trends_section(trends, words)
        parts += glossary_section(pl.concat([findings["indicator"], trends["indicator"]]), words)
    parts += days_section(lake.read("indicator_days", of_part & before), words)
    parts += trips_section(lake.read("trips", of_unit & before), zone)
    parts += spans_section(lake, lake.read("export_spans", of_unit & before))
    closed = closed_day(lake)
    if lake.read("export_spans", of_unit & before & (pl.col("day") <= closed)).height:
        parts += [f"  Raw readings of days before {closed} are thinned: indicators, trips and spans are whole, of the "
                  "readings the lake keeps two minutes a sensor and day; the export files have the rest."]
    parts += codes_section(lake.read("codes", of_unit), zone)
    parts += orders_section(lake.read("work_orders", of_unit))
    return to_text(*parts)


# Words of a call; what is held back is none either: its cause, and what to rule out, are those of the hold.
_UNSAID = {"action", "points_at", "rule_out_first", "confirm_by"}


def _refuse_unknown(lake: Lake, unit_id: str) -> None:
    known: set[str] = set()
    for name in _KNOWING:
        known |= set(lake.collect(lake.scan(name).select("unit_id").unique())["unit_id"])
    if unit_id in known:
        return
    close = get_close_matches(unit_id, sorted(known), n=5, cutoff=0.6)
    lower = [other for other in sorted(known) if other.casefold() == unit_id.casefold()]
    names = ", ".join(repr(other) for other in dict.fromkeys(lower + close))
    hint = (
        f"close to it: {names}"
        if names
        else f"none of the {len(known)} vehicles known has a name close to it"
    )
    raise LightoffError(f"vehicle {unit_id!r} is not in {lake.uri}; {hint}")


def _bank(component: str) -> str:
    return component[-1] if component.startswith("CAT") else component[1:2]


def _depot_and_family(register: pl.DataFrame, rows: pl.DataFrame) -> tuple[str, str]:
    for frame in (rows, register):
        if frame.height:
            depot, family = frame.select("depot", "engine_family").row(0)
            return depot or "", family or ""
    return "", ""


def _nothing_speaks(row: dict) -> bool:
    """A judged part that is neither called nor on the way, with no evidence: what the order of blame would say of a call is
    not so of it.
    """
    called = row["list_rank"] is not None or row["waits_for"] is not None
    return row["status"] == "judged" and not called and not row["why"]


def _standing(row: dict) -> list:
    place = f"number {row['list_rank']} on the list" if row["list_rank"] is not None else "not on the list"
    if row["rank"] is not None:
        place += f", {row['rank']} in order of saving"
    lines = [("status", f"{_STATUS[row['status']]}; {place}")]
    if row["probability"] is not None:
        week = f", {percent(row['probability_7d'])} within 7" if row["probability_7d"] is not None else ""
        by = plain(row["judged_by"]) or "not named"
        lines.append(("chance", f"{percent(row['probability'])} within 28 days{week}; by {by}"))
        lines.append(("window", window(row["window_from"], row["window_to"])))
    if row["expected_saving"] is not None:
        costs = f"(waiting {money(row['wait_cost'])}, acting {money(row['act_cost'])})"
        lines.append(("saving", f"{money(row['expected_saving'])} {costs}"))
    if row["mode"]:
        lines.append(("mode", mode_words(row["mode"])))
    names = {
        "action": "do", "why": "why", "points_at": "points at", "ruled_out": "ruled out", "not_ruled_out": "not ruled out",
        "rule_out_first": "rule out first", "confirm_by": "confirm by", "reason": "reason",
    }  # fmt: skip
    left_out = _UNSAID if _nothing_speaks(row) else {"action"} if row["status"] == "held" else set()
    lines += [(label, plain(row[name])) for name, label in names.items() if row[name] and name not in left_out]
    if _nothing_speaks(row):
        lines.append(("why", "nothing that is judged of it speaks against it"))
    grid = Table.grid(padding=(0, 1))
    grid.add_column(width=16)
    grid.add_column(ratio=1, overflow="fold")
    for label, text in lines:
        grid.add_row(f"  {label}", Text(text))
    return [component_words(row["component"]), grid]
