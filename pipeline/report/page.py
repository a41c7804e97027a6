"""One list as a self-contained page, for a screen of any width and for A4: no network, and no need of its one script."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from datetime import date
from functools import cache
from pathlib import Path

import polars as pl
from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from models.findings import loudest
from models.words import component_words
from pipeline.datawatch import Notice
from pipeline.lake import Lake
from pipeline.report.coming import SHOWN, coming
from pipeline.report.plots import Plot, line_plot
from pipeline.report.rests import Rests, registered, thinned_words
from pipeline.report.since import moved, past
from pipeline.report.stock import stock
from pipeline.report.unlock import unlock_lines
from pipeline.report.why import explain
from pipeline.report.words import (
    REASONS,
    SERIES,
    Indicator,
    counted_reasons,
    money,
    percent,
    plain,
    saving_words,
    read_indicators,
    ruled_out_words,
    unit_facts,
    window,
)
from pipeline.sampled import sampled
from pipeline.settings import Settings
from pipeline.tables import table

_HERE = Path(__file__).resolve().parent
PLOTS = 300  # rows with a plot; some 3 kB each, so that the page of a large fleet still opens
HELD_ROWS = 300
TRACED = 20  # rows that carry their whole way back to the export files; the others by ``lightoff why``


def render_page(
    lake: Lake,
    settings: Settings,
    ranked: pl.DataFrame,
    rests: Rests,
    weeks: pl.DataFrame,
    currency: str = "",
    notices: Sequence[Notice] = (),
) -> str:
    """The page of one list as HTML text; everything that comes from data is escaped.

    ranked : all rows of one list. weeks : ``indicator_weeks`` as known when the list was made. notices : of the data
    watch; their section stands only where there are any.

    Raises:
        ConfigError: ``indicators.csv`` cannot be read.
        SchemaError: ``weeks`` is not an ``indicator_weeks`` frame.
    """
    series, week_start = ranked.select("series", "week_start").row(0)
    listed = ranked.filter(pl.col("list_rank").is_not_null()).sort("list_rank")
    indicators = read_indicators(settings)
    plots = loudest_plots(lake, listed.head(PLOTS), weeks, indicators)
    held = ranked.filter(pl.col("status") == "held").sort(["rank", "unit_id", "component"], nulls_last=True)
    told, quiet = held.filter(pl.col("why") != ""), held.filter(pl.col("why") == "")
    on_the_way = coming(ranked)
    shown = (listed, told.head(HELD_ROWS), on_the_way.head(SHOWN))
    known = registered(lake, pl.concat([rows["unit_id"] for rows in shown]))
    not_judged = ranked.filter(pl.col("status") == "not_judged")
    out_of_scope = ranked.filter(pl.col("status") == "out_of_scope")
    script = (_HERE / "page.js").read_text(encoding="utf-8")
    before = past(settings, lake, week_start)
    together = _together(listed)
    return _template().render(
        script=Markup(script),
        # The one script there is, by its content (W3C Content Security Policy level 3, 2.3.1): no other can run.
        script_hash=Markup("sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()),
        visits=_visits(settings, listed, currency),
        moved=moved(settings, lake, ranked, series, week_start),
        past=before,
        past_saved=money(before.saved_expected, currency),
        stock=stock(ranked),
        style=Markup((_HERE / "page.css").read_text(encoding="utf-8")),
        week_start=week_start,
        series=SERIES[series],
        currency=currency,
        rests=rests,
        thinned=thinned_words(rests),
        notices=notices,
        judged=ranked.filter(pl.col("status") == "judged"),
        items=[
            _row(row, known)
            | {
                "rank": row["list_rank"],
                "action": plain(row["action"]),
                "judged_by": plain(row["judged_by"]) or "not named",
                "saving": saving_words(row, currency),
                "wait": money(row["wait_cost"], currency),
                "act": money(row["act_cost"], currency),
                "depot": plain(row["depot"]) or "no depot given",
                "sort_chance": f"{row['probability']:.6f}",
                "sort_window": str(row["window_from"] or row["window_to"] or "9999"),
                "with_rows": [place for place in together[row["unit_id"]] if place != row["list_rank"]],
                "trace": _trace(lake, settings, row),
            }
            | _figure(plots, row)
            for row in listed.iter_rows(named=True)
        ],
        coming=[
            _row(row, known) | {"waits": row["waits"], "meanwhile": row["meanwhile"]}
            for row in on_the_way.head(SHOWN).iter_rows(named=True)
        ],
        coming_all=on_the_way,
        held=[_row(row, known) for row in told.head(HELD_ROWS).iter_rows(named=True)],
        held_told=told,
        held_quiet=counted_reasons(quiet),
        held_quiet_all=quiet,
        held_all=held,
        exchanged=_exchanged(lake, series, week_start, indicators),
        not_judged=counted_reasons(not_judged),
        not_judged_all=not_judged,
        unlocks=[plain(line) for line in unlock_lines(sampled(settings, lake, week_start))],
        out_of_scope=counted_reasons(out_of_scope),
        out_of_scope_all=out_of_scope,
        most_reasons=REASONS,
    )


def loudest_plots(
    lake: Lake, listed: pl.DataFrame, weeks: pl.DataFrame, indicators: dict[str, Indicator]
) -> dict[tuple[str, str], Plot]:
    """(unit_id, component) -> plot of the indicator whose finding is strongest 28 days on.

    Left out are parts without a finding and findings whose indicator has no weekly values.
    """
    if not listed.height:
        return {}
    parts = listed.select("unit_id", "component")
    series, week_start = listed.select("series", "week_start").row(0)
    units = parts["unit_id"].unique().to_list()
    of_list = (
        (pl.col("series") == series) & (pl.col("week_start") == week_start) & pl.col("unit_id").is_in(units)
    )
    trends = lake.read("trends", of_list).drop("strength", "strength_28d")
    drawn = parts.join(loudest(lake.read("findings", of_list)), on=["unit_id", "component"]).join(
        trends, on=["unit_id", "component", "indicator"], how="left"
    )
    values = table("indicator_weeks").conform(weeks.filter(pl.col("unit_id").is_in(units)))
    values = values.filter(pl.col("value").is_finite())
    by_part = values.partition_by(["unit_id", "component", "indicator"], as_dict=True)
    plots: dict[tuple[str, str], Plot] = {}
    for row in drawn.iter_rows(named=True):
        own = by_part.get((row["unit_id"], row["component"], row["indicator"]))
        if own is not None:
            plots[row["unit_id"], row["component"]] = _plot(row, own, indicators)
    return plots


def _plot(row: dict, own: pl.DataFrame, indicators: dict[str, Indicator]) -> Plot:
    words = indicators.get(row["indicator"], Indicator(row["indicator"], "", ""))
    return Plot(
        quantity=plain(words.quantity),
        unit=plain(words.unit),
        worse=words.worse,
        weeks=own["data_week"].to_list(),
        values=own["value"].to_list(),
        limit=row["limit"],
        baseline=row["baseline"],
        peer_median=row["peer_median"],
        peers=row["peers"] or 0,
    )


def _figure(plots: dict[tuple[str, str], Plot], row: dict) -> dict:
    plot = plots.get((row["unit_id"], row["component"]))
    if plot is not None:
        return {"plot": Markup(line_plot(plot, f"plot-{row['list_rank']}")), "quantity": plot.quantity}
    if row["list_rank"] > PLOTS:
        return {"plot": None, "quantity": f"Plots are drawn for the first {PLOTS} rows only."}
    return {"plot": None, "quantity": "No plot: no weekly indicator speaks loudest for this part."}


def _together(listed: pl.DataFrame) -> dict[str, list[int]]:
    """Vehicle -> places of its rows."""
    return dict(listed.group_by("unit_id").agg(pl.col("list_rank").sort()).iter_rows())


def _visits(settings: Settings, listed: pl.DataFrame, currency: str) -> list[dict]:
    """Depots in order of their names, with bays and vehicles; several jobs on one vehicle are one visit."""
    return [
        {
            "depot": plain(depot) or "no depot given",
            "bays": settings.bays.get(depot, settings.bays_per_depot),
            "saving": money(rows["expected_saving"].sum(), currency),
            "units": [
                (plain(unit), places) for unit, places in rows.group_by("unit_id", maintain_order=True).agg(
                    pl.col("list_rank")).iter_rows()
            ],
        }
        for (depot,), rows in sorted(listed.group_by("depot", maintain_order=True), key=lambda each: each[0][0])
    ]


def _trace(lake: Lake, settings: Settings, row: dict) -> str:
    if row["list_rank"] > TRACED:
        return ""
    return explain(lake, settings, row["unit_id"], row["component"], row["series"], row["week_start"])


def _exchanged(lake: Lake, series: str, week_start: date, indicators: dict[str, Indicator]) -> list[dict]:
    """Parts that seem to have been exchanged without a work order, in words."""
    rows = lake.read("proposed_breaks", (pl.col("series") == series) & (pl.col("week_start") == week_start))
    return [
        {
            "unit": plain(row["unit_id"]),
            "part": component_words(row["component"]),
            "day": row["stepped_on"],
            "what": "; ".join(indicators[name].quantity for name in row["indicators"].split(", ") if name in indicators),
        }
        for row in rows.iter_rows(named=True)
    ]


def _row(row: dict, known: set[str]) -> dict:
    return {
        "unit": plain(row["unit_id"]),
        "facts": unit_facts(row["depot"], row["engine_family"], row["unit_id"] in known),
        "part": component_words(row["component"]),
        "chance": percent(row["probability"]),
        "window": window(row["window_from"], row["window_to"]),
        "why": plain(row["why"]) or "no evidence in words",
        "rule_out_first": plain(row["rule_out_first"]) or "nothing beyond the inspection itself",
        "ruled_out": ruled_out_words(row),
        "points_at": plain(row["points_at"] or "") or "nothing in particular",
        "confirm_by": plain(row["confirm_by"] or "") or "the tests of the card",
        "reason": plain(row["reason"]) or "no reason recorded",
    }


@cache
def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["thousands"] = lambda number: f"{number:,}".replace(",", "\u00a0")
    return environment.get_template("page.html.j2")
