"""What became of every file of a run: progress, ledger rows that add up, and the summary."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import polars as pl

from pipeline.errors import LakeError
from pipeline.exports.merging import FATES
from pipeline.exports.reading import REFUSED, Export
from pipeline.signals import signals
from pipeline.tables import table

_INSTANT = pl.Datetime("us", "UTC")
_COUNTS = ("rows_in", "kept", "quarantined", "duplicates")
_FILES = {
    "file": pl.String,
    "status": pl.String,
    "export_id": pl.String,
    "kind": pl.String,
    **{count: pl.Int64 for count in _COUNTS},
    "first_ts": _INSTANT,
    "last_ts": _INSTANT,
    "signals": pl.String,
    "dropped": pl.String,
    "reason": pl.String,
    "notes": pl.String,
}
TALLY = {"source": pl.Int32, "fate": FATES, "rows": pl.Int64, "first_ts": _INSTANT, "last_ts": _INSTANT}


@dataclass(frozen=True)
class IngestProgress:
    """How far a run is: ``doing`` is ``reading`` or ``merging``; ``rows`` of the file read, or merged."""

    doing: str
    file: str
    rows: int
    files_done: int
    files: int


@dataclass(frozen=True)
class IngestSummary:
    """What became of every file.

    ``files`` has one row a file; ``status`` is ``read``, ``already read`` (its content is in the ledger; its
    counts are null), ``refused`` or ``ignored``. ``alike`` are groups of vehicle numbers, of which one at least
    was read in this run, that look alike; ``unknown`` those read that the register does not know.
    """

    files: pl.DataFrame
    alike: list[tuple[str, ...]] = field(default_factory=list)
    unknown: list[str] = field(default_factory=list)

    @classmethod
    def of(
        cls,
        lines: list[dict[str, object]],
        alike: list[tuple[str, ...]] | None = None,
        unknown: list[str] | None = None,
    ) -> IngestSummary:
        """The summary of these lines; what a line does not say is null."""
        files = pl.DataFrame(lines, schema=_FILES).sort("file", maintain_order=True)
        return cls(files, alike or [], unknown or [])

    @property
    def totals(self) -> dict[str, int]:
        """Files by status, and ``rows_in`` = ``kept`` + ``quarantined`` + ``duplicates`` of those read."""
        counts = {
            status: self.files.filter(pl.col("status") == status).height
            for status in ("read", "already read", "refused", "ignored")
        }
        return counts | self.files.select(pl.col(*_COUNTS).sum()).row(0, named=True)


def tally(fates: pl.DataFrame) -> pl.DataFrame:
    """Rows and first and last instant by source and fate."""
    moment = pl.col("ts") if "ts" in fates.columns else pl.lit(None, dtype=_INSTANT)
    return fates.group_by("source", "fate").agg(
        rows=pl.len().cast(pl.Int64), first_ts=moment.min(), last_ts=moment.max()
    )


def spans_of(fates: pl.DataFrame) -> pl.DataFrame:
    """Lines and instants of the rows kept, by source, unit and day."""
    return (
        fates.filter(pl.col("fate") == "kept")
        .group_by("source", "unit_id", "day")
        .agg(
            first_line=pl.col("line").min(),
            last_line=pl.col("line").max(),
            rows=pl.len().cast(pl.Int64),
            first_ts=pl.col("ts").min(),
            last_ts=pl.col("ts").max(),
        )
    )


def signed(
    rows: pl.DataFrame, name: str, export_ids: list[str], arrived_at: datetime, keep: tuple[str, ...] = ()
) -> pl.DataFrame:
    """The rows with the provenance that table ``name`` declares, in its columns and types.

    Args:
        rows: with ``source``, the place of a row's file in ``export_ids``.
        keep: columns that stay besides.
    """
    ids = pl.Series(export_ids, dtype=pl.String)
    known = rows.with_columns(export_id=ids.gather(rows["source"]), arrived_at=pl.lit(arrived_at))
    schema = table(name).schema
    known = known.with_columns(pl.lit(None).alias(column) for column in schema if column not in known.columns)
    return known.select(*(pl.col(column).cast(kind) for column, kind in schema.items()), *keep)


def ledger(exports: list[Export], tallies: pl.DataFrame, arrived_at: datetime) -> list[dict[str, object]]:
    """One row of table ``exports`` for each file.

    Raises:
        LakeError: the rows of a file differ from those kept, quarantined and duplicate.
    """
    counts = tallies.group_by("source", "fate").agg(
        pl.col("rows").sum(), pl.col("first_ts").min(), pl.col("last_ts").max()
    )
    by_fate = {(row["source"], row["fate"]): row for row in counts.to_dicts()}
    rows = []
    for export in exports:
        kept = by_fate.get((export.source, "kept"), {"rows": 0, "first_ts": None, "last_ts": None})
        duplicates = by_fate.get((export.source, "duplicate"), {"rows": 0})["rows"]
        quarantined = export.rejects.rows
        kept_rows = kept["rows"] + export.quiet
        if export.before is not None:
            told = export.before.counts(kept_rows, quarantined, duplicates, quiet=export.quiet > 0)
            kept_rows, duplicates = told["kept"], told["duplicates"]
        if export.rows_in != kept_rows + quarantined + duplicates:
            raise LakeError(
                f"{export.file}: {export.rows_in} rows in, but {kept_rows} kept, {quarantined} "
                f"quarantined and {duplicates} duplicates; nothing of this group was committed"
            )
        first_ts, last_ts, first_seen = kept["first_ts"], kept["last_ts"], export.first_read_at or arrived_at
        if export.before is None and export.first_read_at is not None:
            export.notes.append(f"sent again after another had taken its place, merged once more on {arrived_at:%Y-%m-%d}")
        if export.before is not None:
            row = export.before.row
            first_ts, last_ts = _earliest(row["first_ts"], first_ts), _latest(row["last_ts"], last_ts)
            first_seen = row["arrived_at"]
            export.notes.append(
                f"read again on {arrived_at:%Y-%m-%d}: {kept_rows - row['kept']:,} more rows kept, "
                f"{quarantined:,} of {row['quarantined']:,} still quarantined"
            )
        rows.append(
            {
                "export_id": export.export_id,
                "file": export.file,
                "kind": export.kind,
                "bytes": export.bytes,
                "rows_in": export.rows_in,
                "kept": kept_rows,
                "quarantined": quarantined,
                "duplicates": duplicates,
                "first_ts": first_ts,
                "last_ts": last_ts,
                "signals": " ".join(name for name in signals() if name in export.signals),
                "dropped": " ".join("_".join(name.split()) for name in export.dropped),
                "reason": export.reason,
                "notes": "; ".join(dict.fromkeys(export.notes)) or None,
                "as_of": export.as_of if export.before is None else export.before.row["as_of"],
                # A list made again counts history from the first arrival: it stays that of the first reading.
                "arrived_at": first_seen,
            }
        )
    return rows


def _earliest(*instants: datetime | None) -> datetime | None:
    return min((instant for instant in instants if instant is not None), default=None)


def _latest(*instants: datetime | None) -> datetime | None:
    return max((instant for instant in instants if instant is not None), default=None)


def ledger_frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    """Table ``exports`` of these rows; of two files with one content the one taken last is named."""
    return pl.DataFrame(rows, schema=table("exports").schema).unique(
        "export_id", keep="last", maintain_order=True
    )


def summary_line(row: dict[str, object]) -> dict[str, object]:
    """A ledger row as a line of the summary."""
    status = REFUSED if row["kind"] == REFUSED else "read"
    return {name: row[name] for name in _FILES if name in row} | {"status": status}
