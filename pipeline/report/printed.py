"""The list as plain text for a terminal or a printer."""

from __future__ import annotations

import polars as pl
from rich.table import Table
from rich.text import Text

from models.words import component_words
from pipeline.report.coming import SHOWN, coming
from pipeline.report.rests import Rests, thinned_words
from pipeline.report.words import (
    REASONS,
    SERIES,
    count,
    counted_reasons,
    money,
    percent,
    plain,
    ruled_out_words,
    saving_ends,
    to_text,
    unit_facts,
    window,
)

_CAUTION = (
    "Inspect and confirm on the vehicle before a part is replaced. Hot exhaust, running engine, carbon "
    "monoxide, fuel vapour and a raised vehicle can kill: the maker's service information, local regulation "
    "and licensed practice come first. Write the finding down before any trouble code is cleared."
)


def list_text(ranked: pl.DataFrame, rests: Rests, known_units: set[str], currency: str = "") -> str:
    """The list for a terminal or a printer, at most 110 columns wide.

    ranked : all rows of one list. known_units : vehicles that the register knows.
    """
    series, week_start = ranked.select("series", "week_start").row(0)
    listed = ranked.filter(pl.col("list_rank").is_not_null()).sort("list_rank")
    counts = status_counts(ranked, listed)
    newest = f"newest data of {rests.newest_day}" if rests.newest_day else "no readings in the lake"
    parts: list = [
        f"Oxygen sensors and catalysts, list of the week from {week_start} ({SERIES[series]})",
        f"Rests on {rests.vehicles} vehicles, {rests.readings:,} readings{thinned_words(rests)}, {newest}.",
        "",
        _CAUTION,
        "",
    ]
    if not listed.height:
        parts += ["Nothing is on the list this week.", ""]
    for row in listed.iter_rows(named=True):
        parts += [_item(row, row["unit_id"] in known_units, currency), ""]
    parts += _on_the_way(ranked)
    parts += [
        f"Judged: {_rows_and_vehicles(counts, 'judged')}.",
        *(f"  chance by {name}: {count(number, 'part', 'parts')}" for name, number in rests.judged_by),
    ]
    for status, title in (
        ("held", "Held back"),
        ("not_judged", "Not judged"),
        ("out_of_scope", "Out of scope"),
    ):
        parts += ["", f"{title}: {_rows_and_vehicles(counts, status)}."]
        reasons = Table.grid(padding=(0, 1))
        reasons.add_column(width=8, justify="right")
        reasons.add_column(ratio=1, overflow="fold")
        counted = counted_reasons(ranked.filter(pl.col("status") == status))
        for reason in counted[:REASONS]:
            reasons.add_row(str(reason.parts), reason.text)
        if len(counted) > REASONS:
            reasons.add_row("", f"{len(counted) - REASONS} further reasons stand in scores.csv")
        if reasons.row_count:
            parts.append(reasons)
    return to_text(*parts)


def _item(row: dict, known: bool, currency: str) -> Table:
    item = Table.grid(padding=(0, 1))
    item.add_column(width=5, justify="right")
    item.add_column(width=14)
    item.add_column(ratio=1, overflow="fold")
    facts = unit_facts(row["depot"], row["engine_family"], known)
    dated = row["window_from"] is not None or row["window_to"] is not None
    expected = f"{'expected ' * dated}{window(row['window_from'], row['window_to'])}"
    by = plain(row["judged_by"]) or "not named"
    saving, ends = money(row["expected_saving"], currency), saving_ends(row, currency)
    ends = f"; {ends} by how such chances held on other fleets" if ends else ""
    costs = f"waiting {money(row['wait_cost'], currency)}, acting now {money(row['act_cost'], currency)}"
    lines = [
        ("vehicle", f"{plain(row['unit_id'])}   {facts}"),
        ("part", component_words(row["component"])),
        ("chance", f"{percent(row['probability'])} within 28 days, {expected}; by {by}"),
        ("saving", f"{saving} ({costs}){ends}"),
        ("do", plain(row["action"])),
        ("why", plain(row["why"])),
        ("ruled out", ruled_out_words(row)),
        ("rule out first", plain(row["rule_out_first"]) or "nothing beyond the inspection itself"),
    ]
    for place, (label, words) in enumerate(lines):
        item.add_row(f"{row['list_rank']}." if place == 0 else "", label, Text(words))
    return item


def _on_the_way(ranked: pl.DataFrame) -> list:
    """Parts that are not called yet; nothing where there are none."""
    rows = coming(ranked)
    if rows.is_empty():
        return []
    counts = status_counts(rows, rows)
    told = Table.grid(padding=(0, 1))
    for width in (14, 38, 5):
        told.add_column(width=width, overflow="fold")
    told.add_column(ratio=1, overflow="fold")
    for row in rows.head(SHOWN).iter_rows(named=True):
        words = f"{row['waits']}: {row['meanwhile']}. Why: {plain(row['why'])}"
        told.add_row(plain(row["unit_id"]), component_words(row["component"]), percent(row["probability"]), Text(words))
    more = [f"{rows.height - SHOWN} more stand in coming.csv"] if rows.height > SHOWN else []
    return [f"On the way, no call yet: {_rows_and_vehicles(counts, 'judged')}.", told, *more, ""]


def _rows_and_vehicles(counts: dict[str, int], status: str) -> str:
    vehicles = count(counts[f"{status}_vehicles"], "vehicle", "vehicles")
    return vehicles if status == "out_of_scope" else f"{count(counts[status], 'part', 'parts')} of {vehicles}"


def status_counts(ranked: pl.DataFrame, listed: pl.DataFrame) -> dict[str, int]:
    """Rows and, with ``_vehicles``, vehicles that are listed, judged, held, not_judged and out_of_scope."""
    groups = {"listed": listed}
    groups |= {
        s: ranked.filter(pl.col("status") == s) for s in ("judged", "held", "not_judged", "out_of_scope")
    }
    counts = {name: rows.height for name, rows in groups.items()}
    return counts | {f"{name}_vehicles": rows["unit_id"].n_unique() for name, rows in groups.items()}
