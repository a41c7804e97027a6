"""`lightoff layout`: propose a layout from one export, and check a layout against files without a lake."""

from __future__ import annotations

import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path, PurePath
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

import polars as pl
import typer

from pipeline.console import plain_console, say
from pipeline.errors import ConfigError, ExportError
from pipeline.exports.finding import find_exports, fingerprint
from pipeline.exports.items import Item
from pipeline.exports.layouts import read_layout
from pipeline.exports.proposing import Proposal, Said, propose
from pipeline.exports.reading import REFUSED, Door, Export, read_export
from pipeline.exports.sources import one_file
from pipeline.exports.staging import Stage
from pipeline.exports.vins import KEY_NAME, Vins
from pipeline.report.words import plain
from pipeline.settings import Settings, read_settings

_SHOWN_REASONS = 5

layout_app = typer.Typer(no_args_is_help=True, help="Layouts: files that are not canonical, one TOML a gateway.")
_console = plain_console()


@layout_app.command(name="propose")
def propose_command(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(help="One export of that gateway.")],
    out: Annotated[Path | None, typer.Option(help="File to write; printed if left out.")] = None,
    zone: Annotated[str, typer.Option(help="Zone of times without an offset, as UTC or Europe/Vienna.")] = "",
    order: Annotated[Literal["", "day-first", "month-first"], typer.Option(help="Order of dates.")] = "",
    decimal: Annotated[Literal["", ".", ","], typer.Option(help="Decimal mark.")] = "",
    encoding: Annotated[str, typer.Option(help="Encoding, as cp949.")] = "",
    unit_column: Annotated[str, typer.Option(help="Header of the column that names the vehicle.")] = "",
    unit_from_name: Annotated[str, typer.Option(help="Regular expression with (?P<unit>...) on the file's name.")] = "",
    stoichiometric: Annotated[float | None, typer.Option(help="Air-fuel ratio of the fuel at lambda 1.")] = None,
    canonical_units: Annotated[
        bool, typer.Option(help="Columns without a unit are in the unit of the signal (km/h, degC, g/s, ...).")
    ] = False,
) -> None:
    """Read a sample and propose a layout; what it cannot know is asked, never guessed."""
    settings = read_settings(context.obj)
    said = Said(
        order, zone, decimal, encoding, unit_column, unit_from_name, stoichiometric, canonical_units, settings.time_zone
    )
    found, _ = find_exports([file])
    if len(found) != 1:
        raise ConfigError(f"{file}: holds {len(found)} exports; name one, as {found[0]}" if found else f"{file}: no export")
    with one_file(str(found[0])):
        made = propose(found[0], said)
    tried = _tried(found[0], made, settings)
    if out is None:
        typer.echo(made.text, nl=False)
    else:
        _write(out, made.text)
        say(_console, f"layout: {out}")
    for question in made.questions:
        typer.echo(f"to decide: {plain(question)}", err=True)
    typer.echo(f"tried on {plain(PurePath(tried.file).name)}: {_balance(tried)}", err=True)


@layout_app.command(name="check")
def check_command(
    context: typer.Context,
    layout: Annotated[Path, typer.Argument(help="The layout.")],
    files: Annotated[list[Path], typer.Argument(help="Exports to read through it.")],
) -> None:
    """Read files through a layout and say what would be kept; nothing is written."""
    settings = read_settings(context.obj)
    found, _ = find_exports(files)
    refused = 0
    for item in found:
        export, spans = _read(item, layout, settings)
        refused += export.kind == REFUSED
        say(_console, f"{plain(export.file)}: {_balance(export)}")
        if export.kind == REFUSED:
            say(_console, f"  refused: {plain(export.reason or '')}")
            continue
        if spans is not None:
            first, last = (at.astimezone(UTC) for at in spans)
            local = [at.astimezone(ZoneInfo(settings.time_zone)) for at in (first, last)]
            say(_console, f"  from {first:%Y-%m-%d %H:%M:%S} to {last:%Y-%m-%d %H:%M:%S} UTC")
            say(_console, f"  which is {local[0]:%Y-%m-%d %H:%M} to {local[1]:%Y-%m-%d %H:%M} in {settings.time_zone}")
        if export.signals:
            say(_console, f"  signals: {' '.join(sorted(export.signals))}")
        reasons = export.rejects.frame().group_by("scope", "column", "reason").agg(n=pl.len(), line=pl.col("line").min())
        for row in reasons.sort("n", "line", descending=[True, False]).head(_SHOWN_REASONS).iter_rows(named=True):
            where = f" column {row['column']!r}" if row["column"] else ""
            say(_console, f"  {row['n']:,} {row['scope']}s, first at line {row['line']},{where}: {plain(row['reason'])}")
        for note in export.notes:
            say(_console, f"  note: {plain(note)}")
    if refused:
        raise typer.Exit(1)


def _tried(item: Item, made: Proposal, settings: Settings) -> Export:
    """The sample read through its own layout.

    Raises:
        ConfigError: the layout cannot be read; the message names the key.
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "proposed.toml"
        path.write_text(made.text, encoding="utf-8")
        export, _ = _read(item, path, settings)
    if export.kind == REFUSED:
        raise ExportError(export.file, f"cannot be read through the layout proposed: {export.reason}")
    return export


def _read(item: Item, path: Path, settings: Settings) -> tuple[Export, tuple[datetime, datetime] | None]:
    """One export through one layout, whatever its name, and its first and last instant."""
    layout = read_layout(path)
    name = PurePath(str(item)).name
    layout = layout.model_copy(update={"files": layout.files.model_copy(update={"match": [_literal(name)]})})
    with tempfile.TemporaryDirectory() as folder:
        spans = _Spans(Path(folder) / "stage")
        door = Door(
            spans, settings.time_zone, settings.buckets, lambda *_: None, datetime.now(UTC), settings.first_day,
            Vins(os.environ.get(KEY_NAME)), [layout],
        )  # fmt: skip
        export = read_export(item, 0, fingerprint(item), door)
    return export, (spans.first, spans.last) if spans.first is not None else None


class _Spans(Stage):
    """Forgets the rows and keeps their first and last instant."""

    first: datetime | None = None
    last: datetime | None = None

    def add(self, frame: pl.DataFrame, source: int) -> None:
        if frame.height:
            low, high = frame["ts"].min(), frame["ts"].max()
            self.first = low if self.first is None else min(self.first, low)
            self.last = high if self.last is None else max(self.last, high)


def _literal(name: str) -> str:
    """The name as a pattern of itself."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)


def _balance(export: Export) -> str:
    kept = export.rows_in - export.rejects.rows
    return f"{export.rows_in:,} rows in, {kept:,} kept, {export.rejects.rows:,} set aside"


def _write(path: Path, text: str) -> None:
    """Put the layout in place, whole; nothing is overwritten."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise ConfigError(f"{path}: is there already; choose another name or remove it") from error
    except OSError as error:
        raise ConfigError(f"{path}: cannot be written: {error.strerror}; check the folder and its rights") from error
