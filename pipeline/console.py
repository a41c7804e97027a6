"""What the command line prints: bars and tables on a terminal, whole lines where it is a pipe or a file.

Names come from files and are printed as text: the console is one of :func:`plain_console`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime

import polars as pl
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from pipeline.coverage import coverage_lines, coverage_table
from pipeline.derive import DeriveSummary
from pipeline.ingest import IngestProgress, IngestSummary
from pipeline.jobs import Watch, WeekResult
from pipeline.report.words import plain

_SHOWN_FILES = 12  # on a terminal; a log names every file


def plain_console() -> Console:
    """A console that takes no text for markup, emoji codes or something to colour."""
    return Console(markup=False, emoji=False, highlight=False)


def say(console: Console, line: str) -> None:
    """Print one line whole: no wrapping, whatever the width of the terminal is or is thought to be."""
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


def say_ingested(console: Console, summary: IngestSummary) -> bool:
    """Print what became of the files read and the balance; True where something needs a look."""
    read = summary.files.filter(pl.col("status") == "read")
    if console.is_terminal:
        if read.height:
            console.print(_files_table(read.head(_SHOWN_FILES)))
        if read.height > _SHOWN_FILES:
            say(console, f"... and {read.height - _SHOWN_FILES} more files")
    else:
        for row in read.iter_rows(named=True):
            say(console, _file_line(row))
    for row in read.filter(pl.col("reason").is_not_null()).head(_SHOWN_FILES).iter_rows(named=True):
        say(console, f"{plain(row['file'])}: {plain(row['reason'])}")
    for row in summary.files.filter(pl.col("status") == "refused").iter_rows(named=True):
        reason = (row["reason"] or "").removeprefix(row["file"]).lstrip(":, ")
        say(console, f"refused: {plain(row['file'])}: {plain(reason)}")
    totals = summary.totals
    say(
        console,
        f"ingested {totals['read']} files ({totals['already read']} already read, {totals['refused']} refused, "
        f"{totals['ignored']} ignored): {totals['rows_in']:,} rows in = {totals['kept']:,} kept + "
        f"{totals['quarantined']:,} quarantined + {totals['duplicates']:,} exact duplicates",
    )
    return totals["refused"] > 0 or totals["quarantined"] > 0


def _files_table(read: pl.DataFrame) -> Table:
    table = Table(box=None, pad_edge=False)
    for name in ("file", "kind", "rows in", "kept", "quarantined", "duplicates", "first", "last"):
        counted = name in ("rows in", "kept", "quarantined", "duplicates")
        table.add_column(name, justify="right" if counted else "left", no_wrap=True)
    for row in read.iter_rows(named=True):
        table.add_row(
            plain(row["file"].rsplit("/", 1)[-1]), row["kind"], f"{row['rows_in']:,}", f"{row['kept']:,}",
            f"{row['quarantined']:,}", f"{row['duplicates']:,}",
            _minute(row["first_ts"]), _minute(row["last_ts"]),
        )
    return table


def _file_line(row: dict) -> str:
    line = (
        f"{plain(row['file'])}: {row['kind']}, {row['rows_in']:,} rows in, {row['kept']:,} kept, "
        f"{row['quarantined']:,} quarantined, {row['duplicates']:,} exact duplicates"
    )
    if row["first_ts"] is None:
        return line
    return f"{line}, {_minute(row['first_ts'])} to {_minute(row['last_ts'])} UTC"


def _minute(instant: datetime | None) -> str:
    return "" if instant is None else f"{instant:%Y-%m-%d %H:%M}"


def say_derived(console: Console, summary: DeriveSummary) -> None:
    """Print what was derived."""
    say(
        console,
        f"derived {summary.derived} of {summary.partitions} partitions: {summary.readings:,} readings -> "
        f"{summary.indicators:,} indicator days, {summary.trips:,} trips",
    )


def say_list(console: Console, result: WeekResult, rows: int) -> None:
    """Print the head of a list and where it lies."""
    judged = result.assessed
    say(
        console,
        f"list of {result.week_start}: {result.ranked.listed} rows on {result.ranked.vehicles} vehicles; "
        f"{judged.judged} components judged, {judged.held} held back, {judged.not_judged} not judged, "
        f"{judged.out_of_scope} vehicles out of scope",
    )
    for line in result.outputs.first_rows(rows):
        say(console, line)
    for name in ("list.csv", "page.html"):
        say(console, f"{name}: {result.outputs.paths[name]}")


def say_coverage(console: Console, scores: pl.DataFrame, week_start: date) -> None:
    """Print what one list could judge; ``scores`` are its rows of table ``scores``."""
    if console.is_terminal:
        console.print(coverage_table(scores, week_start))
    else:
        for line in coverage_lines(scores, week_start):
            say(console, line)
