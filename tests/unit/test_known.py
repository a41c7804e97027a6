"""What a list may rest on: nothing dated at or after its midnight, nothing that arrived after it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.known import Known, known_at, lamp_days, note_issued
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table
from tests.golden.sample import (
    EVENTS,
    WEEK,
    Job,
    fill,
    fleet,
    read_events,
    small_readings,
    week_list,
    write_exports,
)

# Zones with the midnight of a list on either side of that of UTC.
ZONES = ("UTC", "America/Denver")
NEXT = WEEK + timedelta(days=7)


def midnight_of(zone: str, day: date = WEEK) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def driven_over(readings: pl.DataFrame, midnight: datetime) -> pl.DataFrame:
    """The readings with each vehicle's clock moved so that a trip of its own runs over that midnight."""
    gap = pl.col("ts").diff().over("unit_id").fill_null(pl.duration(days=1)) > pl.duration(seconds=600)
    trips = (
        readings.with_columns(trip=gap.cum_sum().over("unit_id"))
        .group_by("unit_id", "trip")
        .agg(middle=pl.col("ts").sort().get(pl.len() // 2), rows=pl.len())
    )
    chosen = (
        trips.filter((pl.col("middle") >= midnight) & (pl.col("rows") >= 100))
        .sort("unit_id", "middle")
        .unique("unit_id", keep="first", maintain_order=True)
        .select("unit_id", moved=pl.lit(midnight) - pl.col("middle"))
    )
    return (
        readings.join(chosen, on="unit_id")
        .with_columns((pl.col("ts") + pl.col("moved")).dt.cast_time_unit("us"))
        .drop("moved")
        .sort("unit_id", "ts")
    )


def events_until(midnight: datetime) -> dict[str, pl.DataFrame]:
    instant = pl.col("ts").str.to_datetime(time_zone="UTC") < midnight
    closed = pl.col("closed_on").str.to_date() < WEEK
    kept = {"codes": instant, "onboard_tests": instant, "work_orders": closed, "register": pl.lit(True)}
    return {name: read_events(name).filter(kept[name]) for name in EVENTS}


def another_future(
    midnight: datetime, readings: pl.DataFrame
) -> tuple[pl.DataFrame, dict[str, pl.DataFrame]]:
    """From that midnight on: sensors that stand still, other codes, failed tests and every part replaced."""
    later = pl.col("ts") >= midnight
    sensors = [
        name for name in readings.columns if name.startswith(("o2_", "lambda_b", "coolant", "throttle"))
    ]
    altered = readings.with_columns(
        pl.when(later).then(pl.lit(0.5)).otherwise(name).alias(name) for name in sensors
    )
    now = midnight.isoformat()
    units = readings["unit_id"].unique().sort().to_list()
    past = events_until(midnight)
    codes = [{"unit_id": unit, "ts": now, "code": "P0420", "state": "confirmed"} for unit in units]
    codes += [
        {"unit_id": unit, "ts": (midnight + timedelta(hours=1)).isoformat(), "code": "", "state": "cleared"}
        for unit in units
    ]
    tests = [
        {
            "unit_id": unit,
            "ts": now,
            "obdmid": "0x21",
            "tid": "0x80",
            "uasid": "0x05",
            "value": "9",
            "min": "0",
            "max": "5",
        }
        for unit in units
    ]
    blank = dict.fromkeys(read_events("work_orders").columns)
    orders = [
        blank
        | {
            "order_id": f"X{index}",
            "unit_id": unit,
            "closed_on": str(WEEK),
            "component": "B1S1",
            "action": "replaced",
            "finding": "confirmed",
        }
        for index, unit in enumerate(units)
    ]
    for name, rows in (("codes", codes), ("onboard_tests", tests), ("work_orders", orders)):
        past[name] = pl.concat([past[name], pl.DataFrame(rows, schema=past[name].schema)])
    return altered, past


def issued(folder: Path, zone: str, readings: pl.DataFrame, events: dict[str, pl.DataFrame]) -> Job:
    job = fleet(folder, write_exports(folder / "exports", readings, **events), buckets=1, time_zone=zone)
    fill(job)
    for week_start in (WEEK, NEXT):
        week_list(job, week_start, folder / "out" / str(week_start))
    return job


def lists(job: Job, week_start: date) -> dict[str, bytes]:
    folder = Path(job.settings.out) / str(week_start)
    return {name: (folder / name).read_bytes() for name in ("list.csv", "scores.csv")}


@pytest.mark.parametrize("zone", ZONES)
def test_list_does_not_change_with_what_lies_ahead(tmp_path: Path, zone: str) -> None:
    midnight = midnight_of(zone)
    readings = driven_over(small_readings(units=3, until=midnight + timedelta(days=8)), midnight)
    beside = readings.filter(
        pl.col("ts").is_between(midnight - timedelta(minutes=2), midnight, closed="left")
    )
    assert beside["unit_id"].n_unique() >= 2

    full = issued(tmp_path / "full", zone, readings, {name: read_events(name) for name in EVENTS})
    ends = issued(tmp_path / "ends", zone, readings.filter(pl.col("ts") < midnight), events_until(midnight))
    other = issued(tmp_path / "other", zone, *another_future(midnight, readings))

    assert len(lists(full, WEEK)["list.csv"].splitlines()) > 1
    assert lists(full, WEEK) == lists(ends, WEEK)
    assert lists(full, WEEK) == lists(other, WEEK)
    # The check can see a difference: one week later each future shows.
    assert len({lists(job, NEXT)["scores.csv"] for job in (full, ends, other)}) == 3


def rows(name: str, *records: dict) -> pl.DataFrame:
    declared = table(name)
    return pl.DataFrame(
        [dict.fromkeys(declared.columns) | record for record in records], schema=declared.schema
    )


def export(number: int, arrived: datetime) -> dict:
    counts = dict.fromkeys(("bytes", "rows_in", "kept", "quarantined", "duplicates"), 1)
    words = {
        "export_id": f"e{number}",
        "file": f"{number}.csv",
        "kind": "codes",
        "signals": "",
        "dropped": "",
    }
    return counts | words | {"arrived_at": arrived}


def event_lake(folder: Path, born: datetime, *arrivals: datetime) -> Lake:
    """One code, test, work order and indicator day an arrival, all dated four days before the list."""
    dated = datetime(WEEK.year, WEEK.month, WEEK.day, 12, tzinfo=UTC) - timedelta(days=4)
    lake = Lake(str(folder))
    lake.append("exports", rows("exports", *(export(n, at) for n, at in enumerate((born, *arrivals)))))
    came = [
        {"unit_id": f"V{n}", "export_id": f"e{n}", "line": 2, "arrived_at": at}
        for n, at in enumerate(arrivals)
    ]
    code = {"ts": dated, "code": "P0420", "state": "confirmed"}
    lake.append("codes", rows("codes", *(one | code for one in came)))
    test = {"ts": dated, "obdmid": 33, "tid": 128, "uasid": 5, "value_raw": 1, "min_raw": 0, "max_raw": 5}
    scaled = {"value": 1.0, "min": 0.0, "max": 5.0, "has_run": True}
    lake.append("onboard_tests", rows("onboard_tests", *(one | test | scaled for one in came)))
    order = {"closed_on": dated.date(), "component": "B1S1", "action": "inspected", "finding": "unknown"}
    orders = [one | order | {"order_id": f"W{n}"} for n, one in enumerate(came)]
    lake.append("work_orders", rows("work_orders", *orders))
    day = {
        "bucket": 0,
        "month": "2026-04",
        "component": "B1S1",
        "day": dated.date(),
        "indicator": "up_swing_v",
        "value": 0.7,
        "samples": 100,
    }
    days = [{"unit_id": one["unit_id"], "arrived_at": one["arrived_at"]} | day for one in came]
    lake.append("indicator_days", rows("indicator_days", *days))
    return lake


def units(known: Known) -> dict[str, list[str]]:
    names = ("days", "codes", "onboard_tests", "work_orders")
    return {name: sorted(getattr(known, name)["unit_id"]) for name in names}


SETTINGS = Settings(time_zone="UTC")
SUNDAY = datetime(2026, 4, 5, 20, tzinfo=UTC)
TUESDAY = datetime(2026, 4, 7, 20, tzinfo=UTC)


def test_late_rows_do_not_count_once_the_lake_lives(tmp_path: Path) -> None:
    lake = event_lake(tmp_path, SUNDAY - timedelta(days=30), SUNDAY, TUESDAY)
    assert set(map(tuple, units(known_at(SETTINGS, lake, WEEK)).values())) == {("V0",)}
    assert set(map(tuple, units(known_at(SETTINGS, lake, WEEK + timedelta(days=7))).values())) == {
        ("V0", "V1")
    }


def test_a_list_first_written_on_tuesday_sees_tuesday_and_made_again_no_more(tmp_path: Path) -> None:
    """The Monday's run failed; what came on Tuesday counts, what comes on Wednesday, after it was written, does not."""
    lake = event_lake(tmp_path, SUNDAY - timedelta(days=30), SUNDAY, TUESDAY)
    both, one = {("V0", "V1")}, {("V0",)}

    def seen(issued: bool = True) -> set[tuple[str, ...]]:
        return set(map(tuple, units(known_at(SETTINGS, lake, WEEK, issued)).values()))

    assert seen() == both
    note_issued(lake, WEEK)
    wednesday = TUESDAY + timedelta(days=1)
    lake.append("exports", rows("exports", export(9, wednesday)))
    for name in ("codes", "work_orders", "onboard_tests", "indicator_days"):
        late = lake.read(name).filter(pl.col("arrived_at") == TUESDAY)
        key = {"work_orders": [pl.lit("W9").alias("order_id")]}.get(name, [])
        lake.append(name, late.with_columns(*key, unit_id=pl.lit("V2"), arrived_at=wednesday.replace(microsecond=1)))
    assert seen() == both
    note_issued(lake, WEEK)  # made again: what it saw at first stands
    assert seen() == both and lake.read("issued_lists").rows() == [(WEEK, TUESDAY)]
    assert seen(issued=False) == one  # a replay keeps to the Monday


def test_a_list_never_written_keeps_to_its_monday_once_its_week_is_over(tmp_path: Path) -> None:
    lake = event_lake(tmp_path, SUNDAY - timedelta(days=30), SUNDAY, TUESDAY)
    midnight = midnight_of("UTC", NEXT)
    lake.append("exports", rows("exports", export(9, midnight - timedelta(microseconds=1))))
    assert len(known_at(SETTINGS, lake, WEEK, issued=True).codes) == 2
    lake.append("exports", rows("exports", export(10, midnight)))
    assert known_at(SETTINGS, lake, WEEK, issued=True).codes["unit_id"].to_list() == ["V0"]


def test_lake_filled_afterwards_holds_history(tmp_path: Path) -> None:
    """First ingest after the midnight of the list: what it says of the time before counts, whenever it came."""
    lake = event_lake(tmp_path, TUESDAY, TUESDAY, TUESDAY + timedelta(days=100))
    assert set(map(tuple, units(known_at(SETTINGS, lake, WEEK)).values())) == {("V0", "V1")}
    # One week later the lake lives, and what came a hundred days later is late.
    assert set(map(tuple, units(known_at(SETTINGS, lake, WEEK + timedelta(days=7))).values())) == {("V0",)}


def test_ends_of_the_history(tmp_path: Path) -> None:
    """The day before the list and the first day of the history count; their neighbours do not."""
    lake = Lake(str(tmp_path))
    settings = replace_settings(history_weeks=4)
    first = WEEK - timedelta(days=28)
    days = [first - timedelta(days=1), first, WEEK - timedelta(days=1), WEEK]
    base = {"bucket": 0, "component": "B1S1", "indicator": "up_swing_v", "value": 0.7, "samples": 1}
    records = [
        base | {"unit_id": "V", "day": day, "month": f"{day:%Y-%m}", "arrived_at": TUESDAY} for day in days
    ]
    lake.append("indicator_days", rows("indicator_days", *records))
    orders = [
        {
            "order_id": str(day),
            "unit_id": "V",
            "closed_on": day,
            "component": "B1S1",
            "action": "replaced",
            "finding": "confirmed",
            "export_id": "e",
            "line": 2,
            "arrived_at": TUESDAY,
        }
        for day in days
    ]
    lake.append("work_orders", rows("work_orders", *orders))
    known = known_at(settings, lake, WEEK)
    assert known.days["day"].to_list() == days[1:3]
    # A part fitted before the history still begins a new life; one fitted on the Monday itself is not known of.
    assert known.work_orders["closed_on"].to_list() == days[:3]


def test_the_lamp_is_known_back_to_the_oldest_code_that_stands(tmp_path: Path) -> None:
    """Of vehicles with such a code every day once, from that of the code on, and none that came late."""
    settings = replace_settings(history_weeks=4)
    first = WEEK - timedelta(days=28)
    lake = Lake(str(tmp_path))
    lake.append("exports", rows("exports", export(0, SUNDAY - timedelta(days=300))))
    lit = [first + timedelta(days=day) for day in (-100, -90, -1, 0, 27)]
    base = {"bucket": 0, "component": "UNIT", "indicator": "mil_on", "value": 1.0, "samples": 1}
    records = [
        base | {"unit_id": unit, "day": day, "month": f"{day:%Y-%m}", "arrived_at": SUNDAY} for unit in ("A", "B") for day in lit
    ]
    late = base | {"unit_id": "A", "day": lit[1] + timedelta(days=1), "month": "2025-12", "arrived_at": TUESDAY}
    lake.append("indicator_days", rows("indicator_days", *records, late))

    def lamp(code_on: date, **standing: bool) -> dict[str, list[date]]:
        seen = datetime(code_on.year, code_on.month, code_on.day, 9, tzinfo=UTC)
        code = {"unit_id": "A", "cleared": False, "confirmed": True, "first_seen_at": seen} | standing
        made = lamp_days(settings, lake, known_at(settings, lake, WEEK), pl.DataFrame([code]), WEEK)
        return {unit: sorted(made.filter(pl.col("unit_id") == unit)["day"]) for unit in ("A", "B")}

    assert lamp(lit[1]) == {"A": lit[1:], "B": lit[3:]}
    for newer in (lamp(first), lamp(lit[1], cleared=True), lamp(lit[1], confirmed=False)):
        assert newer == {"A": lit[3:], "B": lit[3:]}


def replace_settings(**values: object) -> Settings:
    return SETTINGS.model_copy(update=values)


@pytest.mark.parametrize(
    ("zone", "seconds"), [("UTC", 0), ("America/Denver", 6 * 3600), ("Asia/Tokyo", -9 * 3600)]
)
def test_midnight_is_that_of_the_fleet(tmp_path: Path, zone: str, seconds: int) -> None:
    """Offsets of the IANA zones on 6 April 2026: Denver UTC-6 (daylight time), Tokyo UTC+9 (from memory)."""
    midnight = datetime(2026, 4, 6, tzinfo=UTC) + timedelta(seconds=seconds)
    lake = Lake(str(tmp_path))
    instants = [midnight - timedelta(microseconds=1), midnight]
    base = {
        "unit_id": "V",
        "code": "P0420",
        "state": "pending",
        "export_id": "e",
        "line": 2,
        "arrived_at": TUESDAY,
    }
    lake.append("codes", rows("codes", *(base | {"ts": instant} for instant in instants)))
    known = known_at(replace_settings(time_zone=zone), lake, WEEK)
    assert known.codes["ts"].to_list() == instants[:1]


def test_empty_lake_knows_nothing(tmp_path: Path) -> None:
    known = known_at(SETTINGS, Lake(str(tmp_path / "none")), WEEK)
    for name in Known.__dataclass_fields__:
        assert getattr(known, name).is_empty()
    assert not (tmp_path / "none").exists()
