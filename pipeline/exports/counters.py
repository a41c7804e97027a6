"""Counters that only grow: a frame whose value jumps away and is back in the next is corrupt, not a reset.

Judged inside one batch and vehicle by vehicle, in the order of time. A value that stays low is a real start of the
engine, a real clear of the codes or a new instrument, and is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.exports.rejects import no_faults

LONGEST_RUN = 2  # rows; three values in a row that agree are no accident of transmission


@dataclass(frozen=True)
class Counter:
    """How fast a counter can grow: ``rate`` per second, and ``slack``, what rounding and time stamps may add."""

    rate: float
    slack: float


_TOP_SPEED_KMS = 250.0 / 3600.0  # km/s: no petrol van or car of a fleet goes faster; common practice as a limiter
# Resolution 1 s and 1 km (SAE J1979, PID $1F and $31); a gateway may stamp a value a few seconds late.
COUNTERS = {
    "run_time_s": Counter(rate=1.0, slack=5.0),
    "odometer_km": Counter(rate=_TOP_SPEED_KMS, slack=1.0),
    "distance_since_clear_km": Counter(rate=_TOP_SPEED_KMS, slack=1.0),
}


def without_corrupt(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows with corrupt cells emptied, and those cells.

    Args:
        frame: ``line``, ``unit_id``, ``ts`` and signals of one batch; a line stands once.
    """
    faults = []
    names = [name for name in COUNTERS if name in frame.columns]
    rows = _ordered(frame.select("line", "unit_id", "ts", *names)) if names else frame
    for name in names:
        found = _corrupt(rows.select("line", "unit", "ts", value=pl.col(name).cast(pl.Float64)), COUNTERS[name])
        if not found.height:
            continue
        faults.append(found.with_columns(column=pl.lit(name)))
        bad = pl.col("line").is_in(found["line"].implode())
        frame = frame.with_columns(pl.when(~bad).then(name).alias(name))
    columns = list(no_faults().columns)
    return frame, pl.concat([no_faults(), *(part.select(columns) for part in faults)])


def _ordered(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows vehicle by vehicle in the order of time; ``unit`` is a number, which sorts much faster than text."""
    rows = rows.with_columns(unit=pl.col("unit_id").cast(pl.Categorical).to_physical())
    later = (pl.col("unit") != pl.col("unit").shift(1)) | (pl.col("ts") >= pl.col("ts").shift(1))
    begins = (pl.col("unit") != pl.col("unit").shift(1)).sum() + 1
    if rows.select(later.all() & (begins <= pl.col("unit").n_unique())).item():
        return rows
    keys = ["unit"] if rows["ts"].is_sorted() else ["unit", "ts"]
    return rows.sort(keys, maintain_order=True)


def _corrupt(rows: pl.DataFrame, counter: Counter) -> pl.DataFrame:
    """Line, value and reason of corrupt values."""
    rows = rows.filter(pl.col("value").is_not_null())
    unit, value = pl.col("unit"), pl.col("value")
    # Away and back means that the value falls once, whether it jumped up or down.
    if not rows.select(((unit == unit.shift(1)) & (value < value.shift(1))).any()).item():
        return pl.DataFrame(schema={"line": pl.Int64, "value": pl.String, "reason": pl.String})
    starts: dict[int, int] = {}
    for length in range(LONGEST_RUN, 0, -1):
        places = range(length)
        agree = _fits(-1, length, counter)
        apart = pl.all_horizontal(
            ~_fits(-1, place, counter) & ~_fits(place, length, counter) for place in places
        )
        whole = (unit.shift(1) == unit.shift(-length)) & (unit == unit.shift(1))
        found = rows.select((whole & agree & apart).fill_null(False)).to_series()
        starts |= dict.fromkeys(found.arg_true().to_list(), length)
    return _listed(rows, starts)


def _listed(rows: pl.DataFrame, starts: dict[int, int]) -> pl.DataFrame:
    """Corrupt values from the runs that may be some: first row of each -> its length.

    Beside a corrupt value a sound one looks corrupt too, so a run does not begin where another has just ended.
    """
    taken: list[tuple[int, int, int]] = []
    end = -1
    for start in sorted(starts):
        if start > end + 1 or end < 0:
            end = start + starts[start] - 1
            taken += [(place, start - 1, end + 1) for place in range(start, end + 1)]
    line, value = rows["line"], rows["value"]
    at, before, after = (pl.Series([item[place] for item in taken], dtype=pl.UInt32) for place in range(3))
    found = {"value": value.gather(at), "before": value.gather(before), "after": value.gather(after)}
    return pl.DataFrame({"line": line.gather(at)} | found).select(
        "line",
        pl.col("value").cast(pl.String),
        reason=pl.format("{} before and {} after; a corrupt frame, the counter went on", "before", "after"),
    )


def _fits(earlier: int, later: int, counter: Counter) -> pl.Expr:
    """Whether the counter can have gone from one row to another, both counted from this row."""
    value, ts = pl.col("value"), pl.col("ts")
    grown = value.shift(-later) - value.shift(-earlier)
    elapsed = (ts.shift(-later) - ts.shift(-earlier)).dt.total_microseconds() / 1e6
    return (grown >= 0) & (grown <= elapsed * counter.rate + counter.slack)
