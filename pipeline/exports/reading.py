"""One export file -> cleaned rows and rejects: recognised, read in batches, cleaned and counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import PurePath

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.airfuel import MixtureWatch
from pipeline.exports.answers import clean_answers, statements
from pipeline.exports.events import CLEANERS
from pipeline.exports.finding import Identity
from pipeline.exports.formats import source_of
from pipeline.exports.items import Item
from pipeline.exports.kinds import Kind, recognise
from pipeline.exports.laidout import LaidOut
from pipeline.exports.layoutmodel import Layout
from pipeline.exports.layouts import layout_for
from pipeline.exports.longform import clean_long
from pipeline.exports.readings import Cleaned, clean_readings, wanted_types
from pipeline.exports.rejects import Rejects
from pipeline.exports.setups import SAID, setups
from pipeline.exports.sources import RawBatch, Source
from pipeline.exports.staging import Stage
from pipeline.exports.translate import Translated, settle
from pipeline.signals import signals

REFUSED = "refused"


@dataclass
class Export:
    """One file of a run and what became of its rows.

    ``records`` are rows for the small tables, by table. ``quiet`` rows are kept without any: raw answers that
    say how the others are read, and rows in which a layout finds nothing that was sampled. ``notes`` are things
    said about the file that cost no row.
    """

    source: int
    file: str
    export_id: str
    bytes: int
    rejects: Rejects
    kind: str = REFUSED
    rows_in: int = 0
    signals: set[str] = field(default_factory=set)
    dropped: list[str] = field(default_factory=list)
    reason: str | None = None
    records: dict[str, list[pl.DataFrame]] = field(default_factory=dict)
    quiet: int = 0
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Door:
    """Where cleaned readings go, how days and buckets are told, who is told of rows read, and the layouts."""

    stage: Stage
    zone: str
    buckets: int
    tick: Callable[[str, int], None]
    layouts: list[Layout] = field(default_factory=list)


def read_export(item: Item, source: int, identity: Identity, door: Door) -> Export:
    """Read one file; one that is no table is refused, with the reason, and leaves nothing behind.

    Args:
        source: number of the file within the run.
        identity: what was found before the file was read.
    """
    file, (export_id, size, state) = str(item), identity
    export = Export(source, file, export_id, size, Rejects(export_id, file))
    try:
        layout = layout_for(PurePath(file).as_posix(), door.layouts)
        opened = _opened(item, layout)
        if isinstance(opened, LaidOut):
            kind, export.dropped = opened.kind, opened.dropped
        else:
            kind, export.dropped = recognise(file, opened.names)
        export.kind = kind.name
        if kind.form == "raw":
            _read_answers(opened, kind, export, door)
        elif kind.name == "readings":
            _read_readings(opened, kind, export, door)
        else:
            _read_records(opened, kind, export, door)
        if isinstance(opened, LaidOut):
            export.dropped = [*export.dropped, *opened.unlisted]
        export.notes += opened.notes
        _check_unchanged(item, state)
    except ExportError as error:
        door.stage.discard(source)
        return Export(source, file, export_id, size, Rejects(export_id, file), reason=_without_file(error))
    return export


def _check_unchanged(item: Item, state: tuple[int, int]) -> None:
    """A gateway may still be writing the file."""
    if item.state() != state:
        raise ExportError(str(item), "the file changed while it was read; it is read again on the next run")


def _opened(item: Item, layout: Layout | None) -> Source:
    if layout is None:
        return source_of(item)
    return LaidOut(source_of(item, layout.text_form), layout, PurePath(str(item)).as_posix())


def _read_readings(opened: Source, kind: Kind, export: Export, door: Door) -> None:
    wanted = tuple(name for name in kind.columns if name in opened.names)
    clean = clean_long if kind.form == "long" else clean_readings
    mixtures = MixtureWatch(export.file)
    for batch in _one_ahead(opened.batches(wanted_types(wanted))):
        mixtures.see(batch.frame)
        _stage(export, clean(batch.frame, door.zone, door.buckets), batch, door)
    mixtures.judge()


def _read_answers(opened: Source, kind: Kind, export: Export, door: Door) -> None:
    """Read twice: what a sensor's PID means is told by answers that may stand anywhere in the file."""
    wanted = wanted_types(kind.columns)
    batches = _one_ahead(opened.batches(wanted))
    known = setups(pl.concat([pl.DataFrame(schema=SAID), *(statements(batch.frame) for batch in batches)]))
    unused: set[int] = set()
    for batch in _one_ahead(opened.batches(wanted)):
        told = clean_answers(batch.frame, known, door.zone, door.buckets)
        for name, records in told.records.items():
            export.records.setdefault(name, []).append(records)
        export.quiet += told.quiet
        unused |= told.unused
        _stage(export, told.readings, batch, door)
    export.dropped += [f"PID_{number:02X}" for number in sorted(unused)]


def _stage(export: Export, cleaned: Cleaned, batch: RawBatch, door: Door) -> None:
    _count(export, cleaned, batch)
    export.signals |= set(cleaned.frame.columns) & set(signals())
    door.stage.add(cleaned.frame, export.source)
    door.tick(export.file, export.rows_in)


def _one_ahead(batches: Iterator[RawBatch]) -> Iterator[RawBatch]:
    """The batches; the next is read while this one is cleaned."""
    with ThreadPoolExecutor(max_workers=1) as reader:
        coming = reader.submit(next, batches, None)
        while (batch := coming.result()) is not None:
            coming = reader.submit(next, batches, None)
            yield batch


def _read_records(opened: Source, kind: Kind, export: Export, door: Door) -> None:
    batch = opened.records([name for name in kind.columns if name in opened.names])
    cleaned = CLEANERS[kind.name](batch.frame)
    _count(export, cleaned, batch)
    export.records[kind.name] = [cleaned.frame]
    door.tick(export.file, export.rows_in)


def _count(export: Export, cleaned: Cleaned, batch: RawBatch) -> None:
    export.rows_in += batch.rows_in
    if isinstance(batch, Translated):
        cleaned = settle(batch, cleaned)
        export.quiet += batch.quiet
    export.rejects.add_rows(batch.rejected)
    export.rejects.add_rows(cleaned.rows)
    export.rejects.add_cells(cleaned.cells, cleaned.further)


def _without_file(error: ExportError) -> str:
    """The message without the file's name, which the ledger has in a column of its own."""
    return str(error).removeprefix(error.file).lstrip(":, ")
