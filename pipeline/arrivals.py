"""What the command line prints of exports: the table of a run, names to look at, and the quarantine."""

from __future__ import annotations

from datetime import datetime

import polars as pl
from rich.console import Console
from rich.table import Table

from pipeline.console import say
from pipeline.errors import UnrestoredError
from pipeline.exports.finding import OWN
from pipeline.ingest import IngestSummary
from pipeline.quarantine import Fault
from pipeline.report.words import count, plain
from pipeline.restore import Restored, gap_text
from pipeline.returned import Returned

_SHOWN_FILES = 12  # on a terminal; a log names every file
_SHOWN_NAMES = 10
_WIDE = 160  # columns from which on a terminal has room for the names of the signals


def say_ingested(console: Console, summary: IngestSummary) -> bool:
    """Print what became of the files read and the balance; True where something needs a look."""
    read = summary.files.filter(pl.col("status") == "read")
    if console.is_terminal:
        if read.height:
            console.print(_files_table(read.head(_SHOWN_FILES), console.width >= _WIDE))
        if read.height > _SHOWN_FILES:
            say(console, f"... and {read.height - _SHOWN_FILES} more files")
    else:
        for row in read.iter_rows(named=True):
            say(console, _file_line(row))
    for row in summary.files.filter(pl.col("status") == "refused").iter_rows(named=True):
        reason = (row["reason"] or "").removeprefix(row["file"]).lstrip(":, ")
        say(console, f"refused: {plain(row['file'])}: {plain(reason)}")
    for row in summary.files.filter(pl.col("reason") == OWN).iter_rows(named=True):
        say(console, f"left out: {plain(row['file'])}: {OWN}")
    for group in summary.alike[:_SHOWN_NAMES]:
        names = ", ".join(f"'{plain(name)}'" for name in group)
        say(console, f"look alike, kept apart: {names}; write one vehicle one way")
    if len(summary.alike) > _SHOWN_NAMES:
        say(console, f"... and {len(summary.alike) - _SHOWN_NAMES} more groups of names that look alike")
    if summary.unknown:
        names = ", ".join(f"'{plain(name)}'" for name in summary.unknown[:_SHOWN_NAMES])
        others = len(summary.unknown) - _SHOWN_NAMES
        more = f" and {others} more" if others > 0 else ""
        say(
            console,
            f"unknown to the register, kept: {count(len(summary.unknown), 'vehicle', 'vehicles')}: {names}{more}",
        )
    totals = summary.totals
    say(
        console,
        f"ingested {totals['read']} files ({totals['already read']} already read, {totals['refused']} refused, "
        f"{totals['ignored']} ignored): {totals['rows_in']:,} rows in = {totals['kept']:,} kept + "
        f"{totals['quarantined']:,} quarantined + {totals['duplicates']:,} exact duplicates",
    )
    return totals["refused"] > 0 or totals["quarantined"] > 0


def say_returned(console: Console, taken: tuple[list[Returned], IngestSummary | None]) -> bool:
    """Print what became of returned cards, and of exports read beside them; True where something needs a look."""
    sheets, read = taken
    for sheet in sheets:
        name = plain(sheet.file)
        if sheet.read_before:
            say(console, f"{name}: read before, nothing changes")
            continue
        say(
            console,
            f"{name}: {count(sheet.taken, 'finding', 'findings')} taken, {sheet.repeated} repeated, "
            f"{sheet.corrected} corrected, {len(sheet.faults)} refused, {sheet.still_open} not filled in yet",
        )
        for line, column, reason in sheet.faults:
            say(console, f"{name}, line {line}, column {column}: {plain(reason)}")
        for note in sheet.notes:
            say(console, f"contradiction: {plain(note)}")
    look = say_ingested(console, read) if read is not None else False
    return look or any(sheet.needs_a_look for sheet in sheets)


def _files_table(read: pl.DataFrame, wide: bool) -> Table:
    table = Table(box=None, pad_edge=False)
    counted = ("rows in", "kept", "quarantined", "duplicates", "signals")
    for name in ("file", "kind", *counted[:4], "first", "last", "signals"):
        right = name in counted and not (wide and name == "signals")
        table.add_column(name, justify="right" if right else "left", no_wrap=name != "signals")
    table.add_column("notes", overflow="fold")
    for row in read.iter_rows(named=True):
        signals = (row["signals"] or "").split()
        table.add_row(
            plain(row["file"].rsplit("/", 1)[-1]), row["kind"], f"{row['rows_in']:,}", f"{row['kept']:,}",
            f"{row['quarantined']:,}", f"{row['duplicates']:,}",
            _minute(row["first_ts"]), _minute(row["last_ts"]),
            f"{len(signals)} {' '.join(signals)}".strip() if wide else f"{len(signals) or ''}",
            plain("; ".join(_notes(row))),
        )
    return table


