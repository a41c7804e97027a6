"""Restoring: partitions of the readings whose data files are damaged or gone are made again from their exports.

What the lake says of those exports stays as it is: ledger, quarantine and times of arrival, so that a list of a past week
made again is the same list. Rows that were set apart stay apart, and of two values for one instant the smaller stays again,
which quarantine tells already. What layouts, settings or this version read otherwise than before shows only where it changes
which rows, lines or signals a file gives; the number of readings of each partition is held against the table's own log.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path

import polars as pl

from pipeline.closed import closed_day
from pipeline.errors import ExportError, LakeError, UnrestoredError
from pipeline.exports.again import Before, befores, joined_spans
from pipeline.exports.finding import find_exports
from pipeline.exports.items import Item
from pipeline.exports.landing import PACKAGE_PARTITIONS, PACKAGE_ROWS, lose_spans, put_readings, regain_spans
from pipeline.exports.layouts import read_layouts
from pipeline.exports.merging import merge_readings
from pipeline.exports.outcome import IngestProgress
from pipeline.exports.readbefore import identity_of
from pipeline.exports.reading import Door, read_export
from pipeline.exports.staging import Stage
from pipeline.exports.vins import Vins, masked
from pipeline.lake import Lake, bucket_of
from pipeline.partfiles import as_written
from pipeline.settings import Settings
from pipeline.shards import readings_of
from pipeline.signals import signals
from pipeline.tables import table

_PART = ["day", "bucket"]
_ROW = ("line", "unit_id", "ts", *_PART)
# What a medium or a file system answers that knows its data to be bad; any other error may be a question of rights.
_BAD_DATA = (errno.EIO, errno.EBADMSG, errno.ENODATA, errno.EUCLEAN)
Progress = Callable[[IngestProgress], None]


@dataclass(frozen=True)
class Gap:
    """An export that does not give its rows: ``rows`` that were kept, of how many vehicles and days, and why."""

    export_id: str
    file: str
    rows: int
    units: int
    days: int
    why: str


@dataclass(frozen=True)
class Restored:
    """What was found and done: data ``files`` looked at, those ``lost`` (path, day, bucket, rows, why), files read again.

    ``held`` and ``rows`` are the readings of the lost partitions before and now. ``gaps`` are exports whose rows are lost;
    ``back`` and ``missing`` count rows lost before that are in the lake again, or still are not.
    """

    files: int
    lost: pl.DataFrame
    exports: int = 0
    held: int = 0
    rows: int = 0
    gaps: list[Gap] = field(default_factory=list)
    back: int = 0
    missing: int = 0

    @property
    def lost_rows(self) -> int:
        """Rows of exports that this run took out."""
        return sum(gap.rows for gap in self.gaps)


def restore(
    settings: Settings, lake: Lake, paths: list[Path], partly: bool = False, progress: Progress | None = None,
    vin_key: str | None = None,
) -> Restored:
    """Make lost partitions again from exports under ``paths`` and the folders of the settings; all of it or nothing.

    The caller holds :meth:`Lake.lock`.

    Args:
        partly: restore what there is; spans of rows that no export gives any more move to ``lost_spans``. Rows of such spans
            come back, with or without ``partly``, when their export is there again.
        vin_key: as for ingest.

    Raises:
        UnrestoredError: an export is not there any more or gives other rows, and ``partly`` was not asked for.
        ConfigError, ExportError: a layout is wrong; there is no such path.
        LakeError: a file of the lake can neither be read nor be told to be damaged, or the lake cannot be written.
    """
    files = lake.files("readings")
    lost = lost_files(lake, files, progress)
    parts = files.join(lost, on=_PART, how="semi").group_by(_PART).agg(pl.col("rows").sum())
    spans = _bucketed(lake.read("export_spans", where=pl.col("day").is_in(parts["day"].implode())), settings)
    spans = spans.join(parts, on=_PART, how="semi")
    before = lake.read("lost_spans", where=pl.col("day") > closed_day(lake))
    if lost.is_empty() and before.is_empty():
        return Restored(files.height, lost)
    reader = _Again(settings, lake, joined_spans(spans.drop("bucket"), before), progress, Vins(vin_key))
    try:
        reader.read(_exports(settings, lake, paths))
        gaps = _gaps(spans, reader)
        if gaps and not partly:
            raise UnrestoredError([gap_text(gap) for gap in gaps])
        back = before.filter(pl.col("export_id").is_in(list(reader.taken)))
        gone = spans.filter(pl.col("export_id").is_in([gap.export_id for gap in gaps]))
        with lake.transaction("readings", "export_spans", "lost_spans"):
            _make(lake, reader.stage, files.join(parts, on=_PART, how="anti"), parts)
            lose_spans(lake, gone.drop("bucket"))
            regain_spans(lake, back)
            made = lake.files("readings").join(parts, on=_PART, how="semi")
            _check_rows(parts.join(_bucketed(back, settings), on=_PART, how="anti"), made, gone)
    finally:
        reader.stage.clear()
    return Restored(
        files.height, lost, len(reader.taken), int(parts["rows"].sum()), int(made["rows"].sum()), gaps,
        int(back["rows"].sum()), int(before["rows"].sum() - back["rows"].sum()),
    )


def lost_files(lake: Lake, files: pl.DataFrame, progress: Progress | None = None) -> pl.DataFrame:
    """Of ``files`` (as :meth:`Lake.files`) those that cannot be read whole: path, day, bucket, rows and ``why``.

    Raises:
        LakeError: a file cannot be read for a reason that says nothing of its content.
    """
    found = []
    for number, file in enumerate(files.iter_rows(named=True), start=1):
        why = _why_lost(lake, file)
        if why is not None:
            found.append({name: file[name] for name in ("path", *_PART, "rows")} | {"why": why})
        if progress is not None:
            progress(IngestProgress("looking", file["path"], file["rows"], number, files.height))
    kinds = {name: files.schema[name] for name in ("path", *_PART, "rows")}
    return pl.DataFrame(found, schema=kinds | {"why": pl.String})


def gap_text(gap: Gap) -> str:
    """A gap in words."""
    return f"{gap.file}: {_of(gap.rows, 'row')} of {_of(gap.units, 'vehicle')} on {_of(gap.days, 'day')}: {gap.why}"


def _of(number: int, what: str) -> str:
    return f"{number:,} {what}" + ("" if number == 1 else "s")


def _why_lost(lake: Lake, file: dict[str, object]) -> str | None:
    try:
        with lake.on_disk([file["uri"]]) as (path,):
            content = Path(path).read_bytes()
    except (OSError, LakeError) as error:
        cause = error.__cause__ if isinstance(error, LakeError) else error
        if isinstance(cause, FileNotFoundError):
            return "it is gone"
        if isinstance(cause, OSError) and cause.errno in _BAD_DATA:
            return f"it cannot be read ({os.strerror(cause.errno)})"
        raise LakeError(
            f"readings file {file['uri']} cannot be looked at, so nothing was changed: {error}; check its rights and the way"
        ) from error
    if len(content) != file["bytes"]:
        return f"it has {len(content):,} bytes of {file['bytes']:,}"
    if not as_written(file["path"], content):
        return "its bytes are not those that were written"
    try:
        rows = pl.read_parquet(BytesIO(content)).height
    except (OSError, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        return f"it is damaged ({str(error).splitlines()[0]})"
    return None if file["rows"] in (rows, None) else f"it has {rows:,} readings of {file['rows']:,}"


def _exports(settings: Settings, lake: Lake, paths: list[Path]) -> list[Item]:
    """Exports under the paths named and the folders of the settings, those named first."""
    for path in paths:
        if not path.exists():
            raise ExportError(str(path), "no such file or folder; check the path")
    places = paths + [path for path in map(Path, settings.exports) if path.exists()]
    own = tuple(folder for folder in (lake.root, Path(settings.out)) if folder is not None)
    try:
        return find_exports(places, own)[0]
    except ExportError:  # every place exists, so that it says: no export in any. What is missing is named by its rows
        return []


class _Again:
    """Exports read once more: of each, the rows that the lake had kept of the vehicles and days wanted."""

    def __init__(
        self, settings: Settings, lake: Lake, wanted: pl.DataFrame, progress: Progress | None, vins: Vins
    ) -> None:
        mine = pl.col("export_id").is_in(wanted["export_id"].unique().implode())
        self.before = befores(lake.read("exports", where=mine), lake.read("quarantine", where=mine), wanted)
        self.stage = Stage(lake.scratch / "_staging")
        self.taken: set[str] = set()
        self.refused: dict[str, str] = {}
        self._settings, self._progress, self._vins = settings, progress, vins
        self._layouts = read_layouts(Path(settings.layouts)) if settings.layouts else []
        self._done, self._files = 0, 0

    def read(self, items: list[Item]) -> None:
        """Stage what is wanted of each export that is among ``items``, told by its content."""
        self._files = len(items)
        sizes = {before.row["bytes"] for before in self.before.values()}
        for source, item in enumerate(items):
            try:
                if item.member or item.state()[0] in sizes:  # the size of a member is known only when it is unpacked
                    self._take(item, source)
            except ExportError as error:  # by its name alone nobody knows whether it is one of those wanted
                self.refused[masked(str(item))] = str(error)
            self._done += 1

    def _take(self, item: Item, source: int) -> None:
        identity = identity_of(item, self._layouts)
        before = self.before.get(identity[0])
        if before is None or identity[0] in self.taken:
            return
        gate = _Gate(self.stage, before)
        # What lay in the future when the file arrived has not become true since.
        door = Door(
            gate, self._settings.time_zone, self._settings.buckets, self._tick, before.row["arrived_at"],
            self._settings.first_day, self._vins, self._layouts,
        )  # fmt: skip
        export = read_export(item, source, identity, door)
        why = export.reason or before.obstacle(export.kind, export.rows_in) or gate.lacking(export.signals)
        if why is None:
            self.taken.add(identity[0])
        else:
            self.stage.discard(source)
            self.refused[identity[0]] = why

    def _tick(self, file: str, rows: int) -> None:
        if self._progress is not None:
            self._progress(IngestProgress("reading", file, rows, self._done, self._files))


class _Gate:
    """Stands before the stage and lets in what the lake had kept of one file; counts it by vehicle and day."""

    def __init__(self, stage: Stage, before: Before) -> None:
        self._stage, self._before, self._apart = stage, before, before.lines
        self._signals = str(before.row["signals"] or "").split()
        self._told: list[pl.DataFrame] = []

    def add(self, frame: pl.DataFrame, source: int) -> None:
        """As :meth:`Stage.add`: without lines set apart, days not wanted and signals that the file was not read for."""
        sampled = [name for name in frame.columns if name in self._signals]
        rows = frame.filter(~pl.col("line").is_in(self._apart.implode()))
        rows = rows.join(self._before.spans, on=["unit_id", "day"], how="semi", maintain_order="left")
        if not sampled or rows.is_empty():
            return
        rows = rows.select(*_ROW, *sampled).filter(pl.any_horizontal(pl.col(sampled).is_not_null()))
        self._told.append(_counted(rows))
        self._stage.add(rows, source)

    def discard(self, source: int) -> None:
        """As :meth:`Stage.discard`."""
        self._stage.discard(source)

    def lacking(self, now: set[str]) -> str | None:
        """What the file no longer gives of what was kept of it: signals (``now`` are those of today), rows or lines."""
        gone = [name for name in self._signals if name not in now]
        if gone:
            return f"{', '.join(gone)} would not be read any more"
        if not self._told:
            return "none of these rows would be kept now"
        told = pl.concat(self._told).group_by("unit_id", "day").agg(
            pl.col("rows").sum(), pl.col("first_line").min(), pl.col("last_line").max(), pl.col("first_ts").min(),
            pl.col("last_ts").max(),
        )  # fmt: skip
        beside = self._before.spans.join(told, on=["unit_id", "day"], how="left", suffix="_now")
        whole = (
            (pl.col("rows_now") >= pl.col("rows"))
            & (pl.col("first_line_now") <= pl.col("first_line")) & (pl.col("last_line_now") >= pl.col("last_line"))
            & (pl.col("first_ts_now") <= pl.col("first_ts")) & (pl.col("last_ts_now") >= pl.col("last_ts"))
        )  # fmt: skip
        less = beside.filter(~whole.fill_null(False)).sort("day", "unit_id")
        if less.is_empty():
            return None
        unit, day = less.select("unit_id", "day").row(0)
        return f"other rows would be kept now, first of {unit} on {day}; look at layout, settings and the key of vehicles"


def _counted(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.group_by("unit_id", "day").agg(
        rows=pl.len().cast(pl.Int64), first_line=pl.col("line").min(), last_line=pl.col("line").max(),
        first_ts=pl.col("ts").min(), last_ts=pl.col("ts").max(),
    )  # fmt: skip


def _gaps(spans: pl.DataFrame, reader: _Again) -> list[Gap]:
    """Exports with rows in lost partitions that do not give them, most rows first."""
    absent = spans.filter(~pl.col("export_id").is_in(list(reader.taken))).group_by("export_id").agg(
        pl.col("rows").sum(), units=pl.col("unit_id").n_unique(), days=pl.col("day").n_unique()
    )  # fmt: skip
    gaps = []
    for export_id, rows, units, days in absent.sort(["rows", "export_id"], descending=[True, False]).iter_rows():
        before = reader.before.get(export_id)
        file = str(before.row["file"]) if before is not None else f"export {export_id}, which the ledger does not know"
        why = reader.refused.get(export_id) or reader.refused.get(file) or "it is not there any more"
        gaps.append(Gap(export_id, file, rows, units, days, why))
    return gaps


def _make(lake: Lake, stage: Stage, sound: pl.DataFrame, lost: pl.DataFrame) -> None:
    """Write lost partitions from what is staged, and merge rows that are back into sound ones (files of the lake)."""
    standing = sound.group_by(_PART).agg(standing=pl.col("rows").sum())
    for package in stage.packages(standing, PACKAGE_ROWS, PACKAGE_PARTITIONS):
        there = sound.join(package, on=_PART, how="semi")
        held = [readings_of(lake, there["uri"].to_list())] if there.height else []
        existing = pl.concat([table("readings").empty(), *held])
        absent = [name for name in signals() if existing[name].null_count() == existing.height]
        merged = merge_readings(existing.drop(absent), stage.read(package))
        put_readings(lake, merged.rows, package.select(_PART).to_dicts())
    empty = lost.join(stage.partitions(), on=_PART, how="anti")
    put_readings(lake, table("readings").empty(), empty.select(_PART).to_dicts())


def _check_rows(parts: pl.DataFrame, made: pl.DataFrame, gone: pl.DataFrame) -> None:
    """Each partition has as many readings as its log said, or no more where spans are ``gone``; an error undoes it all."""
    now = made.group_by(_PART).agg(now=pl.col("rows").sum())
    beside = parts.join(now, on=_PART, how="left").with_columns(pl.col("now").fill_null(0)).sort("day", "bucket")
    whole = beside.join(gone, on=_PART, how="anti").filter(pl.col("now") < pl.col("rows"))
    wrong = pl.concat([beside.filter(pl.col("now") > pl.col("rows")), whole])
    if wrong.height:
        raise UnrestoredError(
            [f"{row['day']}, bucket {row['bucket']}: {row['now']:,} readings of {row['rows']:,}" for row in wrong.to_dicts()]
        )


def _bucketed(spans: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    return spans.with_columns(bucket=bucket_of(spans["unit_id"], settings.buckets))
