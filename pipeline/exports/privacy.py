"""What must not pass the door: vehicle identification numbers, and text of columns that are not kept."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipeline.exports.rejects import FAULTS
from pipeline.exports.sources import RawBatch
from pipeline.exports.vins import KEY_NAME, MASK, Vins, masked_texts

NAMES = ("unit_id", "order_id")
VIN = "vin"
NO_KEY = (
    f"column vin dropped: there is no key to hash it with; put one into the environment as {KEY_NAME}, the same "
    "for every run, and send the register again"
)
_NAME_IS_VIN = (
    "looks like a vehicle identification number, which is not kept; write the fleet's own number, or put a key "
    f"into the environment as {KEY_NAME} to keep its hash"
)
_ODD_VIN = "not a vehicle identification number of 17 characters (ISO 3779)"
_NOT_SHOWN = "not shown, the file has columns that are not kept"


def guarded(batch: RawBatch, hide: bool, vins: Vins) -> tuple[RawBatch, int]:
    """The batch without identification numbers for names, and how many rows had one that is now a hash.

    Args:
        batch: raw rows.
        hide: the file has columns that are not kept: a row that cannot be cut into cells is stored without text.
        vins: with a key a name is replaced by its hash, without one its row is set apart.
    """
    frame, replaced = batch.frame, 0
    rejected = [hidden(batch.rejected) if hide else batch.rejected]
    for name in NAMES:
        if name not in frame.columns:
            continue
        names, mask = vins.replaced(frame[name])
        if mask is None:
            continue
        if vins.keyed:
            frame = frame.with_columns(names.alias(name))
            replaced += int(mask.sum())
        else:
            lines = frame.filter(mask).select("line")
            rejected.append(
                lines.select("line", column=pl.lit(name), value=pl.lit(MASK), reason=pl.lit(_NAME_IS_VIN))
            )
            frame = frame.filter(~mask)
    return replace(batch, frame=frame, rejected=pl.concat(rejected)), replaced


def hidden(rejected: pl.DataFrame) -> pl.DataFrame:
    """Faults of rows that could not be cut into cells, with the number of their cells in place of their text."""
    cells = pl.col("reason").str.extract(r"^(\d+) cells where")
    counted = pl.format("{} cells; {}", cells, pl.lit(_NOT_SHOWN))
    shown = pl.when(cells.is_null()).then(pl.lit(_NOT_SHOWN)).otherwise(counted)
    return rejected.with_columns(value=pl.when(pl.col("column") == "").then(shown).otherwise("value"))


def guarded_records(frame: pl.DataFrame, vins: Vins) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of a small table with free text masked and ``vin`` as ``vin_hash``; cells that are no such number."""
    free = [
        name
        for name, kind in frame.schema.items()
        if kind == pl.String and name not in (*NAMES, VIN)
    ]
    frame = frame.with_columns(masked_texts(frame[name]) for name in free)
    faults = pl.DataFrame(schema=FAULTS)
    if VIN not in frame.columns:
        return frame, faults
    if vins.keyed:
        hashes, odd = vins.hashes(frame[VIN])
        faults = frame.filter(odd).select(
            "line", column=pl.lit(VIN), value=pl.lit("(not shown)"), reason=pl.lit(_ODD_VIN)
        )
        frame = frame.with_columns(vin_hash=hashes)
    return frame.drop(VIN), faults


def replaced_note(rows: int) -> str:
    """The note on names that were replaced."""
    return f"{rows:,} rows name a vehicle or an order by its identification number; kept as vin- and a hash"
