"""Data watch: each check fires on its case with the right severity; a healthy or small fleet is left in peace."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.datawatch import Notice, data_watch, feed_ended, must_look, watch_lines
from pipeline.lake import Lake, bucket_of
from pipeline.report.listing import write_outputs
from pipeline.settings import CONFIG, Settings
from tests.browser import report_lake
from tests.browser.report_lake import rows_of

WEEK = date(2026, 3, 2)  # a Monday
FRIDAY = date(2026, 2, 27)
BEFORE = WEEK - timedelta(days=7)
LATER = datetime(2026, 11, 25, tzinfo=UTC)  # the lake was filled afterwards: it holds history only
# 12 vehicles of depot North and engine family A, 12 of South and B, Monday to Friday for eight weeks.
PLACES = (("North", "A"), ("South", "B"))
UNITS = {f"{depot[0]}{n:02d}": (depot, family) for depot, family in PLACES for n in range(12)}
DAYS = [WEEK - timedelta(days=n) for n in range(56, 0, -1) if (WEEK - timedelta(days=n)).weekday() < 5]
SIGNALS = ("rpm", "o2_b1s1_v")
Keep = Callable[[str, date], bool]


def always(*_: object) -> bool:
    return True


def fleet(
    folder: Path,
    units: dict[str, tuple[str, str]] = UNITS,
    days: list[date] = DAYS,
    reports: Keep = always,
    delivers: Callable[[str, date, str], bool] = always,
    judged: Callable[[str, date], bool] = always,
    level: Callable[[str], float] = lambda unit: 0.30,
    arrived: Callable[[date], datetime] = lambda day: LATER,
) -> Lake:
    """A lake in which everything is well but what the arguments say.

    reports: unit and day; delivers: unit, day and signal; judged: unit and list; level: of up_mid_share, whose own
    past is 0.30 with a scatter of 0.02.
    """
    lake = Lake(str(folder))
    came = {"export_id": "e", "line": 2}
    lake.append("register", rows_of("register", [
        came | {"unit_id": unit, "depot": depot, "engine_family": family, "arrived_at": arrived(DAYS[0])}
        for unit, (depot, family) in units.items()
    ]))
    drove = [(unit, day) for unit in units for day in days if reports(unit, day)]
    noon = datetime(2026, 1, 1, 12, tzinfo=UTC)
    span = {"export_id": "e", "first_line": 2, "last_line": 9, "rows": 8, "first_ts": noon, "last_ts": noon}
    lake.append("export_spans", rows_of("export_spans", [
        span | {"unit_id": unit, "day": day, "arrived_at": arrived(day)} for unit, day in drove
    ]))
    lake.append("signal_days", rows_of("signal_days", [
        {"unit_id": unit, "bucket": 0, "month": f"{day:%Y-%m}", "day": day, "signal": signal, "readings": 500}
        | {"driven_s": 900.0, "arrived_at": arrived(day)}
        for unit, day in drove for signal in SIGNALS if delivers(unit, day, signal)
    ]))
    words = dict.fromkeys(("kind", "mode", "why", "rule_out_first", "judged_by"), "")
    for week in (BEFORE, WEEK):
        lake.append("scores", rows_of("scores", [
            words | {"series": "issued", "week_start": week, "unit_id": unit, "component": component}
            | {"part": "upstream", "depot": depot, "engine_family": family, "status": "judged" if judged(unit, week) else "not_judged"}
            | {"reason": "" if judged(unit, week) else "no upstream voltage was sampled"}
            for unit, (depot, family) in units.items() for component in ("B1S1", "CAT1")
        ]))
    lake.append("trends", rows_of("trends", [
        {"series": "issued", "week_start": WEEK, "unit_id": unit, "component": "B1S1", "indicator": "up_mid_share"}
        | {"level": level(unit), "level_samples": 900, "level_week": BEFORE, "weeks": 8}
        | {"peers": 11, "baseline": 0.30, "own_spread": 0.02}
        for unit in units
    ]))
    return lake


def watch(lake: Lake, week_start: date = WEEK, **words: object) -> list[Notice]:
    return data_watch(Settings(), lake, week_start, **words)


def number(unit: str) -> int:
    return int(unit[1:])


def few(lake_units: int = 7) -> dict[str, tuple[str, str]]:
    return {unit: UNITS[unit] for unit in list(UNITS)[:lake_units]}


def test_readings_that_went_through_no_derive_are_told(tmp_path: Path):
    """Two vehicles of a bucket; the third is of another and measured. A file that came since has more rows than were measured."""
    settings = Settings(buckets=2)
    lake = fleet(tmp_path)
    buckets = dict(zip(UNITS, bucket_of(pl.Series(list(UNITS)), 2), strict=True))
    mine = [unit for unit in UNITS if buckets[unit] == 1]
    noon = datetime(2026, 2, 27, 12, tzinfo=UTC)

    def laid(bucket: int, rows: int) -> None:
        whole = rows_of("readings", [
            {"unit_id": mine[0], "ts": noon + timedelta(seconds=n), "day": FRIDAY, "bucket": bucket, "rpm": 800.0} for n in range(rows)
        ])
        lake.replace("readings", whole, [{"day": FRIDAY, "bucket": bucket}])

    def told() -> list[str]:
        return [f"{n.severity}: {n.what}: {n.detail}" for n in data_watch(settings, lake, WEEK) if "measured" in n.what]

    laid(0, 5)
    laid(1, 8)
    derived = {"day": FRIDAY, "content": "x", "indicators": 0}
    lake.append("shards", rows_of("shards", [derived | {"bucket": 0, "readings": 5}]))
    assert told() == [
        f"warn: readings of {len(mine)} vehicles are not measured: of 2026-02-27 to 2026-02-27 some have not gone through derive, "
        "so parts of these vehicles are judged on what is older: run `lightoff derive`; what it cannot read it names"
    ]
    lake.append("shards", rows_of("shards", [derived | {"bucket": 1, "readings": 8}]))
    assert told() == []
    laid(1, 9)
    assert len(told()) == 1
    counts = dict.fromkeys(("rows_before", "rows_after", "units", "bytes_before", "keep_days"), 9)
    closed = {"day": FRIDAY, "bucket": 1, "thinned_at": LATER, "content": "x"}
    lake.append("thinned", rows_of("thinned", [closed | counts]))  # a closed day holds other rows than were measured
    assert told() == []


def test_a_healthy_fleet_is_left_in_peace(tmp_path: Path) -> None:
    lake = fleet(tmp_path)
    assert watch(lake) == []
    assert watch(lake, tonight=True) == []
    assert watch_lines([]) == []


def test_an_empty_lake_is_left_in_peace(tmp_path: Path) -> None:
    assert watch(Lake(str(tmp_path))) == []
    assert watch(Lake(str(tmp_path)), tonight=True) == []


# -- missing day ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "still", "severity", "what"),
    [
        (FRIDAY, 0, "stop", "no vehicle reported on Friday, 2026-02-27"),
        (date(2026, 2, 26), 0, "warn", "no vehicle reported on Thursday, 2026-02-26"),  # the fourth day back
        (date(2026, 2, 17), 0, "warn", "no vehicle reported on Tuesday, 2026-02-17"),
        (FRIDAY, 7, "warn", "few vehicles reported on Friday, 2026-02-27"),
    ],
)
def test_a_missing_day(tmp_path: Path, day: date, still: int, severity: str, what: str) -> None:
    lake = fleet(tmp_path, reports=lambda unit, at: at != day or list(UNITS).index(unit) < still)
    [notice] = watch(lake)
    assert (notice.severity, notice.what) == (severity, what)
    assert f"{still} vehicles against 24 usual on that weekday" in notice.detail


def test_a_day_with_a_third_of_the_vehicles_is_none(tmp_path: Path) -> None:
    day = date(2026, 2, 24)
    assert watch(fleet(tmp_path, reports=lambda unit, at: at != day or number(unit) < 4)) == []


def test_weekends_and_days_longer_ago_are_none(tmp_path: Path) -> None:
    day = date(2026, 2, 13)  # 17 days before the list
    weekend = {FRIDAY + timedelta(days=1): 0}
    days = sorted([*DAYS, *(FRIDAY + timedelta(days=1 - 7 * n) for n in range(7))])
    order = list(UNITS)

    def drives(unit: str, at: date) -> bool:
        """On Saturdays 9 of 24: more than 8, and no working day."""
        return at != day and (at.weekday() < 5 or order.index(unit) < weekend.get(at, 9))

    assert watch(fleet(tmp_path, days=days, reports=drives)) == []


def test_one_holiday_before_does_not_hide_a_missing_day(tmp_path: Path) -> None:
    gone = {FRIDAY, FRIDAY - timedelta(days=21)}
    notices = watch(fleet(tmp_path, reports=lambda unit, at: at not in gone))
    assert [notice.what for notice in notices] == ["no vehicle reported on Friday, 2026-02-27"]


def test_readings_that_end_in_the_middle_of_the_week_stop_the_list(tmp_path: Path) -> None:
    notices = watch(fleet(tmp_path, reports=lambda unit, at: at <= date(2026, 2, 25)))
    assert [(notice.severity, notice.what[-10:]) for notice in notices] == [
        ("stop", "2026-02-27"),
        ("warn", "2026-02-26"),
    ]


def test_tonight_looks_behind_the_monday_and_not_at_the_day_that_is_not_over(tmp_path: Path) -> None:
    monday, tuesday, wednesday = (WEEK + timedelta(days=n) for n in range(3))
    ahead = date(2031, 1, 1)  # one clock runs ahead

    def drives(unit: str, at: date) -> bool:
        return unit == "N00" if at == ahead else at != tuesday and (at != wednesday or number(unit) < 4)

    lake = fleet(tmp_path, days=[*DAYS, monday, tuesday, wednesday, ahead], reports=drives)
    assert watch(lake) == []
    [notice] = watch(lake, tonight=True)
    assert (notice.severity, notice.what) == ("stop", "no vehicle reported on Tuesday, 2026-03-03")


def test_what_came_after_the_list_does_not_count_for_it(tmp_path: Path) -> None:
    def night_after(day: date) -> datetime:
        late = date(2026, 3, 4) if day == FRIDAY else day + timedelta(days=1)
        return datetime(late.year, late.month, late.day, 3, tzinfo=UTC)

    lake = fleet(tmp_path, arrived=night_after)
    export = {"export_id": "e", "file": "a.csv", "kind": "readings", "bytes": 1, "rows_in": 1, "kept": 1}
    export |= {"quarantined": 0, "duplicates": 0, "signals": "", "dropped": "", "arrived_at": night_after(DAYS[0])}
    lake.append("exports", rows_of("exports", [export]))
    monday = datetime(2026, 3, 2, 3, tzinfo=UTC)
    lake.append("issued_lists", rows_of("issued_lists", [{"week_start": WEEK, "seen_until": monday}]))
    [notice] = watch(lake)
    assert notice.what == "no vehicle reported on Friday, 2026-02-27"
    # They are in the lake: nobody need look for them.
    assert "readings of 24 vehicles of that day came too late for this list" in notice.detail
    assert "ingest them" not in notice.detail
    assert [each.what for each in watch(lake, series="replayed")][:1] == [notice.what]
    assert watch(lake, tonight=True) == []
    # The same list, not written yet: on Wednesday it sees what came on Wednesday.
    lake.overwrite("issued_lists", rows_of("issued_lists", []))
    assert watch(lake) == []


# -- a feed that ended ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "told"),
    [
        (datetime(2026, 3, 8, 23, 59, tzinfo=UTC), False),  # Sunday: the list of 2 March is this week's
        (datetime(2026, 3, 9, 0, 0, tzinfo=UTC), True),  # Monday: last week brought nothing
        (datetime(2026, 12, 1, tzinfo=UTC), True),
    ],
)
def test_a_feed_that_ended_is_told_from_the_first_monday_without_a_list_of_its_own(
    tmp_path: Path, now: datetime, told: bool
) -> None:
    lake = fleet(tmp_path)  # to Friday, 27 February
    export = {"export_id": "e", "file": "a.csv", "kind": "readings", "bytes": 1, "rows_in": 1, "kept": 1}
    export |= {"quarantined": 0, "duplicates": 0, "signals": "", "dropped": ""}
    lake.append("exports", rows_of("exports", [export | {"arrived_at": datetime(2026, 1, 6, tzinfo=UTC)}]))
    notices = feed_ended(Settings(time_zone="UTC"), lake, now)
    assert [(each.severity, each.what) for each in notices] == [("stop", "no readings since 2026-02-27")] * told


@pytest.mark.parametrize(("born", "told"), [(date(2026, 3, 5), True), (date(2026, 3, 6), False)])
def test_a_lake_filled_a_week_after_its_newest_reading_holds_history(tmp_path: Path, born: date, told: bool) -> None:
    lake = fleet(tmp_path)
    export = {"export_id": "e", "file": "a.csv", "kind": "readings", "bytes": 1, "rows_in": 1, "kept": 1}
    export |= {"quarantined": 0, "duplicates": 0, "signals": "", "dropped": ""}
    arrived = datetime(born.year, born.month, born.day, tzinfo=UTC)
    lake.append("exports", rows_of("exports", [export | {"arrived_at": arrived}]))
    assert bool(feed_ended(Settings(time_zone="UTC"), lake, datetime(2026, 12, 1, tzinfo=UTC))) is told


def test_an_empty_lake_has_no_feed_to_end(tmp_path: Path) -> None:
    assert feed_ended(Settings(), Lake(str(tmp_path)), datetime(2026, 12, 1, tzinfo=UTC)) == []


# -- silent depot ---------------------------------------------------------------------------------------------


def test_a_silent_depot_stops_the_list(tmp_path: Path) -> None:
    lake = fleet(tmp_path, reports=lambda unit, at: unit[0] == "N" or at < date(2026, 2, 25))
    [notice] = watch(lake)
    assert (notice.severity, notice.what) == ("stop", "depot South is silent since 2026-02-24")
    assert notice.detail.startswith(
        "none of its 12 vehicles reported on the newest 3 working days with data (2026-02-25 to 2026-02-27), "
        "12 vehicles of other depots did"
    )


def test_a_depot_that_is_silent_for_two_days_or_back_tonight_is_none(tmp_path: Path) -> None:
    two = fleet(tmp_path / "two", reports=lambda unit, at: unit[0] == "N" or at < date(2026, 2, 26))
    assert watch(two) == []
    tuesday = WEEK + timedelta(days=1)
    back = fleet(
        tmp_path / "back",
        days=[*DAYS, WEEK, tuesday],
        reports=lambda unit, at: unit[0] == "N" or at < date(2026, 2, 25) or at == tuesday,
    )
    assert watch(back, tonight=True) == []


def test_a_depot_of_few_vehicles_is_none(tmp_path: Path) -> None:
    units = {unit: ("South" if unit in list(UNITS)[:7] else "North", "A") for unit in UNITS}
    lake = fleet(tmp_path, units=units, reports=lambda unit, at: units[unit][0] == "North" or at < date(2026, 2, 20))
    assert watch(lake) == []


def test_a_name_that_would_forge_the_console_is_written_out(tmp_path: Path) -> None:
    forged = {"North": "North", "South": "S\x1b[2J\n"}
    units = {unit: (forged[depot], family) for unit, (depot, family) in UNITS.items()}
    lake = fleet(tmp_path, units=units, reports=lambda unit, at: unit[0] == "N" or at < date(2026, 2, 20))
    [line] = watch_lines(watch(lake))
    assert line.startswith(r"data watch, stop: depot S\x1b[2J\n is silent since 2026-02-19: none of its 12 vehicles")
    assert line.isprintable()


# -- lost signal ----------------------------------------------------------------------------------------------


def lost(still: int) -> Callable[[str, date, str], bool]:
    """Of family A, ``still`` vehicles deliver the sensor in the last week."""
    return lambda unit, day, signal: signal == "rpm" or unit[0] == "S" or day < BEFORE or number(unit) < still


def test_a_lost_signal_names_signal_and_family(tmp_path: Path) -> None:
    [notice] = watch(fleet(tmp_path, delivers=lost(still=5)))
    assert (notice.severity, notice.what) == ("warn", "engine family A lost o2_b1s1_v")
    assert notice.detail.startswith(
        "o2_b1s1_v: 12 of 12 vehicles delivered it before, 5 of the 12 that reported since 2026-02-23 still do"
    )


def test_a_signal_that_half_of_the_vehicles_still_deliver_is_none(tmp_path: Path) -> None:
    assert watch(fleet(tmp_path, delivers=lost(still=6))) == []


def test_a_signal_of_few_vehicles_or_that_comes_now_and_then_is_none(tmp_path: Path) -> None:
    gone = lost(still=0)

    def by_half(unit: str, day: date, signal: str) -> bool:
        return gone(unit, day, signal) and (signal == "rpm" or number(unit) < 6)

    def rarely(unit: str, day: date, signal: str) -> bool:
        return signal == "rpm" or day == date(2026, 2, 11)

    assert watch(fleet(tmp_path / "half", delivers=by_half)) == []
    assert watch(fleet(tmp_path / "few", units=few(), delivers=gone)) == []
    assert watch(fleet(tmp_path / "rare", delivers=rarely)) == []


def test_vehicles_that_did_not_drive_lost_no_signal(tmp_path: Path) -> None:
    # Five of twelve stood still all week, so that seven lost it: too few to speak of.

    def drove(unit: str, at: date) -> bool:
        return at < BEFORE or unit[0] == "S" or number(unit) < 7

    lake = fleet(tmp_path, reports=drove, delivers=lost(still=0))
    assert watch(lake) == []


# -- coverage -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("not_judged", "severity", "what"),
    [
        (2, None, ""),  # 92 %: within a tenth
        (3, "warn", "judged parts fell from 100 % to 88 %"),
        (11, "warn", "judged parts fell from 100 % to 54 %"),
        (12, "stop", "judged parts fell from 100 % to 50 %"),
    ],
)
def test_coverage(tmp_path: Path, not_judged: int, severity: str | None, what: str) -> None:
    lake = fleet(tmp_path, judged=lambda unit, week: week == BEFORE or list(UNITS).index(unit) >= not_judged)
    notices = watch(lake)
    assert [(notice.severity, notice.what) for notice in notices] == ([(severity, what)] if severity else [])
    if notices:
        gone, detail = 2 * not_judged, notices[0].detail
        assert f"{48 - gone} of 48 parts are judged, 48 of the same were on the list of 2026-02-23" in detail
        assert f"{gone} now: no upstream voltage was sampled" in detail


def test_coverage_that_rose_has_no_list_before_or_few_vehicles_is_none(tmp_path: Path) -> None:
    assert watch(fleet(tmp_path / "rose", judged=lambda unit, week: week == WEEK)) == []
    first = fleet(tmp_path / "first", judged=lambda unit, week: False)
    assert watch(first, BEFORE) == []
    assert watch(first, series="replayed") == []
    assert watch(fleet(tmp_path / "few", units=few(), judged=lambda unit, week: week == BEFORE)) == []


def test_vehicles_new_in_the_register_are_no_loss_of_coverage(tmp_path: Path) -> None:
    lake = fleet(tmp_path)
    words = dict.fromkeys(("depot", "engine_family", "kind", "mode", "why", "rule_out_first", "judged_by"), "")
    new = words | {"series": "issued", "week_start": WEEK, "component": "B1S1", "part": "upstream"}
    new |= {"status": "not_judged", "reason": "no readings"}
    lake.append("scores", rows_of("scores", [new | {"unit_id": f"X{n}"} for n in range(60)]))
    assert watch(lake) == []


# -- a whole engine family ------------------------------------------------------------------------------------


def moved(here: int, there: int = 0, by: float = 0.09) -> Callable[[str], float]:
    """Levels of which ``here`` of family A and ``there`` of B moved; 0.09 is 4.5 own scatters."""
    return lambda unit: 0.30 + by * (number(unit) < (here if unit[0] == "N" else there))


def test_a_family_that_moved_as_a_whole(tmp_path: Path) -> None:
    [notice] = watch(fleet(tmp_path, level=moved(10)))
    assert (notice.severity, notice.what) == ("warn", "engine family A moved as a whole")
    assert notice.detail.startswith(
        "by more than 4 own scatters: share of closed-loop readings between 0.30 and 0.60 V up in 10 of 12 vehicles, "
        "and in 0 of 12 of other families; gateway firmware, fuel or weather, not 10 bad sensors"
    )


def test_a_family_that_moved_down(tmp_path: Path) -> None:
    [notice] = watch(fleet(tmp_path, level=moved(8, by=-0.09)))
    assert "0.60 V down in 8 of 12 vehicles" in notice.detail


@pytest.mark.parametrize(
    "level",
    [
        moved(7),  # 58 %: not most
        moved(12, by=0.07),  # 3.5 own scatters
        moved(12, there=4),  # a third of the others, too
        moved(12, there=12),
        lambda unit: 0.30 + (0.09 if number(unit) % 2 else -0.09),  # as many up as down
    ],
)
def test_a_family_that_did_not_move_as_a_whole(tmp_path: Path, level: Callable[[str], float]) -> None:
    assert watch(fleet(tmp_path, level=level)) == []


def test_a_family_of_few_vehicles_is_none(tmp_path: Path) -> None:
    assert watch(fleet(tmp_path, units=few(), level=moved(7))) == []


def test_a_fleet_of_one_family_has_no_other_to_compare(tmp_path: Path) -> None:
    units = {unit: (depot, "A") for unit, (depot, _) in UNITS.items()}
    [notice] = watch(fleet(tmp_path, units=units, level=moved(12, there=12)))
    assert "up in 24 of 24 vehicles, and in no other family to compare" in notice.detail


# -- short history, order, console and page -------------------------------------------------------------------


@pytest.mark.parametrize("weeks", [1, 2])
def test_a_short_history_says_nothing_of_days_and_depots(tmp_path: Path, weeks: int) -> None:
    days = [day for day in DAYS if day >= WEEK - timedelta(weeks=weeks)]
    lake = fleet(tmp_path, days=days, reports=lambda unit, at: at != FRIDAY and (unit[0] == "N" or at < days[2]))
    assert watch(lake) == []


def test_few_vehicles_say_nothing_of_days(tmp_path: Path) -> None:
    lake = fleet(tmp_path, units=few(), reports=lambda unit, at: at < date(2026, 2, 23))
    assert watch(lake) == []
    assert watch(lake, tonight=True) == []


def test_stops_come_first_and_only_they_need_a_look(tmp_path: Path) -> None:
    lake = fleet(tmp_path, reports=lambda unit, at: unit[0] == "N" or at < date(2026, 2, 20), level=moved(10))
    notices = watch(lake)
    assert [notice.severity for notice in notices] == ["stop", "warn"]
    assert [line.split(": ")[0] for line in watch_lines(notices)] == ["data watch, stop", "data watch, warn"]
    assert must_look(notices)
    assert not must_look(notices[1:])


def test_the_page_has_the_section_after_the_cautions_only_where_there_are_notices(tmp_path: Path) -> None:
    lake = report_lake.fill(tmp_path / "lake")

    def page(name: str, *notices: Notice) -> str:
        made = write_outputs(
            lake, Settings(), "issued", report_lake.WEEK, tmp_path / name, report_lake.weeks_frame(), "", notices
        )
        return made.paths["page.html"].read_text(encoding="utf-8")

    assert "Data watch" not in page("quiet")
    text = page("loud", Notice("stop", "depot <b> is silent", "12 of 12"), Notice("warn", "K moved", "ask"))
    assert "<li><strong>Stop: depot &lt;b&gt; is silent.</strong> 12 of 12</li>" in text
    assert "<li><strong>Warning: K moved.</strong> ask</li>" in text
    places = [text.index(mark) for mark in ('id="caution"', 'id="watch"', 'id="list"')]
    assert places == sorted(places)


# -- bays of the settings -------------------------------------------------------------------------------------


def test_bays_of_a_depot_that_is_not_there_are_named(tmp_path: Path) -> None:
    lake = fleet(tmp_path)
    assert data_watch(Settings(bays={"North": 2, "South": 0}), lake, WEEK) == []
    [notice] = data_watch(Settings(bays={"Nort": 2, "South": 3, "north": 1}, bays_per_depot=8), lake, WEEK)
    assert notice.severity == "warn"
    assert notice.what == "the settings name bays of Nort, north, which is no vehicle's depot"
    assert "at 8 bays" in notice.detail and "the depots known are North, South" in notice.detail
    # At night no list is made.
    assert data_watch(Settings(bays={"Nort": 2}), lake, WEEK, tonight=True) == []


def test_a_depot_that_only_the_list_knows_is_known(tmp_path: Path) -> None:
    lake = fleet(tmp_path)
    lake.overwrite("register", lake.read("register").with_columns(depot=pl.lit("East")))
    scores = lake.read("scores").with_columns(depot=pl.lit("Old"))
    lake.overwrite("scores", scores)
    assert [notice.what for notice in data_watch(Settings(bays={"Old": 2, "East": 3}), lake, WEEK)] == []
    [notice] = data_watch(Settings(bays={"North": 2}), lake, WEEK)
    assert "the depots known are East, Old" in notice.detail


def test_costs_of_an_engine_family_that_is_not_there_are_named(tmp_path: Path) -> None:
    """They counted for nothing without a word: its catalysts stood at the price of all."""
    lake, own = fleet(tmp_path), tmp_path / "facts"
    known = sorted(set(lake.read("register")["engine_family"].drop_nulls()))
    own.mkdir()
    text = (CONFIG / "costs.toml").read_text(encoding="utf-8")
    (own / "costs.toml").write_text(f'{text}\n[family."{known[0]}".catalyst]\npart = 1480.0\n', encoding="utf-8")
    settings = Settings(config_dir=str(own))
    assert data_watch(settings, lake, WEEK) == []
    (own / "costs.toml").write_text(f'{text}\n[family."{known[0]}x".catalyst]\npart = 1480.0\n', encoding="utf-8")
    [notice] = data_watch(settings, lake, WEEK)
    assert (notice.severity, notice.what) == ("warn", f"costs.toml names {known[0]}x, which is no vehicle's engine family")
    assert f"the engine families known are {', '.join(known)}" in notice.detail
    assert data_watch(settings, lake, WEEK, tonight=True) == []
