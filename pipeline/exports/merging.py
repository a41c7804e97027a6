"""Merging of readings of one unit and instant into one row.

A signal sampled in one row and empty in another is filled; of two different values the smaller stays. Both
are the minimum of what was sampled, so the rule is commutative, associative and idempotent: neither the order
of files and lines nor the way in which rows are split into files changes the outcome.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.exports.rejects import FAULTS, MOST_CELLS

LAKE = -1  # source number of rows that are in the lake already
FATES = pl.Enum(["kept", "duplicate", "lost"])
FAULT_TYPES = {"source": pl.Int32} | FAULTS
_KEYS = ["unit_id", "ts", "day", "bucket"]


@dataclass(frozen=True)
class Merged:
    """Outcome of a merge.

    ``rows`` is what the lake is to hold. ``fates`` has every new row: ``source``, ``line``, its keys,
    ``fate`` (kept, duplicate or lost) and ``changes`` (whether the lake says something else because of it).
    ``cells`` and ``lost`` say which cells, or whole rows, gave way: ``source`` and the columns of a fault.
    ``further`` counts like cells that are not listed: ``source``, ``column``, ``count``.
    """

    rows: pl.DataFrame
    fates: pl.DataFrame
    cells: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FAULT_TYPES))
    lost: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=FAULT_TYPES))
    further: list[tuple[int, str, int]] = field(default_factory=list)


def merge_readings(existing: pl.DataFrame, new: pl.DataFrame) -> Merged:
    """One row a unit and instant.

    Args:
        existing: rows of the lake, unique by unit and instant.
        new: rows with ``source`` and ``line`` besides, in the order in which they are to be counted.
    """
    old = existing.with_columns(source=pl.lit(LAKE, dtype=pl.Int32), line=pl.lit(0, dtype=pl.Int64))
    rows = _sorted(pl.concat([old, new], how="diagonal") if existing.height else new)
    signals = [name for name in rows.columns if name not in (*_KEYS, "source", "line")]
    again = repeats(rows, ["unit_id", "ts"])
    if not again.any():
        fates = rows.select("source", "line", *_KEYS, fate=pl.lit("kept", dtype=FATES), changes=pl.lit(True))
        fates = fates.filter(pl.col("source") != LAKE) if existing.height else fates
        return Merged(rows.drop("source", "line"), fates)
    rows = rows.with_columns(again=again, last=~again.shift(-1, fill_value=False)).with_row_index("place")
    several = pl.col("again") | ~pl.col("last")
    alone, shared = rows.filter(~several), rows.filter(several)
    least = running_least(shared, signals)
    shared = _compared(shared, least, signals)
    columns = ["source", "line", *_KEYS, "fate", "changes"]
    alone_fates = alone.with_columns(fate=pl.lit("kept", dtype=FATES), changes=pl.lit(True)).select(columns)
    merged = pl.concat(
        [
            alone.select("place", *_KEYS, *signals),
            shared.select("place", "last", *_KEYS).hstack(least).filter("last").drop("last"),
        ]
    )
    cells, further = _conflicts(shared, signals)
    return Merged(
        merged.sort("place").drop("place"),
        pl.concat([alone_fates, shared.select(columns)]).filter(pl.col("source") != LAKE),
        cells=cells,
        further=further,
    )


def repeats(rows: pl.DataFrame, key: list[str]) -> pl.Series:
    """Mask of the rows, sorted by ``key``, that have the key of the row above."""
    same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in key)
    return rows.select(same.fill_null(False)).to_series()


def running_least(rows: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
    """Smallest sampled value of each column from the first row of a group (``again`` false) to this row.

    Doubling the step takes as many passes as the longest group has binary digits.
    """
    group = (~rows["again"]).cum_sum()
    longest = group.value_counts()["count"].max() if rows.height else 1
    least, step = rows.select(columns), 1
    while step < longest:
        mine = (group == group.shift(step)).fill_null(False)
        least = least.select(
            pl.min_horizontal(name, pl.when(mine).then(pl.col(name).shift(step))).alias(name)
            for name in columns
        )
        step *= 2
    return least


def _sorted(rows: pl.DataFrame) -> pl.DataFrame:
    """By unit and instant, rows of one instant in the order given; what is sorted already passes."""
    unit, ts = pl.col("unit_id"), pl.col("ts")
    backwards = (unit < unit.shift(1)) | ((unit == unit.shift(1)) & (ts < ts.shift(1)))
    if not rows.select(backwards.any()).item():
        return rows
    return rows.sort("unit_id", "ts", maintain_order=True)


def _compared(shared: pl.DataFrame, least: pl.DataFrame, signals: list[str]) -> pl.DataFrame:
    """The rows with ``<signal>.before``, the value that stood when the row came, and what the row changes."""
    before = least.select(
        pl.when(shared["again"]).then(pl.col(name).shift(1)).alias(f"{name}.before") for name in signals
    )
    pairs = [(pl.col(name), pl.col(f"{name}.before")) for name in signals]
    fills = pl.any_horizontal(now.is_not_null() & past.is_null() for now, past in pairs)
    differs = pl.any_horizontal((now != past).fill_null(False) for now, past in pairs)
    lowers = pl.any_horizontal((now < past).fill_null(False) for now, past in pairs)
    return shared.hstack(before).with_columns(
        fate=pl.when(fills | differs).then(pl.lit("kept")).otherwise(pl.lit("duplicate")).cast(FATES),
        changes=fills | lowers,
    )


def _conflicts(shared: pl.DataFrame, signals: list[str]) -> tuple[pl.DataFrame, list[tuple[int, str, int]]]:
    """Cells for which another value stood, the first of each source and signal, and how many more."""
    parts, further = [pl.DataFrame(schema=FAULT_TYPES)], []
    for name in signals:
        now, past = pl.col(name), pl.col(f"{name}.before")
        differing = shared.filter((now != past).fill_null(False))
        for (source,), cells in differing.group_by("source"):
            listed = cells.head(MOST_CELLS).select(
                "source",
                "line",
                column=pl.lit(name),
                value=now.cast(pl.String),
                reason=pl.format("two values for one instant, {} and {}; the smaller stays", now, past),
            )
            parts.append(listed)
            if cells.height > listed.height:
                further.append((source, name, cells.height - listed.height))
    return pl.concat(parts), further
