"""Cleaning of wide readings: units, instants and physical ranges; what fails is set apart cell by cell."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import polars as pl

from pipeline.exports.rejects import MOST_CELLS, no_faults
from pipeline.exports.times import to_utc
from pipeline.lake import bucket_of
from pipeline.signals import signals

NO_UNIT = "no unit; the row needs the vehicle's number"
NOT_A_NUMBER = "not a number; write decimals with a point"
NO_SIGNAL = "no signal sampled"

# SAE J1979-DA, PID $03: one bit a state, 0 where the system is absent; PID $01 byte A bit 7: lamp on or off.
CODED = {"fuel_status_b1": (0, 1, 2, 4, 8, 16), "fuel_status_b2": (0, 1, 2, 4, 8, 16), "mil_on": (0, 1)}
# Read as text first: "true" and "false" stand for 1 and 0.
WORDS = {"true": "1", "false": "0"}


@dataclass(frozen=True)
class Cleaned:
    """Usable rows; rows and cells that are not; per column the number of unusable cells not listed."""

    frame: pl.DataFrame
    rows: pl.DataFrame
    cells: pl.DataFrame
    further: dict[str, int] = field(default_factory=dict)


def wanted_types(columns: tuple[str, ...]) -> dict[str, pl.DataType]:
    """Types a reader should try for the columns of a readings file."""
    kinds = {"float32": pl.Float32, "float64": pl.Float64}
    known = signals()
    wanted = {
        name: kinds[known[name].type] if name in known and name != "mil_on" else pl.String for name in columns
    }
    return wanted | ({"value": pl.Float64} if "value" in columns else {})


def clean_readings(raw: pl.DataFrame, zone: str, buckets: int) -> Cleaned:
    """Readings with ``line``, ``unit_id``, ``ts``, the signals sampled anywhere, ``day`` and ``bucket``.

    Args:
        raw: ``line``, ``unit_id``, ``ts`` and signals as numbers or text.
        zone: time zone in which days begin.
    """
    sampled = [name for name in raw.columns if name in signals()]
    frame, rows = keyed(raw)
    bad: list[_BadCells] = []
    columns = []
    for name in sampled:
        column, faults = _checked(frame[name])
        columns.append(column)
        bad += [faults] if faults is not None else []
    frame = frame.select("line", "unit_id", "ts", *columns)
    alive = frame.select(pl.any_horizontal(pl.col(sampled).is_not_null())).to_series()
    cells, further = no_faults(), {}
    if not alive.all():
        rows = pl.concat([rows, _lifeless(frame, ~alive, bad)])
    if bad:
        listed = [faults.listed(frame["line"], alive) for faults in bad]
        cells = pl.concat([part for part, _ in listed])
        further = {faults.column: count for faults, (_, count) in zip(bad, listed, strict=True) if count}
    frame = frame if alive.all() else frame.filter(alive)
    empty = [name for name in sampled if frame[name].null_count() == frame.height]
    frame = frame.drop(empty).with_columns(
        day=pl.col("ts").dt.convert_time_zone(zone).dt.date(), bucket=bucket_of(frame["unit_id"], buckets)
    )
    return Cleaned(frame, rows, cells, further)


def keyed(raw: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows with a unit and an instant (UTC), and the faults of the others."""
    units = raw["unit_id"].cast(pl.String).str.strip_chars()
    instants, why = to_utc(raw["ts"])
    frame = raw.with_columns(units, instants)
    no_unit = units.str.len_bytes().fill_null(0) == 0
    if not no_unit.any() and why.null_count() == why.len():
        return frame, no_faults()
    judged = pl.DataFrame(
        {"line": raw["line"], "no_unit": no_unit, "ts": raw["ts"].cast(pl.String), "why": why}
    ).filter(pl.col("no_unit") | pl.col("why").is_not_null())
    faults = judged.select(
        "line",
        column=pl.when("no_unit").then(pl.lit("unit_id")).otherwise(pl.lit("ts")),
        value=pl.when("no_unit").then(pl.lit("")).otherwise("ts"),
        reason=pl.when("no_unit").then(pl.lit(NO_UNIT)).otherwise("why"),
    )
    return frame.filter(~no_unit & why.is_null()), faults


