"""What the command line prints: bars and tables on a terminal, whole lines where it is a pipe or a file.

Names come from files and are printed as text: the console is one of :func:`plain_console`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime

import polars as pl
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from pipeline.assess import AssessSummary
from pipeline.coverage import coverage_lines, coverage_table
from pipeline.datawatch import Notice, must_look, watch_lines
from pipeline.derive import DeriveSummary
from pipeline.ingest import IngestProgress
from pipeline.jobs import Watch, WeekResult
from pipeline.report.cardfiles import kept_lines
from pipeline.report.words import count
from pipeline.thinning import ThinSummary


def plain_console() -> Console:
    """A console that takes no text for markup, emoji codes or something to colour."""
    return Console(markup=False, emoji=False, highlight=False)


_json_clock: list[Callable[[], datetime]] = []


def log_as_json(clock: Callable[[], datetime] | None) -> None:
    """From now on every line is one JSON object ``{"at": ..., "line": ...}``; with None, text again."""
    _json_clock[:] = [clock] if clock is not None else []


def say(console: Console, line: str) -> None:
    """Print one line whole: no wrapping, whatever the width of the terminal is or is thought to be."""
    for clock in _json_clock:
        line = json.dumps({"at": clock().isoformat(), "line": line}, ensure_ascii=False)
    console.print(line, soft_wrap=True)


@contextmanager
def watching(console: Console) -> Iterator[Watch]:
    """Bars with counts and rates on a terminal; elsewhere nothing moves and the closing lines say it all."""
    if not console.is_terminal:
        yield Watch()
        return
    columns = (
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TextColumn("{task.fields[rate]}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True) as bars:
        tasks: dict[str, int] = {}

        def show(name: str, done: int, total: int, rate: str) -> None:
            if name not in tasks:
                tasks[name] = bars.add_task(name, total=total, rate="")
            bars.update(tasks[name], completed=done, total=total, rate=rate)

        def reading(step: IngestProgress) -> None:
            show(step.doing, step.files_done, step.files, f"{step.rows:,} rows")

        def deriving(done: int, total: int, readings: int) -> None:
            elapsed = bars.tasks[tasks["deriving"]].elapsed if "deriving" in tasks else None
            rate = f"{readings / elapsed:,.0f} readings/s" if elapsed else f"{readings:,} readings"
            show("deriving", done, total, rate)

        def judging(week_start: date, done: int, total: int) -> None:
            show("judging", done, total, f"list of {week_start}")

        yield Watch(reading, deriving, judging)


def say_derived(console: Console, summary: DeriveSummary) -> None:
    """Print what was derived."""
    say(
        console,
        f"derived {summary.derived} of {summary.partitions} partitions: {summary.readings:,} readings -> "
        f"{summary.indicators:,} indicator days, {summary.trips:,} trips",
    )


def thinned_line(thinned: ThinSummary) -> str:
    """What was thinned, in words."""
    return (
        f"thinned {thinned.partitions} partitions past their time: {thinned.rows_before:,} readings to {thinned.rows_after:,}; "
        "indicators stay"
    )


def say_judged(console: Console, judged: AssessSummary) -> None:
    """Print what was judged for the list to come."""
    since = "; nothing has changed since it was judged before" if judged.kept else ""
    say(
        console,
        f"judged {judged.judged} components for the list of {judged.week_start}; {judged.held} held back, "
        f"{judged.not_judged} not judged{since}",
    )
    if judged.passed_over:
        say(console, judged.passed_over)


def say_list(console: Console, result: WeekResult, rows: int) -> None:
    """Print the head of a list and where it lies."""
    judged = result.assessed
    say(
        console,
        f"list of {result.week_start}: {count(result.ranked.listed, 'row', 'rows')} on "
        f"{count(result.ranked.vehicles, 'vehicle', 'vehicles')}; {count(judged.judged, 'component', 'components')} judged, "
        f"{judged.held} held back, {judged.not_judged} not judged, "
        f"{count(judged.out_of_scope, 'vehicle', 'vehicles')} out of scope",
    )
    if judged.passed_over:
        say(console, judged.passed_over)
    for line in result.outputs.first_rows(rows):
        say(console, line)
    for name in ("list.csv", "page.html"):
        say(console, f"{name}: {result.outputs.paths[name]}")
    if result.cards is not None:
        say(console, f"cards: {result.cards}")
        for line in kept_lines(result.cards):
            say(console, line)


def say_watched(console: Console, notices: Sequence[Notice]) -> bool:
    """Print what changed in the data; whether it needs a look."""
    for line in watch_lines(notices):
        say(console, line)
    return must_look(notices)


def say_coverage(console: Console, scores: pl.DataFrame, week_start: date) -> None:
    """Print what one list could judge; ``scores`` are its rows of table ``scores``."""
    if console.is_terminal:
        console.print(coverage_table(scores, week_start))
    else:
        for line in coverage_lines(scores, week_start):
            say(console, line)
