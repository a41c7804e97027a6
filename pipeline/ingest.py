"""Data acquisition: export files -> readings, codes, onboard_tests, register, work_orders and the ledger."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl

from pipeline.closed import closed_day, late_rows
from pipeline.errors import RESTORE, ConfigError, ExportError
from pipeline.exports.again import Before, filled_only, joined_spans, settled_rows
from pipeline.exports.ahead import AT_ONCE, Ahead
from pipeline.exports.finding import Identity, find_exports, why_ignored
from pipeline.exports.items import Item
from pipeline.exports.landing import PACKAGE_PARTITIONS, PACKAGE_ROWS, add_spans, put_readings, put_spans
from pipeline.exports.layouts import read_layouts
from pipeline.exports.merging import Merged, merge_readings
from pipeline.exports.names import alike
from pipeline.exports.outcome import (
    TALLY,
    IngestProgress,
    IngestSummary,
    ledger,
    ledger_frame,
    signed,
    spans_of,
    summary_line,
    tally,
)
from pipeline.exports.readbefore import ReadBefore, identity_of
from pipeline.exports.reading import REFUSED, Door, Export, read_export
from pipeline.exports.staging import Stage
from pipeline.exports.standing import merge_small
from pipeline.exports.unsaid import UNSAID
from pipeline.exports.vins import Vins, masked
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.signals import signals
from pipeline.tables import table

GROUP_ROWS = 20_000_000  # readings committed together; bounds what a stopped run has to read again

_SMALL = ("codes", "onboard_tests", "register", "work_orders")
_TABLES = ("readings", *_SMALL, "export_spans", "quarantine", "exports")


def ingest(
    settings: Settings,
    lake: Lake,
    paths: list[Path],
    arrived_at: datetime,
    progress: Callable[[IngestProgress], None] | None = None,
    vin_key: str | None = None,
    again: dict[str, Before] | None = None,
) -> IngestSummary:
    """Read every export under ``paths`` that the ledger does not know yet.

    The caller holds :meth:`Lake.lock`. Files are taken in the order in which they were changed, those changed
    together in that of their names, and committed in groups, all tables of a group together or not at all.

    Args:
        vin_key: secret with which vehicle identification numbers are hashed; without one they are not kept.
        again: read only these exports, and those refused before, once more: export id -> what the lake says of
            it. What the lake holds of them is not rewritten; everything is committed together.

    Raises:
        ConfigError: the lake was begun with another time zone or bucket number; ``arrived_at`` has no zone; a
            layout is wrong.
        ExportError: there is no export file under ``paths``.
        LakeError: the lake cannot be written, or the rows of a file do not add up.
    """
    if arrived_at.tzinfo is None:
        raise ConfigError("the time of arrival needs a time zone")
    own = tuple(folder for folder in (lake.root, Path(settings.out)) if folder is not None)
    found, ignored = find_exports(paths, own)
    lake.settle(settings.time_zone, settings.buckets)
    run = _Run(settings, lake, arrived_at.astimezone(UTC), len(found), progress, Vins(vin_key), again)
    try:
        for item in found:
            run.take(item)
        run.publish()
    finally:
        run.close()
    lines = run.lines + [
        {"file": masked(str(item)), "status": "ignored", "kind": "", "reason": why_ignored(item, own)}
        for item in ignored
    ]
    return IngestSummary.of(lines, *run.names())


class _Run:
    """Files read but not yet committed, and the lines of the summary so far."""

    def __init__(
        self,
        settings: Settings,
        lake: Lake,
        arrived_at: datetime,
        files: int,
        progress: Callable[[IngestProgress], None] | None,
        vins: Vins,
        again: dict[str, Before] | None,
    ) -> None:
        self._lake, self._arrived_at, self._files, self._progress = lake, arrived_at, files, progress
        self._done = 0
        self._stage = Stage(lake.scratch / "_staging")
        layouts = read_layouts(Path(settings.layouts)) if settings.layouts else []
        self._door = Door(
            self._stage, settings.time_zone, settings.buckets, self._tick, arrived_at, settings.first_day, vins,
            layouts,
        )
        self._ahead = Ahead(self._door)
        self._again = again
        self._units: set[str] = set()
        self._before = ReadBefore(lake.collect(lake.scan("exports").select("export_id", "kind", "as_of", "arrived_at")))
        self._changed: dict[str, int] = {}  # export id -> time of change (ns) of the file it is read from
        self._exports: list[Export] = []
        self.lines: list[dict[str, object]] = []

    def take(self, item: Item) -> None:
        """Read one file unless its content has been read; commit when enough has come together."""
        try:
            identity = identity_of(item, self._door.layouts)
        except ExportError as error:
            self._say(item, REFUSED, kind=REFUSED, reason=masked(str(error)))
            return
        if self._again is not None:
            self._take_again(item, identity)
            return
        if identity[0] in self._ahead:
            self._settle(most=0)  # the same content: already read, unless that file is refused
        if identity[0] in self._before.known:
            self._take_known(item, identity)
        else:
            self._changed[identity[0]] = identity.state[1]
            self._ahead.submit(item, len(self._exports) + len(self._ahead), identity)
            self._settle(most=AT_ONCE)
        if self._stage.rows >= GROUP_ROWS:
            self.publish()

    def _settle(self, most: int) -> None:
        """Take the files being read, in their order, until so many are left."""
        while len(self._ahead) > most:
            export = self._ahead.take()
            self._done += 1
            self._append(export)

    def _append(self, export: Export) -> None:
        self._exports.append(export)
        self._before.note(export, self._changed[export.export_id], self._arrived_at)

    def _take_known(self, item: Item, identity: Identity) -> None:
        """Skip content that was read, unless it comes again after another has taken its place."""
        kind = self._before.kind(identity[0])
        if kind is not None:
            self._settle(most=0)  # what is being read may be of its kind
        if kind is None or not self._before.speaks_again(identity[0], identity.state[1]):
            self._say(item, "already read", export_id=identity[0])
            return
        if identity[0] in {export.export_id for export in self._exports}:
            self.publish()
        export = read_export(item, len(self._exports), identity, self._door)
        if export.kind != kind:
            self._stage.discard(len(self._exports))
            why = export.reason or f"it was read as {kind} before and would be {export.kind} now; what the lake holds stays"
            self._say(item, REFUSED, kind=REFUSED, reason=why)
            return
        self._done += 1
        self._changed[identity[0]] = identity.state[1]
        self._append(export)

    def _take_again(self, item: Item, identity: Identity) -> None:
        """Read one file once more if it is one of those wanted."""
        before = (self._again or {}).get(identity[0])
        taken = identity[0] in {export.export_id for export in self._exports}
        if taken or (before is None and identity[0] not in self._before.refused):
            known = identity[0] in self._before.known
            self._say(item, "already read" if known else "ignored", export_id=identity[0])
            return
        self._changed[identity[0]] = identity.state[1]
        # What lay in the future when the file arrived has not become true since.
        door = replace(self._door, arrived_at=before.row["arrived_at"]) if before is not None else self._door
        export = read_export(item, len(self._exports), identity, door)
        if before is not None:
            why = export.reason or before.obstacle(export.kind, export.rows_in)
            if why is not None:
                self._stage.discard(len(self._exports))
                self._say(item, REFUSED, kind=REFUSED, reason=why)
                return
            export.before = before
            before.settled(export.rejects, readings=export.kind == "readings")
            for name, parts in export.records.items():
                wanted = pl.col("line").is_in(before.lines.implode())
                export.records[name] = [part.filter(wanted) for part in parts]
        self._done += 1
        self._append(export)

    def _say(self, item: Item, status: str, **more: object) -> None:
        self._done += 1
        self.lines.append({"file": masked(str(item)), "status": status, **more})

    def names(self) -> tuple[list[tuple[str, ...]], list[str]]:
        """Vehicle numbers of this run that look like others, and those that the register does not know."""
        if not self._units:
            return [], []
        known = [
            self._lake.collect(self._lake.scan(told).select(pl.col("unit_id").unique()))["unit_id"]
            for told in ("export_spans", *_SMALL)
        ]
        registered = set(known[1 + _SMALL.index("register")])
        return alike(pl.concat(known).to_list(), self._units), sorted(self._units - registered)

    def publish(self) -> None:
        """Commit everything taken so far."""
        self._settle(most=0)
        if not self._exports:
            return
        with self._lake.transaction(*_TABLES):
            outcomes = [self._merge_records(name) for name in _SMALL]
            fates, spans = self._merge_readings()
            rows = ledger(self._exports, pl.concat([fates, *outcomes]), self._arrived_at)
            rejects = pl.concat([export.rejects.frame() for export in self._exports])
            again = self._read_again()
            self._note_names(spans)
            if again:
                self._put_again(spans, rejects, again)
            else:
                add_spans(self._lake, spans)
                if rejects.height:
                    self._lake.append("quarantine", rejects)
            self._write_ledger(rows)
        self.lines += [summary_line(row) for row in rows]
        self._stage.clear()
        self._exports = []

    def _read_again(self) -> list[str]:
        """Ids of the files at hand that the ledger says were read before."""
        return [export.export_id for export in self._exports if export.before or export.first_read_at]

    def _put_again(self, spans: pl.DataFrame, rejects: pl.DataFrame, read: list[str]) -> None:
        """Replace what two tables say of the files read before."""
        held = [export.before.spans for export in self._exports if export.before is not None]
        put_spans(self._lake, joined_spans(pl.concat([spans.clear(), *held]), spans), read)
        others = self._lake.read("quarantine", where=~pl.col("export_id").is_in(read))
        self._lake.overwrite("quarantine", pl.concat([others, rejects]))

    def _note_names(self, spans: pl.DataFrame) -> None:
        self._units |= set(spans["unit_id"].unique())
        for export in self._exports:
            for records in (part for parts in export.records.values() for part in parts):
                self._units |= set(records["unit_id"].unique())

    def close(self) -> None:
        """Stop reading and remove what is staged."""
        self._ahead.close()
        self._stage.clear()

    def _tick(self, file: str, rows: int, doing: str = "reading") -> None:
        if self._progress is not None:
            self._progress(IngestProgress(doing, file, rows, self._done, self._files))

    # -- readings --------------------------------------------------------------------------------------------

    def _merge_readings(self) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Merge package by package; the counts by source and fate, and the spans.

        One package is written while the next is merged: they have no partition in common.
        """
        fates, spans = [pl.DataFrame(schema=TALLY)], [table("export_spans").empty()]
        again = {export.source: export.before for export in self._exports if export.before is not None}
        closed = closed_day(self._lake)
        with ThreadPoolExecutor(max_workers=1) as writer:
            writing: Future[None] | None = None
            opened = (self._open_days(whole, closed, again) for whole in self._packages())
            for package in (some for some in opened if some.height):
                self._tick("", int(package["rows"].sum()), doing="merging")
                standing, new = self._standing(package), self._stage.read(package)
                settled = settled_rows(new, again)
                merged = merge_readings(standing, filled_only(new, standing, settled))
                self._note(merged)
                told = merged.fates
                if settled.any():
                    # A cell filled later belongs to a day that is known later; its row counts already.
                    mask = settled_rows(told, again)
                    filled = self._spans(told.filter(mask & told["changes"]))
                    spans.append(filled.with_columns(rows=pl.lit(0, pl.Int64)))
                    told = told.filter(~mask)
                fates.append(tally(told))
                spans.append(self._spans(told))
                if writing is not None:
                    writing.result()
                writing = writer.submit(self._write, merged, package.height)
            if writing is not None:
                writing.result()
        return pl.concat(fates), pl.concat(spans)

    def _write(self, merged: Merged, partitions: int) -> None:
        """Write the partitions, of those merged, that say something else than before."""
        changed = merged.fates.filter("changes").select("day", "bucket").unique()
        if not changed.height:
            return
        rows = merged.rows
        if changed.height < partitions:
            rows = rows.join(changed, on=["day", "bucket"], how="semi", maintain_order="left")
        put_readings(self._lake, rows, changed.to_dicts())

    def _packages(self) -> list[pl.DataFrame]:
        """Partitions with new rows, cut so that a package is bounded."""
        standing = self._lake.files("readings").group_by("day", "bucket").agg(standing=pl.col("rows").sum())
        return self._stage.packages(standing, PACKAGE_ROWS, PACKAGE_PARTITIONS)

    def _open_days(self, package: pl.DataFrame, closed: date, again: dict[int, Before]) -> pl.DataFrame:
        """The package without days that are closed; the rows of those go to quarantine."""
        late = package.filter(pl.col("day") <= closed)
        if late.height:
            rows = self._stage.read(late)
            for source, faults in late_rows(rows.filter(~settled_rows(rows, again)), closed):
                self._exports[source].rejects.add_rows(faults)
        return package.filter(pl.col("day") > closed)

    def _standing(self, package: pl.DataFrame) -> pl.DataFrame:
        """Rows that the lake holds in the partitions of a package, without the signals it never sampled."""
        present = package.filter(pl.col("standing").is_not_null())
        if not present.height:
            return table("readings").empty()
        wanted = [
            (pl.col("bucket") == bucket) & pl.col("day").is_in(days["day"].to_list())
            for (bucket,), days in present.group_by("bucket", maintain_order=True)
        ]
        rows = self._lake.collect(self._lake.scan("readings").filter(pl.any_horizontal(wanted)), RESTORE)
        return rows.drop(name for name in signals() if rows[name].null_count() == rows.height)

    def _spans(self, fates: pl.DataFrame) -> pl.DataFrame:
        return self._signed(spans_of(fates), "export_spans")

    # -- small tables ----------------------------------------------------------------------------------------

    def _merge_records(self, name: str) -> pl.DataFrame:
        """Merge one small table; the counts by source and fate."""
        parts = [
            records.with_columns(source=pl.lit(export.source, dtype=pl.Int32))
            for export in self._exports
            for records in export.records.get(name, [])
            if records.height
        ]
        if not parts:
            return pl.DataFrame(schema=TALLY)
        new = pl.concat(parts, how="diagonal")  # answers and tables have their columns in different orders
        new = self._signed(new, name, keep=("source", *(column for column in (UNSAID,) if column in new.columns)))
        again = {export.source: export.before for export in self._exports if export.before is not None}
        key = list(table(name).key)
        lead = "ts" if "ts" in key else key[0]
        standing = self._lake.read(name, where=pl.col(lead).is_in(new[lead].unique().to_list()))
        merged, gone = merge_small(name, standing, new, again)
        added = merged.rows.join(standing, on=key, how="anti")
        untouched = merged.rows.join(standing, on=[*key, "export_id", "line"], how="semi")
        if added.height + untouched.height < merged.rows.height:
            others = self._lake.read(name).join(merged.rows, on=key, how="anti")
            self._lake.overwrite(name, pl.concat([others, merged.rows]))
        elif added.height:
            self._lake.append(name, added)
        for (source,), faults in gone.group_by("source", maintain_order=True):
            self._exports[source].rejects.add_rows(faults.drop("source"))
        self._note(merged)
        return tally(merged.fates)

    # -- ledger ----------------------------------------------------------------------------------------------

    def _note(self, merged: Merged) -> None:
        """Hand rows and cells that gave way in a merge to the quarantine of their files."""
        for (source,), faults in merged.cells.group_by("source", maintain_order=True):
            self._exports[source].rejects.add_cells(faults.drop("source"))
        for source, column, count in merged.further:
            self._exports[source].rejects.add_cells(merged.cells.clear().drop("source"), {column: count})
        for (source,), faults in merged.lost.group_by("source", maintain_order=True):
            self._exports[source].rejects.add_rows(faults.drop("source"))

    def _write_ledger(self, rows: list[dict[str, object]]) -> None:
        """Append to the ledger; the row of a file that was refused, or is read once more, is replaced."""
        frame = ledger_frame(rows)
        again = (self._before.refused | set(self._read_again())).intersection(frame["export_id"])
        if again:
            others = self._lake.read("exports").filter(~pl.col("export_id").is_in(list(again)))
            self._lake.overwrite("exports", pl.concat([others, frame]))
        else:
            self._lake.append("exports", frame)
        self._before.refused |= set(frame.filter(pl.col("kind") == REFUSED)["export_id"])

    def _signed(self, rows: pl.DataFrame, made: str, keep: tuple[str, ...] = ()) -> pl.DataFrame:
        return signed(rows, made, [export.export_id for export in self._exports], self._arrived_at, keep)
