"""What the command line prints: progress on a terminal, plain lines elsewhere, and the closing tables."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date

import polars as pl
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from pipeline.derive import DeriveSummary
from pipeline.ingest import IngestProgress, IngestSummary
from pipeline.jobs import Watch, WeekResult

_SHOWN_FILES = 12


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
    """Print one line a file (the first dozen) and the balance; True where something needs a look."""
    read = summary.files.filter(pl.col("status") == "read")
    if read.height:
        table = Table(box=None, pad_edge=False)
        for name in ("file", "kind", "rows in", "kept", "quarantined", "duplicates", "first", "last"):
            table.add_column(name, justify="right" if name in ("rows in", "kept") else "left", no_wrap=True)
        for row in read.head(_SHOWN_FILES).iter_rows(named=True):
            first, last = (
                "" if row[name] is None else f"{row[name]:%Y-%m-%d %H:%M}" for name in ("first_ts", "last_ts")
            )
            table.add_row(
                escape(row["file"].rsplit("/", 1)[-1]), row["kind"], f"{row['rows_in']:,}", f"{row['kept']:,}",
                f"{row['quarantined']:,}", f"{row['duplicates']:,}", first, last,
            )
        console.print(table)
        if read.height > _SHOWN_FILES:
            console.print(f"... and {read.height - _SHOWN_FILES} more files")
    for row in summary.files.filter(pl.col("status") == "refused").iter_rows(named=True):
        console.print(f"refused: {escape(row['reason'] or row['file'])}", soft_wrap=True)
    totals = summary.totals
    console.print(
        f"ingested {totals['read']} files ({totals['already read']} already read, {totals['refused']} refused, "
        f"{totals['ignored']} ignored): {totals['rows_in']:,} rows in = {totals['kept']:,} kept + "
        f"{totals['quarantined']:,} quarantined + {totals['duplicates']:,} exact duplicates",
        soft_wrap=True,
    )
    return totals["refused"] > 0 or totals["quarantined"] > 0


def say_derived(console: Console, summary: DeriveSummary) -> None:
    """Print what was derived."""
    console.print(
        f"derived {summary.derived} of {summary.partitions} partitions: {summary.readings:,} readings -> "
        f"{summary.indicators:,} indicator days, {summary.trips:,} trips",
        soft_wrap=True,
    )


def say_list(console: Console, result: WeekResult, rows: int) -> None:
    """Print the head of a list and where it lies."""
    judged = result.assessed
    console.print(
        f"list of {result.week_start}: {result.ranked.listed} rows on {result.ranked.vehicles} vehicles; "
        f"{judged.judged} components judged, {judged.held} held back, {judged.not_judged} not judged, "
        f"{judged.out_of_scope} vehicles out of scope",
        soft_wrap=True,
    )
    for line in result.outputs.first_rows(rows):
        console.print(line, markup=False, highlight=False, soft_wrap=True)
    for name in ("list.csv", "page.html"):
        console.print(f"{name}: {result.outputs.paths[name]}", markup=False, highlight=False, soft_wrap=True)
