"""One export file -> cleaned rows and rejects: recognised, read in batches, cleaned and counted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import PurePath

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.again import Before
from pipeline.exports.airfuel import MixtureWatch
from pipeline.exports.answers import clean_answers, statements
from pipeline.exports.clocks import ClockNotes, impossible
from pipeline.exports.events import CLEANERS
from pipeline.exports.finding import Identity
from pipeline.exports.formats import source_of
from pipeline.exports.items import Item
from pipeline.exports.kinds import Kind, recognise
from pipeline.exports.laidout import LaidOut
from pipeline.exports.layoutmodel import Layout
from pipeline.exports.lastcell import NO_END, UNSURE
from pipeline.exports.layouts import layout_for
from pipeline.exports.lines import BLOCK_BYTES
from pipeline.exports.longform import clean_long
from pipeline.exports.plausible import judged, without
from pipeline.exports.privacy import NO_KEY, VIN, guarded, guarded_records, replaced_note
from pipeline.exports.readings import Cleaned, clean_readings, wanted_types
from pipeline.exports.rejects import Rejects
from pipeline.exports.setups import SAID, setups
from pipeline.exports.sources import RawBatch, Source, one_file
from pipeline.exports.staging import Stage, Turn
from pipeline.exports.vins import Vins, masked
from pipeline.exports.translate import Translated, settle
from pipeline.exports.unsaid import with_unsaid
from pipeline.signals import signals

REFUSED = "refused"
STANDING = ("register", "work_orders")  # tables in which a later row takes the place of the one that stands
_SMALLEST_STAYS = ("onboard_tests",)  # a number cut off would stay; rows of other small tables give way to later ones


@dataclass
class Export:
    """One file of a run and what became of its rows.

    ``records`` are rows for the small tables, by table. ``quiet`` rows are kept without any: raw answers that
    say how the others are read, and rows in which a layout finds nothing that was sampled. ``notes`` are what a
    person should know of the file besides; ``file`` and ``dropped`` are masked where they hold an identification
    number. ``before`` is what the lake says of a file that is read once more. ``as_of`` and ``first_read_at`` are
    those of the ledger, see :class:`~pipeline.exports.readbefore.ReadBefore`.
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
    clocks: ClockNotes = field(default_factory=ClockNotes)
    hashed: int = 0
    before: Before | None = None
    as_of: datetime | None = None
    first_read_at: datetime | None = None


@dataclass(frozen=True)
class Door:
    """Where cleaned readings go, how days and buckets are told, who is told of rows read, and the layouts.

    ``arrived_at`` and ``first_day`` bound the instants that can be; ``vins`` hashes identification numbers.
    """

    stage: Stage | Turn
    zone: str
    buckets: int
    tick: Callable[[str, int], None]
    arrived_at: datetime
    first_day: date
    vins: Vins
    layouts: list[Layout] = field(default_factory=list)


def read_export(item: Item, source: int, identity: Identity, door: Door) -> Export:
    """Read one file; one that is no table is refused, with the reason, and leaves nothing behind.

    Args:
        source: number of the file within the run.
        identity: what was found before the file was read.
    """
    name, (export_id, size, state) = str(item), identity
    file = masked(name)
    export = Export(source, file, export_id, size, Rejects(export_id, file))
    try:
        with one_file(name):
            _read(item, export, door)
        _check_unchanged(item, state)
    except ExportError as error:
        door.stage.discard(source)
        reason = masked(_without_file(error))
        return Export(source, file, export_id, size, Rejects(export_id, file), reason=reason)
    export.notes += export.clocks.words()
    if export.hashed:
        export.notes.append(replaced_note(export.hashed))
    return export