@dataclass(frozen=True)
class _BadCells:
    column: str
    bad: pl.Series
    value: pl.Series
    reason: pl.Series

    def listed(self, lines: pl.Series, alive: pl.Series) -> tuple[pl.DataFrame, int]:
        """The first cells at fault in rows that stay, and how many more there are."""
        bad = self.bad & alive
        faults = self.frame(lines).filter(bad).head(MOST_CELLS)
        return faults, int(bad.sum()) - faults.height

    def frame(self, lines: pl.Series) -> pl.DataFrame:
        faults = pl.DataFrame({"line": lines, "value": self.value, "reason": self.reason})
        return faults.select("line", column=pl.lit(self.column), value="value", reason="reason")


def _checked(column: pl.Series) -> tuple[pl.Series, _BadCells | None]:
    """The column as numbers without the cells that cannot be, and those cells."""
    signal = signals()[column.name]
    kind = pl.Float64 if signal.type == "float64" else pl.Float32
    texts = None
    unparsed = None
    if column.dtype.is_numeric():
        numbers = column.cast(kind)
    elif column.dtype == pl.String:
        texts = column.str.strip_chars()
        words = texts.str.to_lowercase().replace(WORDS) if column.name == "mil_on" else texts
        numbers = words.cast(kind, strict=False)
        unparsed = numbers.is_null() & (texts.str.len_bytes().fill_null(0) > 0)
    else:
        numbers = pl.Series(column.name, [None], dtype=kind).new_from_index(0, column.len())
        unparsed = column.is_not_null()
        texts = column.cast(pl.String)
    # A sum is NaN wherever a value is: the mask is made only then.
    if math.isnan(numbers.sum()) and numbers.is_nan().any():
        numbers = numbers.fill_nan(None)
    least, most = (pl.Series([limit], dtype=kind)[0] for limit in (signal.least, signal.most))
    outside = _outside(numbers, least, most)
    if outside is None and (unparsed is None or not unparsed.any()):
        return numbers, None
    judged = pl.DataFrame({"number": numbers}).with_columns(
        text=numbers.cast(pl.String) if texts is None else texts,
        unparsed=pl.lit(False) if unparsed is None else unparsed,
        outside=pl.lit(False) if outside is None else outside.fill_null(False),
    )
    limits = f"outside {signal.least:g} to {signal.most:g} {signal.unit}; check the unit of the column"
    if column.name in CODED:
        limits = "not one of the values " + ", ".join(str(code) for code in CODED[column.name])
    judged = judged.with_columns(
        bad=pl.col("unparsed") | pl.col("outside"),
        reason=pl.when("unparsed").then(pl.lit(NOT_A_NUMBER)).otherwise(pl.lit(limits)),
    ).with_columns(number=pl.when(~pl.col("bad")).then("number"))
    return judged["number"].alias(column.name), _BadCells(
        column.name, judged["bad"], judged["text"], judged["reason"]
    )


def _outside(numbers: pl.Series, least: float, most: float) -> pl.Series | None:
    """Mask of the cells that the signal cannot have, None where there is none."""
    low, high = numbers.min(), numbers.max()
    if low is None:
        return None
    if numbers.name in CODED:
        mask = ~numbers.is_in(pl.Series(CODED[numbers.name], dtype=numbers.dtype).implode())
        return mask if mask.any() else None
    if low >= least and high <= most:
        return None
    return (numbers < least) | (numbers > most)


def _lifeless(frame: pl.DataFrame, dead: pl.Series, bad: list[_BadCells]) -> pl.DataFrame:
    """Faults of rows without any usable signal: their first cell at fault, or that nothing was sampled."""
    lines = frame["line"].filter(dead)
    faults = [cells.frame(frame["line"]).filter(dead & cells.bad) for cells in bad]
    first = pl.concat([no_faults(), *faults]).unique("line", keep="first", maintain_order=True)
    rest = pl.DataFrame({"line": lines}).join(first, on="line", how="left", maintain_order="left")
    return rest.select(
        "line",
        pl.col("column").fill_null(""),
        pl.col("value").fill_null(""),
        (pl.col("reason") + pl.lit("; no other signal sampled")).fill_null(NO_SIGNAL),
    )
