"""ISO-8601 instants with an offset -> UTC microseconds, whole columns at a time."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl

NO_OFFSET = "no offset; write the time with an offset or Z"
NO_TIME = "no time; the row needs an instant such as 2026-01-31T08:15:00Z"
NOT_A_TIME = "not an ISO-8601 instant such as 2026-01-31T08:15:00Z"
NOT_PLAUSIBLE = "year outside 1996 to 2100; check the gateway's clock"
NOT_A_DATE = "not an ISO-8601 date such as 2026-01-31"

# 1996: first model year in which every petrol car sold in the USA had OBD-II (40 CFR 86.094-17; from memory).
_FIRST = datetime(1996, 1, 1, tzinfo=UTC)
_END = datetime(2101, 1, 1, tzinfo=UTC)
_UTC = pl.Datetime("us", "UTC")
_MIDNIGHT = r"[Tt ]00:00(:00([.,]0+)?)?\s*([Zz]|[+-]\d{2}:?\d{2})?$"
_TIME_OF_DAY = r"[Tt ]([01]\d|2[0-3]):[0-5]\d(:[0-5]\d([.,]\d+)?)?$"


def to_utc(values: pl.Series) -> tuple[pl.Series, pl.Series]:
    """Instants and, where there is none, the reason.

    Args:
        values: text, or timestamps of a Parquet file.

    Returns:
        ``(instants, reasons)``: UTC microseconds, null where unusable; text, null where usable.
    """
    if isinstance(values.dtype, pl.Datetime):
        zoned = values.dtype.time_zone is not None
        instants = values.cast(pl.Datetime("us", values.dtype.time_zone))
        instants = instants.dt.convert_time_zone("UTC") if zoned else _nothing(values)
        why = NOT_A_TIME if zoned else NO_OFFSET
    elif values.dtype == pl.String:
        instants, why = _from_text(values), NOT_A_TIME
    else:
        instants, why = (
            _nothing(values),
            f"type {values.dtype} is not a time; store a timestamp with a time zone",
        )
    if instants.null_count() == 0 and instants.len() and instants.min() >= _FIRST and instants.max() < _END:
        return instants, pl.Series(values.name, [None], dtype=pl.String).new_from_index(0, values.len())
    return _judged(values, instants, why)


def plausible(instant: pl.Expr) -> tuple[pl.Expr, str]:
    """Whether an instant lies in the years in which cars had on-board diagnosis, and the reason if not."""
    return (instant >= _FIRST) & (instant < _END), NOT_PLAUSIBLE


def to_date(texts: pl.Series, first: date, last: date, zone: str = "UTC") -> tuple[pl.Series, pl.Series]:
    """Dates from ``first`` to ``last`` and, where there is none though the cell is not empty, the reason.

    An instant with an offset is the day it falls on in ``zone``, a time without one the day it names, and so is midnight
    at any offset: spreadsheets and data frames write a date as its midnight.
    """
    bare = texts.str.strip_chars()
    named = bare.str.replace(_MIDNIGHT, "").str.replace(_TIME_OF_DAY, "").str.to_date("%Y-%m-%d", strict=False)
    frame = pl.DataFrame({"text": texts, "named": named})
    if frame.filter(pl.col("named").is_null()).height > texts.null_count():
        instants = _from_text(bare.rename("at")).dt.convert_time_zone(zone)
        frame = frame.with_columns(named=pl.coalesce("named", instants.dt.date()))
    frame = frame.rename({"named": "day"}).with_columns(
        fits=pl.col("day").is_between(first, last, closed="both")
    )
    judged = frame.select(
        day=pl.when("fits").then("day"),
        why=pl.when(pl.col("text").str.strip_chars().str.len_bytes().fill_null(0) == 0)
        .then(None)
        .when(pl.col("day").is_null())
        .then(pl.lit(NOT_A_DATE))
        .when(~pl.col("fits"))
        .then(pl.lit(f"outside {first} to {last}")),
    )
    return judged["day"], judged["why"].cast(pl.String)


def _from_text(texts: pl.Series) -> pl.Series:
    # One exact format is an order of magnitude faster than an offset pattern, and the commonest by far.
    instants = texts.str.to_datetime(
        "%Y-%m-%dT%H:%M:%SZ", time_unit="us", time_zone="UTC", strict=False, cache=False
    )
    if instants.null_count() == texts.null_count():
        return instants
    general = (
        pl.col("text")
        .str.strip_chars()
        .str.replace(r"^(\d{4}-\d{2}-\d{2})[ t]", "${1}T")
        .str.replace(r"T(\d{2}:\d{2})(\s*(?:[Zz]|[+-]\d{2}:?(?:\d{2})?))$", "T${1}:00${2}")
        .str.replace(r",(\d+)", ".${1}")
        .str.replace(r"\s*[Zz]$", "+00:00")
        .str.to_datetime("%Y-%m-%dT%H:%M:%S%.f%#z", time_unit="us", strict=False)
        .dt.convert_time_zone("UTC")
    )
    frame = pl.DataFrame({"text": texts, "instant": instants})
    return frame.select(pl.coalesce("instant", general).alias(texts.name)).to_series()


def _judged(values: pl.Series, instants: pl.Series, why: str) -> tuple[pl.Series, pl.Series]:
    texts = values.cast(pl.String) if values.dtype != pl.String else values
    frame = pl.DataFrame({"text": texts.str.strip_chars(), "instant": instants})
    fits = (pl.col("instant") >= _FIRST) & (pl.col("instant") < _END)
    reason = pl.when(pl.col("instant").is_not_null() & ~fits).then(pl.lit(NOT_PLAUSIBLE))
    reason = reason.when(pl.col("instant").is_not_null()).then(None)
    reason = reason.when(pl.col("text").str.len_bytes().fill_null(0) == 0).then(pl.lit(NO_TIME))
    if why == NOT_A_TIME:
        naive = pl.col("text").str.contains(r"^\d{4}-\d{2}-\d{2}([Tt ]\d{2}:\d{2}(:\d{2}([.,]\d+)?)?)?$")
        reason = reason.when(naive).then(pl.lit(NO_OFFSET))
    judged = frame.select(instant=pl.when(fits).then("instant"), reason=reason.otherwise(pl.lit(why)))
    return judged["instant"].alias(values.name), judged["reason"].cast(pl.String)


def _nothing(values: pl.Series) -> pl.Series:
    return pl.Series(values.name, [None], dtype=_UTC).new_from_index(0, values.len())
