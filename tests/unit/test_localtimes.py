"""Times as layouts describe them, against zoneinfo; changes of clocks are written out."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import PurePosixPath
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.errors import ExportError
from pipeline.exports.layoutmodel import Time
from pipeline.exports.localtimes import Times

VIENNA, NEW_YORK = "Europe/Vienna", "America/New_York"


def read(texts, units=None, name="f.csv", decimal=".", columns=("Time",), **time):
    """Instants and reasons of one column of text."""
    times = Times(Time(columns=list(columns), **time), PurePosixPath(name), decimal)
    cells = texts if isinstance(texts, pl.Series) else pl.Series(texts, dtype=pl.String)
    judged = times.instants([cells], pl.Series(units or ["V1"] * len(cells), dtype=pl.String))
    assert judged.found.dtype == pl.Datetime("us", "UTC")
    assert [at is None for at in judged.found] == [why is not None for why in judged.why]
    return judged.found.to_list(), judged.why.to_list()


def utc(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("order", "text", "expected"),
    [
        ("iso", "2026-01-05T08:00:00", "2026-01-05T07:00:00"),
        ("iso", "2026-07-05 08:00", "2026-07-05T06:00:00"),
        ("iso", "2026/01/05 08:00:00,250", "2026-01-05T07:00:00.250000"),
        ("iso", "2026-1-5 8:00:00 PM", "2026-01-05T19:00:00"),
        ("iso", "2026-01-05T08:00:00Z", "2026-01-05T08:00:00"),
        ("iso", "2026-01-05T08:00:00+09:00", "2026-01-04T23:00:00"),
        ("iso", "2026-01-05 08:00:00 -0330", "2026-01-05T11:30:00"),
        ("day-first", "05.01.2026 08:00:00", "2026-01-05T07:00:00"),
        ("day-first", "5/1/26 8:00", "2026-01-05T07:00:00"),
        ("day-first", "05-01-2026, 12:30 am", "2026-01-04T23:30:00"),
        ("day-first", "05.01.2026 08:00:00+03", "2026-01-05T05:00:00"),
        ("month-first", "01/05/2026 12:00:00 PM", "2026-01-05T11:00:00"),
        ("month-first", "1/31/2026 08:00:00 UTC", "2026-01-31T08:00:00"),
        ("epoch-s", "1767600000", "2026-01-05T08:00:00"),
        ("epoch-s", "1767600000.25", "2026-01-05T08:00:00.250000"),
        ("epoch-ms", "1767600000125", "2026-01-05T08:00:00.125000"),
        ("spreadsheet", "46027.3333333333", "2026-01-05T07:00:00"),
        ("spreadsheet", "46027", "2026-01-04T23:00:00"),
    ],
)
def test_orders(order, text, expected):
    """46027 days after 1899-12-30 is 2026-01-05 (date - date below); 1767600000 s by datetime."""
    assert date(1899, 12, 30) + timedelta(days=46027) == date(2026, 1, 5)
    assert datetime.fromtimestamp(1767600000, UTC) == utc("2026-01-05T08:00:00")
    assert read([text], order=order, zone=VIENNA) == ([utc(expected)], [None])


@pytest.mark.parametrize(
    ("order", "text", "words"),
    [
        ("day-first", "2026-01-05 08:00:00", "not a day-first time"),
        ("day-first", "01/31/2026 08:00:00", "not a day-first time"),
        ("month-first", "31.01.2026 08:00", "not a month-first time"),
        ("iso", "2026-02-30T08:00:00", "not an ISO-8601 time"),
        ("iso", "2026-01-05T25:00:00", "not an ISO-8601 time"),
        ("iso", "2026-01-05T13:00:00 PM", "not an ISO-8601 time"),
        ("iso", "1995-01-05T08:00:00", "year outside 1996 to 2100"),
        ("iso", "", "no time"),
        ("epoch-s", "1767600000000", "not seconds since 1970"),
        ("epoch-ms", "1767600000", "year outside 1996 to 2100"),
        ("epoch-s", "soon", "not seconds since 1970"),
        ("spreadsheet", "1e9", "not a serial day"),
        ("spreadsheet", "-4", "not a serial day"),
    ],
)
def test_what_is_no_time(order, text, words):
    found, why = read([text], order=order, zone=VIENNA)
    assert found == [None]
    assert words in why[0]


def test_naive_time_without_a_zone():
    found, why = read(["2026-01-05T08:00:00", "2026-01-05T08:00:00Z"], order="iso")
    assert found == [None, utc("2026-01-05T08:00:00")]
    assert "no offset" in why[0] and "zone" in why[0]


# -- changes of clocks -------------------------------------------------------------------------------------

TWICE = [
    # 2026-10-25 03:00 CEST -> 02:00 CET; 2026-11-01 02:00 EDT -> 01:00 EST
    (VIENNA, "2026-10-25T02:00:00", "2026-10-25T00:00:00", "2026-10-25T01:00:00"),
    (VIENNA, "2026-10-25T02:59:59", "2026-10-25T00:59:59", "2026-10-25T01:59:59"),
    (NEW_YORK, "2026-11-01T01:00:00", "2026-11-01T05:00:00", "2026-11-01T06:00:00"),
    (NEW_YORK, "2026-11-01T01:30:00", "2026-11-01T05:30:00", "2026-11-01T06:30:00"),
]


@pytest.mark.parametrize(("zone", "text", "early", "late"), TWICE)
def test_the_hour_that_comes_twice(zone, text, early, late):
    found, why = read([text], order="iso", zone=zone)
    assert found == [None]
    assert f"{early}Z or {late}Z" in why[0] and zone in why[0]
    assert read([text], order="iso", zone=zone, twice="earlier") == ([utc(early)], [None])
    assert read([text], order="iso", zone=zone, twice="later") == ([utc(late)], [None])


@pytest.mark.parametrize("twice", ["set-aside", "earlier", "later"])
@pytest.mark.parametrize(
    ("zone", "text"),
    [
        # 2026-03-29 02:00 CET -> 03:00 CEST; 2026-03-08 02:00 EST -> 03:00 EDT
        (VIENNA, "2026-03-29T02:00:00"),
        (VIENNA, "2026-03-29T02:59:59"),
        (NEW_YORK, "2026-03-08T02:00:00"),
        (NEW_YORK, "2026-03-08T02:30:00"),
    ],
)
def test_the_hour_that_does_not_exist(zone, text, twice):
    found, why = read([text], order="iso", zone=zone, twice=twice)
    assert found == [None]
    assert "no such time" in why[0] and zone in why[0]


@pytest.mark.parametrize(
    ("zone", "text", "expected"),
    [
        (VIENNA, "2026-10-25T01:59:59", "2026-10-24T23:59:59"),
        (VIENNA, "2026-10-25T03:00:00", "2026-10-25T02:00:00"),
        (VIENNA, "2026-03-29T01:59:59", "2026-03-29T00:59:59"),
        (VIENNA, "2026-03-29T03:00:00", "2026-03-29T01:00:00"),
        (NEW_YORK, "2026-11-01T02:00:00", "2026-11-01T07:00:00"),
        (NEW_YORK, "2026-03-08T03:00:00", "2026-03-08T07:00:00"),
        (VIENNA, "2026-10-25T02:30:00+01:00", "2026-10-25T01:30:00"),
        (VIENNA, "2026-10-25T02:30:00+02:00", "2026-10-25T00:30:00"),
    ],
)
def test_beside_the_changes(zone, text, expected):
    assert read([text], order="iso", zone=zone) == ([utc(expected)], [None])


@pytest.mark.parametrize("zone", [VIENNA, NEW_YORK, "Asia/Seoul", "Australia/Lord_Howe"])
def test_a_year_of_half_hours_against_zoneinfo(zone):
    there = ZoneInfo(zone)
    walls = [datetime(2026, 1, 1) + timedelta(minutes=30 * step) for step in range(365 * 48)]
    texts = [wall.isoformat() for wall in walls]
    for twice, fold in (("earlier", 0), ("later", 1)):
        found, _ = read(texts, order="iso", zone=zone, twice=twice)
        for wall, at in zip(walls, found, strict=True):
            placed = wall.replace(tzinfo=there, fold=fold).astimezone(UTC)
            exists = placed.astimezone(there).replace(tzinfo=None) == wall
            assert at == (placed if exists else None)


# -- times of day ------------------------------------------------------------------------------------------

NAMED = {"date_from_name": r"_(?P<date>\d{8})", "date_pattern": "%Y%m%d", "name": "gw_20260105.csv"}


def test_clock_times_that_pass_midnight():
    texts = ["23:59:58", "23:59:59.5", "00:00:01", "12:00:00", "23:00", "0:30:00"]
    found, _ = read(texts, order="clock", zone="UTC", **NAMED)
    days = [5, 5, 6, 6, 6, 7]
    assert [at.day for at in found] == days
    assert found[1] == utc("2026-01-05T23:59:59.500000")


def test_midnights_are_counted_by_unit_and_rows_that_come_late_stay_behind_them():
    texts = ["23:59:59", "08:00:00", "00:00:01", "23:59:59", "00:00:02", "07:59:58"]
    units = ["A", "B", "A", "A", "A", "B"]
    found, _ = read(texts, units=units, order="clock", zone="UTC", **NAMED)
    assert [at.day for at in found] == [5, 5, 6, 5, 6, 5]


def test_a_gap_within_a_day_is_no_midnight():
    found, _ = read(["00:10:00", "23:30:00", "23:40:00"], order="clock", zone="UTC", **NAMED)
    assert [at.day for at in found] == [5, 5, 5]


def test_midnights_are_counted_from_batch_to_batch():
    name = NAMED["name"]
    rest = {key: value for key, value in NAMED.items() if key != "name"}
    times = Times(Time(columns=["t"], order="clock", zone=VIENNA, **rest), PurePosixPath(name))
    days = []
    for text in ("23:59:00", "00:01:00", "00:02:00"):
        judged = times.instants([pl.Series([text])], pl.Series(["A"]))
        days.append(judged.found[0])
    assert days == [utc("2026-01-05T22:59:00"), utc("2026-01-05T23:01:00"), utc("2026-01-05T23:02:00")]


def test_seconds_of_day():
    found, why = read(
        ["28800", "86399,5", "86401", "3", "-1", "x"],
        order="seconds-of-day",
        zone="UTC",
        decimal=",",
        **NAMED,
    )
    assert found[:3] == [utc("2026-01-05T08:00:00"), utc("2026-01-05T23:59:59.5"), utc("2026-01-06T00:00:01")]
    assert found[3] == utc("2026-01-06T00:00:03")
    assert found[4:] == [None, None] and "seconds since midnight" in why[4]


@pytest.mark.parametrize(("name", "words"), [("gw.csv", "no date"), ("gw_20261305.csv", "not written as")])
def test_a_name_without_the_date(name, words):
    with pytest.raises(ExportError, match=words):
        read(["08:00:00"], order="clock", zone="UTC", **NAMED | {"name": name})


# -- the rest ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pattern", "text", "expected"),
    [
        ("%d %b %Y %H:%M:%S", "05 Jan 2026 08:00:00", "2026-01-05T07:00:00"),
        ("%d.%m.%Y %H:%M:%S.%f", "05.01.2026 08:00:00.250", "2026-01-05T07:00:00.250000"),
        ("%Y%m%d%H%M%S", "20260105080000", "2026-01-05T07:00:00"),
        ("%Y-%m-%d %H:%M:%S %z", "2026-01-05 08:00:00 +0300", "2026-01-05T05:00:00"),
        ("%m/%d/%Y %I:%M:%S %p", "01/05/2026 12:15:00 AM", "2026-01-04T23:15:00"),
    ],
)
def test_patterns(pattern, text, expected):
    assert read([text], pattern=pattern, zone=VIENNA) == ([utc(expected)], [None])
    found, why = read(["?"], pattern=pattern, zone=VIENNA)
    assert found == [None] and pattern in why[0]


def test_columns_are_joined_by_one_blank():
    times = Times(Time(columns=["d", "t"], order="day-first", zone="UTC"), PurePosixPath("f"))
    judged = times.instants(
        [pl.Series([" 05.01.2026", None, "05.01.2026"]), pl.Series(["08:00 ", None, None])],
        pl.Series(["V"] * 3),
    )
    assert judged.found.to_list() == [utc("2026-01-05T08:00:00"), None, utc("2026-01-05T00:00:00")]
    assert judged.texts.to_list() == ["05.01.2026 08:00", "", "05.01.2026"]


def test_timestamps_of_a_parquet_file():
    naive = pl.Series([datetime(2026, 1, 5, 8), datetime(2026, 3, 29, 2, 30)])
    found, why = read(naive, order="iso", zone=VIENNA)
    assert found == [utc("2026-01-05T07:00:00"), None] and "no such time" in why[1]
    zoned = naive.dt.replace_time_zone("UTC").cast(pl.Datetime("ms", "UTC"))
    assert read(zoned, order="iso", zone=VIENNA)[0] == [
        utc("2026-01-05T08:00:00"),
        utc("2026-03-29T02:30:00"),
    ]


def test_days():
    def days(texts, **time):
        judged = Times(Time(columns=["d"], **time), PurePosixPath("f")).days(
            [pl.Series(texts, dtype=pl.String)]
        )
        return judged.found.to_list(), [why is not None for why in judged.why]

    assert days(["31.01.2026", "1.2.26 10:00", "", None, "x"], order="day-first") == (
        [date(2026, 1, 31), date(2026, 2, 1), None, None, None],
        [False, False, False, False, True],
    )
    assert days(["1767654000"], order="epoch-s", zone="Asia/Seoul")[0] == [date(2026, 1, 6)]
    assert days(["46027"], order="spreadsheet")[0] == [date(2026, 1, 5)]
    assert days(["05 Jan 2026"], pattern="%d %b %Y")[0] == [date(2026, 1, 5)]
    assert days(["05.01.2026"], pattern="%d.%m.%Y")[0] == [date(2026, 1, 5)]
