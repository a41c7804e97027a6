"""Quarantine as a stage of its own: what is in it and why, and which files a second reading may help."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePath

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.again import Before, befores
from pipeline.exports.layoutmodel import Layout
from pipeline.exports.layouts import layout_for, plain_header
from pipeline.lake import Lake

EXAMPLES = 3


@dataclass(frozen=True)
class Fault:
    """One reason: rows and cells that it cost, files it stands in, and the first examples.

    ``examples`` are file, line, column and value, newest file first.
    """

    reason: str
    rows: int
    cells: int
    files: int
    examples: list[tuple[str, int, str, str]]


def faults(lake: Lake, part: str = "") -> list[Fault]:
    """Reasons in quarantine, those of the newest ingest first, then by what they cost.

    Reasons that differ only in their numbers are one. Files read but not listed cell by cell count in full.

    Args:
        part: only files whose path holds this text.
    """
    rows = lake.read("quarantine")
    if part:
        rows = rows.filter(pl.col("file").str.contains(part, literal=True))
    arrivals = lake.collect(lake.scan("exports").select("export_id", "arrived_at"))
    rows = rows.join(arrivals, on="export_id", how="left", maintain_order="left")
    further = (pl.col("line") == 0) & (pl.col("scope") == "cell")
    rows = rows.with_columns(
        kind=pl.col("reason").str.replace_all(r"-?\d+(\.\d+)?", ".."),
        lost=pl.when(further).then(pl.col("value").cast(pl.Int64, strict=False)).otherwise(1),
    )
    found = []
    ordered = rows.sort(["arrived_at", "file", "line"], descending=[True, False, False], nulls_last=True)
    for _, group in ordered.group_by("kind", maintain_order=True):
        single = group["reason"].n_unique() == 1
        whole = group["scope"] == "row"
        found.append(
            (
                group["arrived_at"].max(),
                Fault(
                    reason=group["reason" if single else "kind"][0],
                    rows=int(whole.sum()),
                    cells=int(group.filter(~whole)["lost"].sum()),
                    files=group["export_id"].n_unique(),
                    examples=group.select("file", "line", "column", "value").head(EXAMPLES).rows(),
                ),
            )
        )
    found.sort(key=lambda item: (item[0] is not None, item[0], item[1].rows, item[1].cells), reverse=True)
    return [fault for _, fault in found]


def to_read_again(lake: Lake, layouts: list[Layout]) -> dict[str, Before]:
    """Files that a second reading may help: export id -> what the lake says of each.

    Those with rows or cells in quarantine, and readings of which a column was dropped that a layout of today keeps.
    Files that were refused are not among them: they left nothing, and any run reads them again.
    """
    quarantine = lake.read("quarantine")
    ledger = lake.read("exports", where=pl.col("kind") != "refused")
    apart = set(quarantine["export_id"])
    ledger = ledger.filter(
        pl.Series([row["export_id"] in apart or _kept_now(row, layouts) for row in ledger.iter_rows(named=True)], dtype=pl.Boolean)
    )
    wanted = pl.col("export_id").is_in(ledger["export_id"].implode())
    return befores(ledger, quarantine, lake.read("export_spans", where=wanted))


def _kept_now(row: dict[str, object], layouts: list[Layout]) -> bool:
    """Whether a layout keeps a column, or a signal of a long file, that was dropped when the readings were read."""
    if row["kind"] != "readings" or not row["dropped"]:
        return False
    try:
        layout = layout_for(PurePath(str(row["file"])).as_posix(), layouts)
    except ExportError:  # two layouts: reading the file would refuse it
        return False
    if layout is None:
        return False
    # The ledger parts names by blanks, and writes those within a name as "_".
    kept = {"_".join(plain_header(header).split()) for header in (*layout.columns, *layout.signals)}
    return not kept.isdisjoint(plain_header(name) for name in str(row["dropped"]).split())
