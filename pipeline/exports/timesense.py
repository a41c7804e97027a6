"""Which columns of an unknown file hold its instants, how they are written, and what only a person can say."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import PurePath, PurePosixPath

import polars as pl

from pipeline.errors import ConfigError
from pipeline.exports.layoutmodel import Time
from pipeline.exports.layouts import plain_header
from pipeline.exports.localtimes import Times
from pipeline.exports.sniffing import Sample

_CLOCK = r"\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d{1,9})?)?(?:\s*[AaPp]\.?[Mm]\.?)?"
_OWN = r"\s*(?:[Zz]|UTC|GMT|[+-]\d{2}(?::?\d{2})?)"
_ISO = re.compile(rf"^\d{{4}}[-/.]\d{{1,2}}[-/.]\d{{1,2}}(?:[T ]\s*{_CLOCK})?(?P<own>{_OWN})?$")
_MIXED = re.compile(rf"^(?P<a>\d{{1,2}})[-/.](?P<b>\d{{1,2}})[-/.](?P<year>\d{{4}}|\d{{2}})(?:[T ]\s*{_CLOCK})?(?P<own>{_OWN})?$")
_TIME = re.compile(rf"^{_CLOCK}$")
_DIGITS = re.compile(r"^\d+(?:[.,]\d+)?$")
_NAME_DATES = (
    (re.compile(r"(?<!\d)20\d{2}-\d{2}-\d{2}(?!\d)"), r"(?P<date>20\d{2}-\d{2}-\d{2})", "%Y-%m-%d"),
    (re.compile(r"(?<!\d)20\d{2}_\d{2}_\d{2}(?!\d)"), r"(?P<date>20\d{2}_\d{2}_\d{2})", "%Y_%m_%d"),
    (re.compile(r"(?<!\d)20\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?!\d)"), r"(?P<date>20\d{6})", "%Y%m%d"),
)
# Headers of instants in a few languages; a column must also hold what looks like one.
_WORDS = re.compile(
    r"time|date|\bts\b|stamp|epoch|zeit|datum|uhr|heure|jour|fecha|hora|\bora\b|data\b|seconds|sekunden|시간|시각|날짜|일시"
)
_CALENDAR = re.compile(r"date|datum|jour|fecha|\bdata\b|날짜|일자")
_EPOCH_S, _EPOCH_MS, _SERIAL = (9e8, 4.2e9), (9e11, 4.2e12), (20_000.0, 80_000.0)  # 1998 to 2103; 1954 to 2119
_DAY_S = 86_400


@dataclass
class Instants:
    """The [time] of a layout: keys and values in order, why, and whether these times need a zone."""

    columns: list[str]
    order: str
    why: str
    needs_zone: bool
    name: dict[str, str] = field(default_factory=dict)


def instants(sample: Sample, order: str = "", zone: str = "", fleet_zone: str = "UTC", days: bool = False) -> Instants:
    """How the file writes its instants.

    Args:
        order: the order of dates where the caller knows it, ``day-first`` or ``month-first``.
        zone: the zone of naive times where the caller knows it.
        fleet_zone: the zone that a refusal shows beside UTC.
        days: rows are dated by a day, which needs no zone.

    Raises:
        ConfigError: no column holds instants; the order of dates or the zone cannot be told from the file.
    """
    found = next(_candidates(sample, order, days), None)
    if found is None:
        raise ConfigError(
            f"{sample.file}: no column holds times that are known (ISO, day or month first, seconds or milliseconds "
            "since 1970, spreadsheet days, or times of day with the date in the file's name); found are "
            f"{', '.join(map(repr, sample.names[:20]))}"
        )
    if found.needs_zone and not zone and not days:
        raise ConfigError(_zone_question(sample, found, fleet_zone))
    return found


def _candidates(sample: Sample, order: str, days: bool) -> Iterator[Instants]:
    """Ways to read the time, the surest first."""
    for name in sample.zoned:
        yield Instants([name], "iso", "stored as timestamps with a zone", needs_zone=False)
    for name in sample.naive:
        yield Instants([name], "iso", "stored as timestamps without a zone", needs_zone=True)
    named = [name for name in sample.names if _WORDS.search(plain_header(name).lower())]
    columns = named + [name for name in sample.names if name not in named]
    for name in columns:
        yield from _dated(sample, name, columns, order, days)
    for name in named:
        yield from _counted(sample, name)
    date_of_name = _name_date(sample.file)
    if date_of_name is not None:
        for name in columns:
            cells = sample.filled(name)
            if cells and all(_TIME.match(cell) for cell in cells):
                yield Instants([name], "clock", "times of day; the date is in the file's name", True, date_of_name)
        for name in named:
            values = sample.numbers(name)
            if values and min(values) >= 0 and max(values) < 2 * _DAY_S and values[-1] >= values[0]:
                why = "numbers below two days of seconds that grow; the date is in the file's name"
                yield Instants([name], "seconds-of-day", why, True, date_of_name)


def _dated(sample: Sample, name: str, columns: list[str], order: str, days: bool) -> Iterator[Instants]:
    """Texts with a calendar date, joined with a column of times of day where they have none."""
    cells = sample.filled(name)
    isos = [match for cell in cells if (match := _ISO.match(cell))]
    mixed = [match for cell in cells if (match := _MIXED.match(cell))]
    if not cells or max(len(isos), len(mixed)) < 0.9 * len(cells):
        return
    matches, how, why = isos, "iso", f"'{cells[0]}'"
    if len(mixed) > len(isos):
        matches = mixed
        how, why = _order(sample, name, mixed, order)
    joined = [name]
    if not days and not any(":" in match.group() for match in matches):
        clock = next((c for c in columns if (held := sample.filled(c)) and all(_TIME.match(cell) for cell in held)), None)
        if clock is None:
            return  # a day alone is no instant of a reading
        joined.append(clock)
    naive = any(match["own"] is None for match in matches)
    yield Instants(joined, how, why, needs_zone=naive)


def _order(sample: Sample, name: str, mixed: list[re.Match[str]], order: str) -> tuple[str, str]:
    """Day or month first.

    Raises:
        ConfigError: no date of the sample tells, or some tell one thing and some the other.
    """
    days = next((match.group() for match in mixed if int(match["a"]) > 12), None)
    months = next((match.group() for match in mixed if int(match["b"]) > 12), None)
    if days and months:
        raise ConfigError(
            f"{sample.file}: column {name!r} holds '{days}', which is day first, and '{months}', which is month first; "
            "a file of two orders cannot be read: export it again in one"
        )
    if days or months:
        told = "day-first" if days else "month-first"
        if order and order != told:
            raise ConfigError(f"{sample.file}: '{days or months}' of column {name!r} is {told}, not {order}")
        return told, f"'{days or months}' can only be {told}"
    if order:
        return order, "as you said"
    shown = mixed[0]
    first, second = int(shown["a"]), int(shown["b"])
    year = int(shown["year"]) + (2000 if len(shown["year"]) == 2 else 0)
    raise ConfigError(
        f"{sample.file}: '{shown.group()}' of column {name!r} can be {datetime(year, second, first):%-d %B %Y} (day "
        f"first) or {datetime(year, first, second):%-d %B %Y} (month first), and no date of the sample tells; say "
        "--order day-first or --order month-first"
    )


def _counted(sample: Sample, name: str) -> Iterator[Instants]:
    """Numbers that count from a known day."""
    cells = sample.filled(name)
    if not cells or not all(_DIGITS.match(cell) for cell in cells):
        return
    values = sample.numbers(name)
    if not values:
        return
    least, most = min(values), max(values)
    shown = f"'{cells[0]}'"
    if _EPOCH_S[0] <= least and most <= _EPOCH_S[1]:
        yield Instants([name], "epoch-s", f"{shown} is {_of_epoch(values[0])} in seconds since 1970", False)
    elif _EPOCH_MS[0] <= least and most <= _EPOCH_MS[1]:
        yield Instants([name], "epoch-ms", f"{shown} is {_of_epoch(values[0] / 1000)} in ms since 1970", False)
    elif _SERIAL[0] <= least and most <= _SERIAL[1] and any(value % 1 for value in values):
        yield Instants([name], "spreadsheet", f"{shown} is a day of a spreadsheet with its part of the day", True)


def _of_epoch(seconds: float) -> str:
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def _name_date(file: str) -> dict[str, str] | None:
    name = PurePath(file).name
    for found, expression, pattern in _NAME_DATES:
        if found.search(name):
            return {"date_from_name": expression, "date_pattern": pattern}
    return None


def _zone_question(sample: Sample, found: Instants, fleet_zone: str) -> str:
    cells = [next(iter(sample.filled(name)), "") for name in found.columns]
    columns = [pl.Series([cell]) for cell in cells]
    readings = []
    for zone in dict.fromkeys(("UTC", fleet_zone if fleet_zone != "UTC" else "Europe/Vienna")):
        time = Time(columns=found.columns, order=found.order, zone=zone, **found.name)
        decimal = str(sample.text.get("decimal", "."))
        at = Times(time, PurePosixPath(sample.file), decimal).instants(columns, pl.Series(["-"])).found[0]
        readings.append(f"{at:%Y-%m-%d %H:%M:%S} UTC if it is {zone}" if at else f"no time in {zone}")
    return (
        f"{sample.file}: the times of column {' and '.join(map(repr, found.columns))} have no offset. "
        f"'{' '.join(cells)}' is {', '.join(readings)}, and the file does not tell; say --zone UTC, or --zone with an "
        "IANA name such as Europe/Vienna"
    )
