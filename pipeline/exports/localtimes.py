"""Times as a layout describes them -> UTC microseconds, whole columns at a time.

A cell with an offset of its own keeps it. A naive one is a wall-clock time of the layout's zone: the hour that
comes twice in autumn is set aside unless the layout chooses, the one that spring skips does not exist.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import PurePosixPath

import polars as pl

from pipeline.errors import ConfigError, ExportError
from pipeline.exports.layoutmodel import EPOCHS, Time
from pipeline.exports.times import NO_OFFSET, NO_TIME, plausible

# Day 0 of spreadsheets' 1900 date system as OASIS OpenDocument 1.3 part 4, 3.3 counts it; ECMA-376-1, 18.17.4.1
# gives the same days from 1900-03-01.
_SERIAL_ZERO = datetime(1899, 12, 30)
_LAST_SERIAL = 80_000  # in the year 2119
_DAY_S, _US = 86_400, 1_000_000
_NAIVE, _UTC = pl.Datetime("us"), pl.Datetime("us", "UTC")
_CLOCK = (
    r"(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<part>\d{1,9}))?)?"
    r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_OWN = r"\s*(?P<own>[Zz]|UTC|GMT|[+-]\d{2}(?::?\d{2})?)?"
_DATES = {
    "iso": r"(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})",
    "day-first": r"(?P<day>\d{1,2})[-/.](?P<month>\d{1,2})[-/.](?P<year>\d{4}|\d{2})",
    "month-first": r"(?P<month>\d{1,2})[-/.](?P<day>\d{1,2})[-/.](?P<year>\d{4}|\d{2})",
}
_SHOWN = {
    "iso": "an ISO-8601 time such as 2026-01-31T08:15:00",
    "day-first": "a day-first time such as 31.01.2026 08:15:00",
    "month-first": "a month-first time such as 01/31/2026 08:15:00",
    "epoch-s": "seconds since 1970 such as 1769847300",
    "epoch-ms": "milliseconds since 1970 such as 1769847300000",
    "spreadsheet": "a serial day of a spreadsheet such as 46053.34375",
    "clock": "a time of day such as 08:15:00",
    "seconds-of-day": "seconds since midnight such as 29700",
}


@dataclass(frozen=True)
class Judged:
    """Instants (UTC) or days, the reason where there is none, and the text of the file."""

    found: pl.Series
    why: pl.Series
    texts: pl.Series


class Times:
    """Times of one file; batches are handed over in file order, as clock times count midnights."""

    def __init__(self, time: Time, path: PurePosixPath, decimal: str = ".") -> None:
        """Take the date from the file's name where the layout says so.

        Raises:
            ExportError: the name has no such date.
        """
        self._time, self._decimal = time, decimal
        self._date = _named_date(time, path) if time.date_from_name else None
        self._last: dict[str, tuple[int, int]] = {}

    def instants(self, columns: list[pl.Series], units: pl.Series) -> Judged:
        """The instant of each row.

        Args:
            columns: the columns that the layout joins, as text or as timestamps of a Parquet file.
            units: whose row it is; midnights are counted by unit.
        """
        texts, local, fixed = self._parsed(columns, units)
        instants, why = self._placed(texts, local, fixed)
        return Judged(instants.alias("ts"), why, texts)

    def days(self, columns: list[pl.Series]) -> Judged:
        """The calendar day of each row, as it is written; empty cells have no day and no reason."""
        texts, local, fixed = self._parsed(columns, pl.Series([""]).new_from_index(0, columns[0].len()))
        zone = self._time.zone or "UTC"
        frame = pl.DataFrame({"local": local, "fixed": fixed, "text": texts})
        judged = frame.select(
            day=pl.coalesce(
                "local", pl.col("fixed").dt.convert_time_zone(zone).dt.replace_time_zone(None)
            ).dt.date(),
            empty=pl.col("text").str.len_bytes().fill_null(0) == 0,
        ).with_columns(
            why=pl.when(pl.col("day").is_null() & ~pl.col("empty")).then(pl.lit(self._wrong)).cast(pl.String)
        )
        return Judged(judged["day"], judged["why"], texts)

    @property
    def _wrong(self) -> str:
        shown = _SHOWN[self._time.order] if self._time.order else f"a time written as {self._time.pattern}"
        return f"not {shown}; check the [time] of the layout"

    def _parsed(self, columns: list[pl.Series], units: pl.Series) -> tuple[pl.Series, pl.Series, pl.Series]:
        """Text, wall-clock time where naive, and UTC where the cell alone fixes the instant."""
        first = columns[0]
        texts = _joined(columns)
        if len(columns) == 1 and isinstance(first.dtype, pl.Datetime):
            if first.dtype.time_zone is not None:
                fixed = first.cast(pl.Datetime("us", first.dtype.time_zone)).dt.convert_time_zone("UTC")
                return texts, _nothing(first, _NAIVE), fixed
            return texts, first.cast(_NAIVE), _nothing(first, _UTC)
        order = self._time.order
        if order is None:
            return texts, *self._by_pattern(texts)
        if order in _DATES:
            return texts, *_by_order(texts, order)
        if order in EPOCHS:
            per_second = 1 if order == "epoch-s" else 1000
            numbers = self._numbers(texts, 0, 4_200_000_000 * per_second)
            micros = (numbers * (_US // per_second)).round().cast(pl.Int64)
            return texts, _nothing(texts, _NAIVE), micros.cast(_NAIVE).dt.replace_time_zone("UTC")
        if order == "spreadsheet":
            # Fifteen digits, the most that a spreadsheet writes, tell tenths of a millisecond of these years.
            millis = (self._numbers(texts, 1, _LAST_SERIAL) * (_DAY_S * 1000)).round().cast(pl.Int64)
            passed = (millis * 1000).cast(pl.Duration("us"))
            wall = pl.select(pl.lit(_SERIAL_ZERO).cast(_NAIVE) + passed).to_series()
            return texts, wall, _nothing(texts, _UTC)
        return texts, self._of_day(texts, units), _nothing(texts, _UTC)

    def _numbers(self, texts: pl.Series, least: float, most: float) -> pl.Series:
        plain = texts.str.replace_all(self._decimal, ".", literal=True) if self._decimal != "." else texts
        numbers = plain.cast(pl.Float64, strict=False)
        fits = ((numbers >= least) & (numbers <= most)).fill_null(False)
        return numbers.to_frame("n").select(pl.when(fits).then("n")).to_series()

    def _by_pattern(self, texts: pl.Series) -> tuple[pl.Series, pl.Series]:
        pattern = self._time.pattern.replace(".%f", "%.f")
        try:
            found = texts.str.to_datetime(pattern, time_unit="us", strict=False, ambiguous="earliest")
        except pl.exceptions.PolarsError as error:
            raise ConfigError(f"time.pattern: {pattern!r} cannot be used: {error}; correct it") from error
        if found.dtype.time_zone is not None:
            return _nothing(texts, _NAIVE), found.dt.convert_time_zone("UTC")
        return found, _nothing(texts, _UTC)

    # -- times of day ----------------------------------------------------------------------------------------

    def _of_day(self, texts: pl.Series, units: pl.Series) -> pl.Series:
        """Date of the name + time of day + midnights passed by the unit so far in the file."""
        if self._time.order == "clock":
            frame = texts.to_frame("text").select(
                pl.col("text").str.extract_groups(f"^{_CLOCK}$").alias("parts")
            )
            micros = frame.unnest("parts").select(_micros_of_clock()).to_series()
        else:
            micros = (self._numbers(texts, 0, 2 * _DAY_S) * _US).round().cast(pl.Int64)
        nights = self._midnights(units, micros)
        midnight = pl.lit(datetime(self._date.year, self._date.month, self._date.day)).cast(_NAIVE)
        passed = (micros + nights * (_DAY_S * _US)).cast(pl.Duration("us"))
        return pl.select(midnight + passed).to_series()

    def _midnights(self, units: pl.Series, micros: pl.Series) -> pl.Series:
        """A clock that falls by more than half a day has passed midnight.

        A row that comes late, from before a midnight that the unit has passed, rises by nearly a day.
        """
        hour = 3600 * _US
        frame = pl.DataFrame({"unit": units, "now": micros}).with_row_index("place")
        known = pl.DataFrame(
            [(unit, now, day) for unit, (now, day) in self._last.items()],
            schema={"unit": pl.String, "last": pl.Int64, "day": pl.Int64},
            orient="row",
        )
        timed = (
            frame.filter(pl.col("now").is_not_null() & pl.col("unit").is_not_null())
            .join(known, on="unit", how="left", maintain_order="left")
            .with_columns(pl.col("day").fill_null(0))
            .with_columns(step=pl.col("now") - pl.coalesce(pl.col("now").shift(1).over("unit"), "last"))
            .with_columns(up=(pl.col("step") < -12 * hour).fill_null(False).cast(pl.Int64))
            .with_columns(passed=pl.col("day") + pl.col("up").cum_sum().over("unit"))
            .with_columns(
                down=((pl.col("step") > 23 * hour) & (pl.col("passed") > 0)).fill_null(False).cast(pl.Int64)
            )
            .with_columns(nights=(pl.col("passed") - pl.col("down").cum_sum().over("unit")).clip(0))
        )
        for unit, now, day in timed.group_by("unit").agg(pl.col("now", "nights").last()).rows():
            self._last[unit] = (now, day)
        joined = frame.join(timed.select("place", "nights"), on="place", how="left", maintain_order="left")
        return joined["nights"]

    # -- zones -----------------------------------------------------------------------------------------------

    def _placed(self, texts: pl.Series, local: pl.Series, fixed: pl.Series) -> tuple[pl.Series, pl.Series]:
        zone = self._time.zone
        frame = pl.DataFrame({"text": texts, "local": local, "fixed": fixed})
        if zone:
            early, late = (_in_zone(local, zone, which) for which in ("earliest", "latest"))
        else:
            early = late = _nothing(local, _UTC)
        twice = (early != late).fill_null(False)
        chosen = {"earlier": early, "later": late}.get(self._time.twice)
        if chosen is None:
            chosen = early.to_frame("at").select(pl.when(~twice).then("at")).to_series()
            aside = twice
        else:
            aside = pl.Series([False]).new_from_index(0, twice.len())
        frame = frame.with_columns(early=early, late=late, aside=aside, at=chosen)
        frame = frame.with_columns(at=pl.coalesce("fixed", "at"))
        fits = plausible(pl.col("at"))
        empty = pl.col("text").str.len_bytes().fill_null(0) == 0
        naive = pl.col("local").is_not_null()
        shown = [pl.col(name).dt.strftime("%Y-%m-%dT%H:%M:%SZ") for name in ("early", "late")]
        both = pl.format(
            f"this time comes twice when the clocks of {zone} are put back: {{}} or {{}}; set aside, unless "
            "the layout says twice = 'earlier' or 'later'",
            *shown,
        )
        judged = frame.select(
            at=pl.when(fits[0]).then("at"),
            why=pl.when(fits[0])
            .then(None)
            .when(pl.col("at").is_not_null())
            .then(pl.lit(fits[1]))
            .when(empty)
            .then(pl.lit(NO_TIME))
            .when("aside")
            .then(both)
            .when(naive & pl.lit(bool(zone)))
            .then(pl.lit(f"there is no such time: the clocks of {zone} skip it in spring"))
            .when(naive)
            .then(pl.lit(NO_OFFSET + "; or give the layout a zone"))
            .otherwise(pl.lit(self._wrong)),
        )
        return judged["at"], judged["why"].cast(pl.String)


def _in_zone(local: pl.Series, zone: str, which: str) -> pl.Series:
    placed = local.dt.replace_time_zone(zone, ambiguous=which, non_existent="null")
    return placed.dt.convert_time_zone("UTC")


def _by_order(texts: pl.Series, order: str) -> tuple[pl.Series, pl.Series]:
    """Wall-clock time of naive cells, UTC of cells with an offset."""
    expression = rf"^{_DATES[order]}(?:[T ,]+{_CLOCK})?{_OWN}$"
    parts = texts.to_frame("text").select(pl.col("text").str.extract_groups(expression).alias("parts"))
    parts = parts.unnest("parts")
    year = pl.when(pl.col("year").str.len_bytes() == 2).then(pl.lit("20") + pl.col("year")).otherwise("year")
    day = pl.format("{}-{}-{}", year, pl.col("month").str.zfill(2), pl.col("day").str.zfill(2))
    own = pl.col("own").str.to_uppercase()
    signed = pl.col("own").str.replace(":", "", literal=True)
    minutes = signed.str.slice(1, 2).cast(pl.Int64, strict=False) * 60
    minutes = minutes + signed.str.slice(3, 2).cast(pl.Int64, strict=False).fill_null(0)
    minutes = pl.when(own.is_in(["Z", "UTC", "GMT"])).then(0).otherwise(minutes)
    minutes = pl.when(signed.str.starts_with("-")).then(-minutes).otherwise(minutes)
    clock = pl.when(pl.col("hour").is_null()).then(0).otherwise(_micros_of_clock())
    found = parts.select(
        wall=day.str.to_datetime("%Y-%m-%d", time_unit="us", strict=False) + clock.cast(pl.Duration("us")),
        own=pl.col("own").is_not_null(),
        shift=(minutes * (60 * _US)).cast(pl.Duration("us")),
    )
    both = found.select(
        local=pl.when(~pl.col("own")).then("wall"),
        fixed=pl.when("own").then(pl.col("wall") - pl.col("shift")).dt.replace_time_zone("UTC"),
    )
    return both["local"], both["fixed"]


def _micros_of_clock() -> pl.Expr:
    """Microseconds since midnight from the groups of a clock, null where there is no such time."""
    hour, minute = pl.col("hour").cast(pl.Int64), pl.col("minute").cast(pl.Int64)
    second = pl.col("second").cast(pl.Int64).fill_null(0)
    part = pl.col("part").str.pad_end(6, "0").str.slice(0, 6).cast(pl.Int64).fill_null(0)
    half = pl.col("half").str.to_lowercase()
    of_day = pl.when(half.is_null()).then(hour).when(half == "p").then(hour % 12 + 12).otherwise(hour % 12)
    fits = (minute < 60) & (second < 60) & (hour < 24) & (half.is_null() | hour.is_between(1, 12))
    return pl.when(fits).then(((of_day * 60 + minute) * 60 + second) * _US + part)


def _joined(columns: list[pl.Series]) -> pl.Series:
    """The cells of a row joined by one blank, null where all are empty."""
    texts = [column.cast(pl.String).str.strip_chars() for column in columns]
    if len(texts) == 1:
        return texts[0].alias("text")
    frame = pl.DataFrame([text.alias(str(place)) for place, text in enumerate(texts)])
    return frame.select(
        text=pl.concat_str(pl.all().fill_null(""), separator=" ").str.strip_chars()
    ).to_series()


def _named_date(time: Time, path: PurePosixPath) -> date:
    found = re.search(time.date_from_name, path.name)
    if found is None:
        raise ExportError(
            str(path), f"the name has no date that {time.date_from_name!r} finds; check date_from_name"
        )
    try:
        return datetime.strptime(found["date"], time.date_pattern).replace(tzinfo=UTC).date()
    except ValueError as error:
        raise ExportError(
            str(path),
            f"the date {found['date']!r} in the name is not written as {time.date_pattern!r}: {error}",
        ) from error


def _nothing(like: pl.Series, kind: pl.DataType) -> pl.Series:
    return pl.Series(like.name, [None], dtype=kind).new_from_index(0, like.len())
