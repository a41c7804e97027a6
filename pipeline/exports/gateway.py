"""Habits of loggers that write down values which were not sampled; a layout declares them.

``holds_last_value``: a value that repeats the one before is no new sample. ``zeros_before_first``: zeros at the
beginning of a trip are no samples; a signal that is zero throughout a trip is lost. ``repeats_before_first``:
values at the beginning of a trip that equal the last ones of the trip before are no samples; the first trip of
a unit in a file has none before it. The lamp's state is left alone: off is the usual state.

A trip ends where a unit writes nothing for more than ``TRIP_GAP``. Rows are followed in order of time within a
batch, and on into the next batch where that one is later.
"""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from pipeline.exports.layoutmodel import Gateway

TRIP_GAP = timedelta(minutes=10)  # common practice: stops at lights and for refuelling stay within a trip
LEFT_ALONE = ("mil_on",)

_KEYS = ("line", "unit_id", "ts")
# Of each signal: last sampled value of the unit and of its trip, last one of the trips before, whether the trip
# has had a value other than zero, and other than that one.
_STATE = ("last", "held", "prev", "nonzero", "changed")


class Logger:
    """Follows the units of one file from batch to batch; ``emptied`` counts cells by habit."""

    def __init__(self, habits: Gateway, names: list[str]) -> None:
        """Begin a file with these signals."""
        self._habits = habits
        self._names = [name for name in names if name not in LEFT_ALONE]
        schema = {"unit_id": pl.String, "last_ts": pl.Datetime("us", "UTC")}
        for name in self._names:
            schema |= dict.fromkeys([f"{name}.last", f"{name}.held", f"{name}.prev"], pl.Float64)
            schema |= dict.fromkeys([f"{name}.nonzero", f"{name}.changed"], pl.Boolean)
        self._state = pl.DataFrame(schema=schema)
        self.emptied = dict.fromkeys(Gateway.model_fields, 0)

    def sampled(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The rows with the cells emptied that are no samples.

        Args:
            frame: ``line``, ``unit_id``, ``ts`` (UTC) and signals as numbers.
        """
        if self._habits == Gateway() or not self._names or not frame.height:
            return frame
        rows = self._followed(frame)
        rows = rows.with_columns(column for name in self._names for column in (_before(name), _earlier(name)))
        rows = rows.with_columns(_trip_before(name) for name in self._names)
        rows = rows.with_columns(
            column for name in self._names for column in (_nonzero(name), _changed(name))
        )
        columns = []
        for name in self._names:
            value, why = pl.col(name), pl.lit(None, dtype=pl.String)
            if self._habits.holds_last_value:
                held = (value == pl.col(f"{name}.before")).fill_null(False)
                why = pl.when(held).then(pl.lit("holds_last_value")).otherwise(why)
            if self._habits.repeats_before_first:
                again = (value == pl.col(f"{name}.past")).fill_null(False) & ~pl.col(f"{name}.moved")
                why = pl.when(again).then(pl.lit("repeats_before_first")).otherwise(why)
            if self._habits.zeros_before_first:
                zero = (value == 0).fill_null(False) & ~pl.col(f"{name}.lively")
                why = pl.when(zero).then(pl.lit("zeros_before_first")).otherwise(why)
            columns.append(why.alias(f"{name}.why"))
        judged = rows.with_columns(columns)
        for name in self._names:
            for why, count in judged[f"{name}.why"].drop_nulls().value_counts().rows():
                self.emptied[why] += count
        self._remember(judged)
        kept = judged.sort("place").select(
            pl.when(pl.col(f"{name}.why").is_null()).then(pl.col(name)).alias(name) for name in self._names
        )
        return frame.with_columns(kept.get_columns())

    def _followed(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Rows by unit and time with their trip, and what is remembered of their unit.

        ``goes_on`` marks rows of a trip that began in an earlier batch; a batch from before what is remembered
        is followed as if nothing were.
        """
        rows = frame.select(*_KEYS[1:], *self._names).with_row_index("place")
        rows = rows.sort("unit_id", "ts", maintain_order=True)
        fresh = (pl.col("unit_id") != pl.col("unit_id").shift(1)).fill_null(True)
        gap = (pl.col("ts") - pl.col("ts").shift(1)) > TRIP_GAP
        rows = rows.with_columns(trip=(fresh | gap.fill_null(False)).cum_sum())
        rows = rows.join(self._state, on="unit_id", how="left", maintain_order="left")
        begin = pl.col("ts").first()
        later = (begin.over("unit_id") >= pl.col("last_ts")).fill_null(False)
        first = pl.col("trip") == pl.col("trip").first().over("unit_id")
        near = (begin.over("unit_id") - pl.col("last_ts") <= TRIP_GAP).fill_null(False)
        rows = rows.with_columns(later=later, first=first, goes_on=later & first & near)
        return rows.with_columns(
            pl.when("later").then(pl.col(f"{name}.{part}")).alias(f"{name}.{part}")
            for name in self._names
            for part in _STATE
        )

    def _remember(self, rows: pl.DataFrame) -> None:
        latest = [pl.col("ts").last().alias("last_ts")]
        for name in self._names:
            sampled = pl.coalesce(pl.col(name).drop_nulls().last(), pl.col(f"{name}.last").last())
            latest += [
                sampled.alias(f"{name}.last"),
                pl.coalesce(name, f"{name}.before").last().alias(f"{name}.held"),
                pl.col(f"{name}.past").last().alias(f"{name}.prev"),
                pl.col(f"{name}.lively").last().alias(f"{name}.nonzero"),
                pl.col(f"{name}.moved").last().alias(f"{name}.changed"),
            ]
        now = rows.group_by("unit_id", maintain_order=True).agg(latest).select(self._state.columns)
        self._state = pl.concat([self._state.join(now, on="unit_id", how="anti"), now])


def _before(name: str) -> pl.Expr:
    """The value sampled before in the same trip."""
    inside = pl.col(name).shift(1).forward_fill().over("trip")
    return pl.coalesce(inside, pl.when("goes_on").then(pl.col(f"{name}.held"))).alias(f"{name}.before")


def _earlier(name: str) -> pl.Expr:
    """The value of the unit sampled before, in this trip or another of the batch."""
    return pl.col(name).forward_fill().shift(1).over("unit_id").alias(f"{name}.earlier")


def _trip_before(name: str) -> pl.Expr:
    """The last value of the trips before."""
    found = pl.col(f"{name}.earlier").first().over("trip")
    remembered = pl.when("goes_on").then(pl.col(f"{name}.prev")).otherwise(pl.col(f"{name}.last"))
    return pl.coalesce(found, remembered).alias(f"{name}.past")


def _nonzero(name: str) -> pl.Expr:
    seen = (pl.col(name) != 0).fill_null(False).cum_max().over("trip")
    return (seen | (pl.col("goes_on") & pl.col(f"{name}.nonzero")).fill_null(False)).alias(f"{name}.lively")


def _changed(name: str) -> pl.Expr:
    differs = (pl.col(name) != pl.col(f"{name}.past")).fill_null(False).cum_max().over("trip")
    return (differs | (pl.col("goes_on") & pl.col(f"{name}.changed")).fill_null(False)).alias(f"{name}.moved")