def _read(item: Item, export: Export, door: Door) -> None:
    """Recognise, clean and count the file into ``export``; readings are staged."""
    opened = _opened(item, layout_for(PurePath(str(item)).as_posix(), door.layouts))
    if isinstance(opened, LaidOut):
        kind, dropped = opened.kind, opened.dropped
    else:
        kind, dropped = recognise(str(item), opened.names)
    export.kind = kind.name
    if VIN in kind.columns and VIN in opened.names and not door.vins.keyed:
        dropped = [name for name in dict.fromkeys(opened.names) if name in (*dropped, VIN)]
        export.notes.append(NO_KEY)
    export.dropped = [masked(name) for name in dropped]
    if kind.form == "raw":
        _read_answers(opened, kind, export, door)
    elif kind.name == "readings":
        _read_readings(opened, kind, export, door)
    else:
        _read_records(opened, kind, export, door)
    if isinstance(opened, LaidOut):
        export.dropped += [masked(name) for name in opened.unlisted]
    export.notes += [masked(note) for note in opened.notes]


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
    hide = bool(export.dropped)
    mixtures = MixtureWatch(str(opened.path))
    batches = opened.batches(wanted_types(wanted))
    for raw in batches if export.bytes <= BLOCK_BYTES else _one_ahead(batches):
        mixtures.see(raw.frame)
        batch = _guarded(raw, hide, export, door)
        _stage(export, clean(batch.frame, door.zone, door.buckets), batch, door)
    mixtures.judge()


def _read_answers(opened: Source, kind: Kind, export: Export, door: Door) -> None:
    """Read twice: what a sensor's PID means is told by answers that may stand anywhere in the file."""
    wanted = wanted_types(kind.columns)
    hide = bool(export.dropped)
    batches = (guarded(raw, hide, door.vins)[0] for raw in _one_ahead(opened.batches(wanted)))
    known = setups(pl.concat([pl.DataFrame(schema=SAID), *(statements(batch.frame) for batch in batches)]))
    unused: set[int] = set()
    for raw in _one_ahead(opened.batches(wanted)):
        batch = _guarded(raw, hide, export, door)
        told = clean_answers(batch.frame, known, door.zone, door.buckets)
        for name, records in told.records.items():
            late = impossible(records, door.arrived_at, door.first_day)
            export.rejects.add_rows(late)
            export.records.setdefault(name, []).append(without(records, late))
        export.quiet += told.quiet
        unused |= told.unused
        _stage(export, told.readings, batch, door)
    export.dropped += [f"PID_{number:02X}" for number in sorted(unused)]


def _stage(export: Export, cleaned: Cleaned, batch: RawBatch, door: Door) -> None:
    cleaned = _settled(export, cleaned, batch)
    cleaned = judged(cleaned, export.clocks, door.arrived_at, door.first_day)
    _count(export, cleaned, batch.rows_in)
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
    raw = opened.records([name for name in kind.columns if name in opened.names])
    batch = _guarded(raw, bool(export.dropped) or VIN in opened.names, export, door)
    frame, odd = guarded_records(batch.frame, door.vins)
    plain = CLEANERS[kind.name](frame, door.zone)
    cleaned = _settled(export, plain, batch)
    _count(export, cleaned, batch.rows_in)
    export.rejects.add_cells(without(odd, cleaned.rows))
    records = cleaned.frame
    if kind.name in STANDING:
        records = with_unsaid(kind.name, records, frame.columns, pl.concat([plain.cells, odd]), batch)
    if kind.name in _SMALLEST_STAYS and NO_END in opened.notes:
        last = records.filter(pl.col("line") == batch.frame["line"].max())
        unsure = last.select("line", column=pl.lit(""), value=pl.lit(""), reason=pl.lit(UNSURE))
        export.rejects.add_rows(unsure)
        records = without(records, unsure)
    if "ts" in records.columns:
        late = impossible(records, door.arrived_at, door.first_day)
        export.rejects.add_rows(late)
        records = without(records, late)
    export.records[kind.name] = [records]
    door.tick(export.file, export.rows_in)


def _guarded(raw: RawBatch, hide: bool, export: Export, door: Door) -> RawBatch:
    """The batch as it may be seen; rows set apart are noted."""
    batch, hashed = guarded(raw, hide, door.vins)
    export.rejects.add_rows(batch.rejected)
    export.hashed += hashed
    return batch


def _settled(export: Export, cleaned: Cleaned, batch: RawBatch) -> Cleaned:
    """What was cleaned, with the faults of its translation and the file's own cells in the words about it."""
    if not isinstance(batch, Translated):
        return cleaned
    export.quiet += batch.quiet
    return settle(batch, cleaned)


def _count(export: Export, cleaned: Cleaned, rows_in: int) -> None:
    export.rows_in += rows_in
    export.rejects.add_rows(cleaned.rows)
    export.rejects.add_cells(cleaned.cells, cleaned.further)


def _without_file(error: ExportError) -> str:
    """The message without the file's name, which the ledger has in a column of its own."""
    return str(error).removeprefix(error.file).lstrip(":, ")
