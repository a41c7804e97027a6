"""A file that is read once more: what of it is in the lake stays as it is, only what was set apart may enter."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.exports.rejects import FAULTS, Rejects
from pipeline.tables import table

# Cells that gave way in a merge: they were usable, and are not told again by reading the file.
_MERGED = r"^(two values for one instant|took the place of another result|another result stands)"
_KEYS = ("unit_id", "ts", "day", "bucket", "source", "line")


@dataclass(frozen=True)
class Before:
    """What the lake says of a file that was read before: its ledger row, its quarantine and its spans."""

    row: dict[str, object]
    quarantine: pl.DataFrame
    spans: pl.DataFrame

    @property
    def lines(self) -> pl.Series:
        """Lines that were set apart whole; every other line is settled."""
        return self.quarantine.filter(pl.col("scope") == "row")["line"].unique()

    def obstacle(self, kind: str, rows_in: int) -> str | None:
        """Why the file cannot be read again, None where it can."""
        if kind != self.row["kind"]:
            was = self.row["kind"]
            return f"it was read as {was} before and would be {kind} now; what the lake holds of it stays"
        if rows_in != self.row["rows_in"]:
            return (
                f"it would be cut into {rows_in:,} rows and had {self.row['rows_in']:,}; "
                "what the lake holds of it stays"
            )
        return None

    def settled(self, rejects: Rejects, readings: bool) -> None:
        """Leave in ``rejects`` rows of lines that are not settled, and cells that are still empty in the lake.

        Of readings, empty cells are read again; of the small tables they are not, and stay noted.
        """
        cells = self.quarantine.filter(pl.col("scope") == "cell")
        cells = cells.filter(~pl.col("line").is_in(self.lines.implode()))
        if readings:
            cells = cells.filter(pl.col("reason").str.contains(_MERGED))
        rejects.settle(self.lines, cells.select(list(FAULTS)), keep_cells=readings)

    def counts(self, kept: int, quarantined: int, duplicates: int, quiet: bool) -> dict[str, int]:
        """Counts of the whole file from those of the lines that were not settled.

        With ``quiet`` a line may be kept without a row: an answer that says how others are read.
        """
        told = int(self.row["quarantined"]) - quarantined - duplicates if quiet else kept
        return {
            "kept": int(self.row["kept"]) + told,
            "quarantined": quarantined,
            "duplicates": int(self.row["duplicates"]) + duplicates,
        }


def befores(ledger: pl.DataFrame, quarantine: pl.DataFrame, spans: pl.DataFrame) -> dict[str, Before]:
    """Export id -> what the lake says of each file of the ledger."""
    noted = quarantine.partition_by("export_id", as_dict=True)
    held = spans.partition_by("export_id", as_dict=True)
    return {
        row["export_id"]: Before(
            row,
            noted.get((row["export_id"],), quarantine.clear()),
            held.get((row["export_id"],), spans.clear()),
        )
        for row in ledger.iter_rows(named=True)
    }


def settled_rows(rows: pl.DataFrame, again: dict[int, Before]) -> pl.Series:
    """Mask of rows (``source``, ``line``) that the lake holds already; ``again`` are files read once more."""
    settled = pl.lit(False)
    for source, before in again.items():
        settled |= (pl.col("source") == source) & ~pl.col("line").is_in(before.lines.implode())
    return rows.select(pl.int_range(pl.len()), settled=settled)["settled"]


def filled_only(new: pl.DataFrame, standing: pl.DataFrame, settled: pl.Series) -> pl.DataFrame:
    """Rows to merge where ``settled`` rows may fill empty cells of the lake and do nothing else.

    Args:
        new: rows of readings with ``source`` and ``line``.
        standing: rows of the lake in the same partitions.
        settled: mask over ``new``.
    """
    if not settled.any():
        return new
    fresh, old = new.filter(~settled), new.filter(settled)
    signals = [name for name in new.columns if name not in _KEYS]
    there = [name for name in signals if name in standing.columns]
    beside = standing.select("unit_id", "ts", *(pl.col(name).alias(f"{name}.stands") for name in there))
    old = old.join(beside, on=["unit_id", "ts"], how="inner", maintain_order="left")
    old = old.with_columns(pl.when(pl.col(f"{name}.stands").is_null()).then(name).alias(name) for name in there)
    old = old.select(new.columns).filter(pl.any_horizontal(pl.col(signals).is_not_null()))
    return pl.concat([fresh, old])


def overtaken(
    name: str, records: pl.DataFrame, standing: pl.DataFrame, again: dict[int, Before]
) -> pl.DataFrame:
    """Faults (with ``source``) of rows of the register or of work orders in whose place another row stands.

    Another part of a work order may enter beside those of its own file; what a later file says of the order may be
    the correction of that very row, so that it stays out.
    """
    key = list(table(name).key)
    lead, same = key[0], records.join(standing, on=key, how="semi").select("source", "line")
    arrived = pl.DataFrame(
        [{"source": source, "arrived": before.row["arrived_at"]} for source, before in again.items()],
        schema={"source": pl.Int32, "arrived": table(name).schema["arrived_at"]},
    )
    others = standing.select(lead, other="export_id", at="arrived_at")
    later = (
        records.join(arrived, on="source")
        .join(others, on=lead)
        .filter((pl.col("other") != pl.col("export_id")) & (pl.col("at") >= pl.col("arrived")))
        .select("source", "line")
    )
    gone = pl.concat([same, later]).unique()
    return records.join(gone, on=["source", "line"], how="semi", maintain_order="left").select(
        "source",
        "line",
        column=pl.lit(lead),
        value=pl.col(lead),
        reason=pl.lit("another row of this key stands; to replace it, send this one in a new file"),
    )


def joined_spans(old: pl.DataFrame, new: pl.DataFrame) -> pl.DataFrame:
    """Spans of one file before and now as one row a unit and day."""
    declared = table("export_spans")
    return (
        pl.concat([old, new])
        .group_by(list(declared.key))
        .agg(
            pl.col("first_line").min(),
            pl.col("last_line").max(),
            pl.col("rows").sum(),
            pl.col("first_ts").min(),
            pl.col("last_ts").max(),
            pl.col("arrived_at").max(),
        )
        .select(list(declared.columns))
    )
