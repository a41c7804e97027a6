"""A made list written out: ``list.csv``, ``list.xlsx``, ``coming.csv``, ``scores.csv``, ``list.txt`` and ``page.html``.

Nothing here reads a clock: the same tables give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import polars as pl

from models.words import component_words
from pipeline.datawatch import Notice
from pipeline.errors import LightoffError
from pipeline.lake import Lake
from pipeline.report.coming import coming
from pipeline.report.page import render_page
from pipeline.report.printed import list_text, status_counts
from pipeline.report.rests import read_ranked, registered, what_it_rests_on
from pipeline.report.wholefile import whole
from pipeline.report.words import money, percent, plain, window
from pipeline.report.workbook import list_book
from pipeline.settings import Settings

_VEHICLE = ("unit_id", "depot", "engine_family", "component")
_OUTLOOK = ("probability", "window_from", "window_to")
LIST_COLUMNS = (
    "week_start",
    "rank",
    *_VEHICLE,
    *_OUTLOOK,
    "action",
    "rule_out_first",
    "why",
    "expected_saving",
    "judged_by",
    "saving_low",
    "saving_high",
)
COMING_COLUMNS = ("week_start", *_VEHICLE, *_OUTLOOK, "waits", "meanwhile", "rule_out_first", "why", "judged_by")
SCORE_COLUMNS = ("week_start", "rank", *_VEHICLE, "status", "probability", "expected_saving", "reason", "judged_by")
BOOK = "list.xlsx"
_DECIMALS = {"probability": 4, "expected_saving": 2, "saving_low": 2, "saving_high": 2}


@dataclass(frozen=True)
class Outputs:
    """Files of one list by name, and counts of vehicles and parts.

    ``counts`` has listed, judged, held, not_judged and out_of_scope (rows) and the same with ``_vehicles``.
    """

    paths: dict[str, Path]
    counts: dict[str, int]
    _listed: pl.DataFrame = field(repr=False)

    def first_rows(self, n: int) -> list[str]:
        """The first ``n`` rows of the list, one line each, for a console."""
        return [
            f"{row['list_rank']:>4}  {plain(row['unit_id'])}  {component_words(row['component'])}  "
            f"{percent(row['probability'])}  {window(row['window_from'], row['window_to'])}  "
            f"saving {money(row['expected_saving'])}"
            for row in self._listed.head(n).iter_rows(named=True)
        ]


def write_outputs(
    lake: Lake,
    settings: Settings,
    series: str,
    week_start: date,
    folder: Path,
    weeks: pl.DataFrame,
    currency: str = "",
    notices: Sequence[Notice] = (),
) -> Outputs:
    """Write the list of one series and week into ``folder``; each file is replaced whole or not at all.

    series : issued or replayed. weeks : rows of ``indicator_weeks`` as known when the list was made, for the
    plots. currency : label of the amounts, from the fleet's costs. notices : of the data watch, for the page.

    In the CSV files a text cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line break gets an
    apostrophe in front, so that no spreadsheet runs it as a formula; take it off again to match a unit_id.

    Raises:
        LightoffError: there is no such list, a number in it is not finite, or a file cannot be written.
        ConfigError: ``indicators.csv`` cannot be read.
        SchemaError: ``weeks`` is not an ``indicator_weeks`` frame.
    """
    ranked = read_ranked(lake, series, week_start)
    _refuse_not_finite(ranked)
    listed = ranked.filter(pl.col("list_rank").is_not_null()).sort("list_rank")
    rests = what_it_rests_on(lake, settings, ranked, week_start)
    page = render_page(lake, settings, ranked, rests, weeks, currency, notices)
    frames = {
        "list.csv": _list_frame(listed),
        "coming.csv": _cells(coming(ranked).select(COMING_COLUMNS)),
        "scores.csv": _score_frame(ranked),
    }
    texts = {
        "list.txt": list_text(ranked, rests, registered(lake, listed["unit_id"]), currency),
        "page.html": page,
    }
    paths = {name: folder / name for name in (*frames, *texts, BOOK)}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in frames.items():
            with whole(paths[name]) as temporary:
                frame.write_csv(temporary, line_terminator="\n")
        for name, text in texts.items():
            with whole(paths[name]) as temporary:
                temporary.write_text(text, encoding="utf-8", newline="\n")
        with whole(paths[BOOK]) as temporary:
            list_book(temporary, _told(listed), week_start, currency)
    except OSError as error:
        raise LightoffError(
            f"{folder}: cannot be written: {error}; check rights and space, or `out`"
        ) from error
    return Outputs(paths=paths, counts=status_counts(ranked, listed), _listed=listed)


def _told(listed: pl.DataFrame) -> pl.DataFrame:
    """Columns of the list; it is read alone, so what was ruled out stands beside what speaks for the part."""
    cleared = pl.col("ruled_out").fill_null("")
    why = pl.when(cleared != "").then(pl.col("why") + "; ruled out by the data: " + cleared).otherwise("why")
    return listed.with_columns(rank="list_rank", why=why.str.strip_prefix("; ")).select(LIST_COLUMNS)


def _list_frame(listed: pl.DataFrame) -> pl.DataFrame:
    return _cells(_told(listed))


def _score_frame(ranked: pl.DataFrame) -> pl.DataFrame:
    placed = pl.col("status").is_in(["judged", "held"])
    order = [~placed, pl.when(placed).then("rank"), pl.col("unit_id"), pl.col("component")]
    return _cells(ranked.sort(order, nulls_last=True).select(SCORE_COLUMNS))


def _cells(frame: pl.DataFrame) -> pl.DataFrame:
    """Columns as printed: fixed decimals, empty text as an empty cell, no cell that reads as a formula."""
    text = [name for name, kind in frame.schema.items() if kind == pl.String]
    return frame.with_columns(
        *(
            pl.when(pl.col(name).str.contains(r"^[=+\-@\t\r\n]"))
            .then("'" + pl.col(name))
            .when(pl.col(name) != "")
            .then(pl.col(name))
            .alias(name)
            for name in text
        ),
        *(pl.col(name).round(places).cast(pl.Decimal(38, places)) for name, places in _DECIMALS.items() if name in frame.columns),
    )


def _refuse_not_finite(ranked: pl.DataFrame) -> None:
    for name in ("probability", "wait_cost", "act_cost", "expected_saving", "saving_low", "saving_high"):
        bad = ranked.filter(~pl.col(name).is_finite())
        if bad.height:
            unit, component = bad.select("unit_id", "component").row(0)
            raise LightoffError(
                f"table 'ranked', {unit!r} {component}: {name} is {bad[name][0]}; "
                "rank the week again before listing it"
            )