def _file_line(row: dict) -> str:
    line = (
        f"{plain(row['file'])}: {row['kind']}, {row['rows_in']:,} rows in, {row['kept']:,} kept, "
        f"{row['quarantined']:,} quarantined, {row['duplicates']:,} exact duplicates"
    )
    if row["first_ts"] is not None:
        line += f", {_minute(row['first_ts'])} to {_minute(row['last_ts'])} UTC"
    signals = (row["signals"] or "").split()
    if signals:
        line += f", {count(len(signals), 'signal', 'signals')}: {' '.join(signals)}"
    return "; ".join([line, *(plain(note) for note in _notes(row))])


def _notes(row: dict) -> list[str]:
    dropped = [f"not kept: {row['dropped']}"] if row["dropped"] else []
    return dropped + ([row["notes"]] if row["notes"] else [])


def _minute(instant: datetime | None) -> str:
    return "" if instant is None else f"{instant:%Y-%m-%d %H:%M}"


def say_quarantine(console: Console, found: list[Fault]) -> None:
    """Print the reasons of the quarantine with what they cost and the first examples."""
    if console.is_terminal and found:
        table = Table(box=None, pad_edge=False)
        for name in ("rows", "cells", "files"):
            table.add_column(name, justify="right", no_wrap=True)
        table.add_column("reason and examples", overflow="fold")
        for fault in found:
            lines = [plain(fault.reason), *(f"  {example}" for example in _examples(fault))]
            table.add_row(f"{fault.rows:,}", f"{fault.cells:,}", f"{fault.files:,}", "\n".join(lines))
        console.print(table)
    else:
        for fault in found:
            say(
                console,
                f"{count(fault.rows, 'row', 'rows')}, {count(fault.cells, 'cell', 'cells')} in "
                f"{count(fault.files, 'file', 'files')}: {plain(fault.reason)}",
            )
            for example in _examples(fault):
                say(console, f"  {example}")
    rows, cells = sum(fault.rows for fault in found), sum(fault.cells for fault in found)
    say(
        console,
        f"{count(len(found), 'reason', 'reasons')}: {rows:,} rows and {cells:,} cells that could not be used; "
        "after mending a layout or a setting, `lightoff quarantine retry` reads their files again",
    )


def say_retried(console: Console, summary: IngestSummary) -> bool:
    """Print what a second reading changed; True where something needs a look."""
    read = summary.files.filter(pl.col("status") == "read")
    for row in read.iter_rows(named=True):
        say(console, _file_line(row))
    refused = summary.files.filter(pl.col("status") == "refused")
    for row in refused.iter_rows(named=True):
        say(console, f"refused: {plain(row['file'])}: {plain(row['reason'] or '')}")
    say(
        console,
        f"read {count(read.height, 'file', 'files')} again, {refused.height} refused: of their "
        f"{read['rows_in'].sum():,} rows {read['kept'].sum():,} are kept now, "
        f"{read['quarantined'].sum():,} quarantined and "
        f"{read['duplicates'].sum():,} exact duplicates; values kept before were not rewritten",
    )
    return refused.height > 0 or bool(read["quarantined"].sum())


def say_missing(console: Console, error: UnrestoredError) -> None:
    """Print everything that keeps lost readings from being restored; the error itself names the first only."""
    for line in error.missing:
        say(console, f"missing: {plain(line)}")


def say_restored(console: Console, done: Restored) -> bool:
    """Print what was lost and what was restored; True where rows are lost for good."""
    for file in done.lost.iter_rows(named=True):
        of = f"{file['rows']:,} readings of {file['day']}, bucket {file['bucket']}"
        say(console, f"lost: {file['path']}: {of}: {plain(file['why'])}")
    for gap in done.gaps:
        say(console, f"taken out: {plain(gap_text(gap))}")
    looked = f"looked at {count(done.files, 'data file', 'data files')} of the readings"
    if done.lost.is_empty():
        say(console, f"{looked}: all can be read; nothing to restore")
    else:
        say(
            console,
            f"{looked}: {done.lost.height} lost; {done.rows:,} of their {done.held:,} readings restored from "
            f"{count(done.exports, 'file', 'files')} read again; `lightoff derive`, or the next night, measures them",
        )
    if done.back:
        say(console, f"{done.back:,} rows lost before are back; `lightoff derive`, or the next night, measures them")
    if done.missing:
        say(console, f"{done.missing:,} rows lost before are still missing: no file here gives them")
    if done.gaps:
        say(console, f"{done.lost_rows:,} rows are lost until `lightoff restore` finds their files; lists do without them")
    return bool(done.gaps)


def _examples(fault: Fault) -> list[str]:
    return [
        f"{plain(file)}:{line} {plain(column)} '{plain(value)}'".replace("  ", " ")
        for file, line, column, value in fault.examples
    ]
