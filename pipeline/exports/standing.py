"""Merging of the small tables: what a new row does to the row of the same key that already stands."""

from __future__ import annotations

import polars as pl

from pipeline.exports.again import Before, overtaken
from pipeline.exports.merging import FATES, LAKE, Merged, repeats, running_least
from pipeline.exports.reading import STANDING
from pipeline.exports.rejects import no_faults
from pipeline.exports.unsaid import UNSAID, filled
from pipeline.tables import table


def merge_events(name: str, existing: pl.DataFrame, new: pl.DataFrame) -> Merged:
    """Codes and on-board tests: an event happens once.

    A row that says the same as one before is a duplicate. Of two rows with one key and different content the
    one that is smaller, column by column, stays, whatever the order in which they come; the other is lost.
    """
    declared = table(name)
    key = list(declared.key)
    content = [column for column in declared.columns if column not in (*key, *declared.provenance)]
    rows = _together(existing, new).sort(key, maintain_order=True)
    ranks = rows.select(content).unique().sort(content).with_row_index("rank") if content else None
    if ranks is None:
        rows = rows.with_columns(rank=pl.lit(0, dtype=pl.UInt32))
    else:
        rows = rows.join(ranks, on=content, how="left", maintain_order="left", nulls_equal=True)
    rows = rows.with_columns(again=repeats(rows, key))
    rows = rows.with_columns(least=running_least(rows, ["rank"])["rank"])
    before = pl.when("again").then(pl.col("least").shift(1))
    rows = rows.with_columns(before=before, group=(~pl.col("again")).cum_sum())
    rows = rows.with_columns(
        fate=pl.when(pl.col("rank") == pl.col("before"))
        .then(pl.lit("duplicate"))
        .when(pl.col("rank") > pl.col("before"))
        .then(pl.lit("lost"))
        .otherwise(pl.lit("kept"))
        .cast(FATES)
    )
    fates = rows.filter(pl.col("source") != LAKE)
    clashing = fates.filter((pl.col("rank") != pl.col("before")).fill_null(False)).select(
        "source",
        "line",
        "fate",
        column=pl.lit("value"),
        value=pl.format("{}", pl.concat_str(content or [pl.lit("")], separator=" ")),
        reason=pl.when(pl.col("fate") == "lost")
        .then(pl.lit("another result stands for this unit, instant and test, and stays"))
        .otherwise(pl.lit("took the place of another result for this unit, instant and test")),
    )
    # The first row that is as small as the smallest: a row that already stands keeps its place among equals.
    stands = rows.filter(pl.col("rank") == pl.col("rank").min().over("group")).unique(
        "group", keep="first", maintain_order=True
    )
    return Merged(
        stands.select(list(declared.columns)),
        _fates(fates),
        cells=clashing.filter(pl.col("fate") == "kept").drop("fate"),
        lost=clashing.filter(pl.col("fate") == "lost").drop("fate"),
    )


def merge_records(name: str, existing: pl.DataFrame, new: pl.DataFrame) -> Merged:
    """Register and work orders: the row ingested last stands; one that says what stands is a duplicate.

    Where a row says nothing of a column (``unsaid``), what stood there stays; only a cell that is there and empty
    empties it.
    """
    declared = table(name)
    key = list(declared.key)
    content = [column for column in declared.columns if column not in (*key, *declared.provenance)]
    old = existing.with_columns(pl.lit([], dtype=pl.List(pl.String)).alias(UNSAID))
    rows = filled(_together(old, new).sort(key, maintain_order=True), key, content)
    rows = rows.with_columns(again=repeats(rows, key))
    same = pl.all_horizontal(pl.col(column).eq_missing(pl.col(column).shift(1)) for column in content)
    rows = rows.with_columns(
        fate=pl.when(pl.col("again") & same).then(pl.lit("duplicate")).otherwise(pl.lit("kept")).cast(FATES)
    )
    stands = rows.filter(pl.col("fate") == "kept").unique(key, keep="last", maintain_order=True)
    return Merged(stands.select(list(declared.columns)), _fates(rows.filter(pl.col("source") != LAKE)))


def merge_small(
    name: str, standing: pl.DataFrame, new: pl.DataFrame, again: dict[int, Before]
) -> tuple[Merged, pl.DataFrame]:
    """Merge rows of one small table.

    Args:
        standing: rows of the lake that may have the keys of the new ones.
        new: rows in the columns of the table, with ``source`` and, of register and work orders, ``unsaid``.
        again: files read once more, by source.

    Returns:
        What was merged, and faults (with ``source``) of rows of ``again`` in whose place another row stands.
    """
    if name not in STANDING:
        return by_line(merge_events(name, standing, new)), no_faults().with_columns(source=pl.lit(0, pl.Int32))
    gone = overtaken(name, new.filter(pl.col("source").is_in(list(again))), standing, again)
    new = new.join(gone, on=["source", "line"], how="anti", maintain_order="left")
    return by_line(merge_records(name, standing, new)), gone


def by_line(merged: Merged) -> Merged:
    """One fate a line of a file, where an answer gave several records.

    A line is kept if any of its records is, lost if one gave way and none was kept. What gave way of a line
    that is not lost is listed as a cell.
    """
    lines = ["source", "line"]
    if not merged.fates.select(pl.struct(lines).is_duplicated().any()).item():
        return merged
    order = pl.col("fate").cast(pl.String).replace_strict({"kept": 0, "lost": 1, "duplicate": 2})
    fates = (
        merged.fates.with_columns(order=order)
        .sort(*lines, "order", maintain_order=True)
        .unique(lines, keep="first", maintain_order=True)
        .drop("order")
    )
    whole = fates.filter(pl.col("fate") == "lost").select(lines)
    return Merged(
        merged.rows,
        fates,
        cells=pl.concat([merged.cells, merged.lost.join(whole, on=lines, how="anti", maintain_order="left")]),
        lost=merged.lost.join(whole, on=lines, how="semi", maintain_order="left").unique(
            lines, keep="first", maintain_order=True
        ),
    )


def _together(existing: pl.DataFrame, new: pl.DataFrame) -> pl.DataFrame:
    old = existing.with_columns(source=pl.lit(LAKE, dtype=pl.Int32))
    return pl.concat([old, new.select(old.columns)], how="vertical")


def _fates(rows: pl.DataFrame) -> pl.DataFrame:
    moments = [column for column in ("ts",) if column in rows.columns]
    return rows.select("source", "line", *moments, "fate", changes=pl.col("fate") == "kept")
