"""Cells of small tables of which a file says nothing: its column is not there, or what stood there was set apart."""

from __future__ import annotations

import polars as pl

from pipeline.exports.privacy import VIN
from pipeline.exports.sources import RawBatch
from pipeline.exports.translate import Translated
from pipeline.tables import table

UNSAID = "unsaid"  # column of records in hand: names of such columns, row by row
_DAY = "in_service_on"  # the one day that a layout may take from its [time] and that need not be there
_KEPT_AS = {VIN: "vin_hash"}


def with_unsaid(
    name: str, records: pl.DataFrame, present: list[str], cells: pl.DataFrame, batch: RawBatch
) -> pl.DataFrame:
    """The records with the columns, row by row, that an empty cell says nothing of.

    Args:
        name: table of the records.
        present: canonical columns of the file.
        cells: faults of cells (``line``, ``column``) in canonical words.
        batch: the rows as read; what its translation could not read is in the file's own words.
    """
    declared = table(name)
    content = [column for column in declared.columns if column not in (*declared.key, *declared.provenance)]
    absent = [column for column in content if column not in present]
    faults = [cells.select("line", column=pl.col("column").replace(_KEPT_AS))]
    if isinstance(batch, Translated):
        meant = {named.header: column for column, named in batch.named.items()}
        translated = pl.col("column").replace_strict(meant, default=_DAY, return_dtype=pl.String)
        faults.append(batch.faults.select("line", column=translated))
    apart = pl.concat(faults).group_by("line").agg(pl.col("column").unique(maintain_order=True).alias(UNSAID))
    nowhere = pl.lit(absent, dtype=pl.List(pl.String))
    records = records.join(apart, on="line", how="left", maintain_order="left")
    return records.with_columns(pl.col(UNSAID).fill_null([]).list.concat(nowhere))


def filled(rows: pl.DataFrame, key: list[str], content: list[str]) -> pl.DataFrame:
    """Rows sorted by ``key`` in the order in which they came, a cell of which nothing is said as in the row before."""
    if not rows[UNSAID].list.len().sum():
        return rows.drop(UNSAID)
    rows = rows.with_row_index("place")
    for name in content:
        said = pl.when(~pl.col(UNSAID).list.contains(name)).then(pl.col("place"))
        rows = rows.with_columns(pl.col(name).gather(said.forward_fill().over(key)))
    return rows.drop("place", UNSAID)
