"""Jobs: which Monday, which lists, in which folders; a replayed list is the issued one."""

from __future__ import annotations

import csv
import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline import jobs
from pipeline.assess import ISSUED, REPLAYED
from pipeline.errors import ConfigError, LightoffError
from pipeline.jobs import Watch
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table
from tests.golden.sample import NOW, WEEK, Job, fleet, small_exports, small_job, week_list

SEVEN = timedelta(days=7)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return small_job(tmp_path_factory.getbasetemp())


def lake_of(folder: Path, *days: date) -> Lake:
    """A lake with one reading on each of these days."""
    lake = Lake(str(folder))
    noon = [datetime(day.year, day.month, day.day, 12, tzinfo=UTC) for day in days]
    span = {"export_id": "e", "unit_id": "V", "first_line": 2, "last_line": 2, "rows": 1, "arrived_at": NOW}
    rows = [span | {"day": day, "first_ts": ts, "last_ts": ts} for day, ts in zip(days, noon, strict=True)]
    lake.append("export_spans", pl.DataFrame(rows, schema=table("export_spans").schema))
    return lake


def cells(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


# -- which Monday ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("newest", "expected"),
    [
        (date(2026, 4, 13), date(2026, 4, 20)),  # a Monday is in the week that the next list is about
        (date(2026, 4, 19), date(2026, 4, 20)),  # a Sunday is the day before it
        (date(2026, 3, 4), date(2026, 3, 9)),  # data that stopped long ago: the list they can serve
        (date(2026, 4, 22), date(2026, 4, 20)),  # data of this week: this week's list, not the one to come
        (date(2031, 1, 1), date(2026, 4, 20)),  # a clock that runs ahead makes no list of the future
    ],
)
def test_newest_week(tmp_path: Path, newest: date, expected: date) -> None:
    lake = lake_of(tmp_path, date(2026, 1, 7), newest)
    assert jobs.newest_week(Settings(), lake, datetime(2026, 4, 23, 9, tzinfo=UTC)) == expected


@pytest.mark.parametrize(
    ("zone", "expected"), [("UTC", date(2026, 4, 13)), ("Asia/Tokyo", date(2026, 4, 20))]
)
def test_this_week_is_that_of_the_fleet(tmp_path: Path, zone: str, expected: date) -> None:
    """Late on Sunday in UTC it is Monday in Tokyo."""
    lake = lake_of(tmp_path, date(2026, 4, 19))
    assert jobs.newest_week(Settings(time_zone=zone), lake, datetime(2026, 4, 19, 20, tzinfo=UTC)) == expected


@pytest.mark.parametrize(
    ("oldest", "expected"),
    [
        (date(2026, 1, 5), date(2026, 1, 12)),  # begins on a Monday: that week is whole
        (date(2026, 1, 6), date(2026, 1, 19)),  # begins on a Tuesday: the week after is the first whole one
        (date(2026, 1, 11), date(2026, 1, 19)),
    ],
)
def test_first_week_has_a_whole_week_behind_it(tmp_path: Path, oldest: date, expected: date) -> None:
    lake = lake_of(tmp_path, date(2026, 3, 4), oldest)
    assert jobs.first_week(Settings(), lake) == expected


@pytest.mark.parametrize(
    ("days", "expected"),
    [
        # A stray day of 2006 (a clock 1,024 weeks early) before a fleet that began on Tuesday, 6 January 2026.
        ([date(2006, 5, 22), date(2026, 1, 6), date(2026, 3, 4)], date(2026, 1, 19)),
        ([date(2006, 5, 22), date(2011, 3, 1), date(2026, 1, 6), date(2026, 3, 4)], date(2026, 1, 19)),
        # 26 weeks without readings are as long as a list looks back: what lay before is still seen; one day more is not.
        ([date(2025, 7, 7), date(2026, 1, 5), date(2026, 3, 4)], date(2025, 7, 14)),
        ([date(2025, 7, 6), date(2026, 1, 5), date(2026, 3, 4)], date(2026, 1, 12)),
    ],
)
def test_first_week_lies_after_the_last_long_gap(tmp_path: Path, days: list[date], expected: date) -> None:
    lake = lake_of(tmp_path, *days)
    assert jobs.first_week(Settings(history_weeks=26), lake) == expected
    # One that looks back further still sees it.
    if days[0].year == 2025:
        assert jobs.first_week(Settings(history_weeks=27), lake) == date(2025, 7, 14)


def test_no_readings_is_said(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    settings = Settings(lake=str(tmp_path))
    with pytest.raises(LightoffError, match="holds no readings; run `lightoff ingest` first"):
        jobs.newest_week(settings, lake, NOW)
    with pytest.raises(LightoffError, match="holds no readings"):
        jobs.first_week(settings, lake)
    with pytest.raises(LightoffError, match="holds no readings"):
        jobs.make_list(settings, lake, WEEK, tmp_path / "out")
    with pytest.raises(LightoffError, match="holds no readings"):
        jobs.replay(settings, lake, WEEK, WEEK, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


def test_readings_that_begin_later_are_said(tmp_path: Path) -> None:
    lake = lake_of(tmp_path / "lake", WEEK)
    with pytest.raises(
        ConfigError, match="no readings before 2026-04-06; they begin on 2026-04-06.*2026-04-13"
    ):
        jobs.make_list(Settings(), lake, WEEK, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_readings_not_derived_are_said(tmp_path: Path) -> None:
    lake = lake_of(tmp_path / "lake", WEEK - SEVEN)
    with pytest.raises(LightoffError, match="not derived yet; run `lightoff derive` first"):
        jobs.make_list(Settings(), lake, WEEK, tmp_path / "out")


def test_monday_is_taken() -> None:
    assert jobs.monday("2026-04-06", "--week") == WEEK


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2026-04-07", "--from: 2026-04-07 is a Tuesday; lists are issued on Mondays, such as 2026-04-06"),
        ("2026-04-12", "--from: 2026-04-12 is a Sunday; lists are issued on Mondays, such as 2026-04-06"),
        ("2026-02-30", "--from: '2026-02-30' is no date; write it as 2026-04-20"),
        ("last week", "--from: 'last week' is no date"),
        ("", "--from: '' is no date"),
    ],
)
def test_another_day_is_refused(text: str, said: str) -> None:
    with pytest.raises(ConfigError) as refused:
        jobs.monday(text, "--from")
    assert str(refused.value).startswith(said)


# -- lists ----------------------------------------------------------------------------------------------------


def test_replay_writes_a_folder_a_monday(small: Job, tmp_path: Path) -> None:
    first = WEEK - 2 * SEVEN
    seen: list[tuple[date, int, int]] = []
    results = jobs.replay(
        small.settings, small.lake, first, WEEK, tmp_path, Watch(judging=lambda *step: seen.append(step))
    )
    mondays = [first, first + SEVEN, WEEK]
    assert [result.week_start for result in results] == mondays
    assert seen == [(monday, place, 3) for place, monday in enumerate(mondays, start=1)]
    assert sorted(path.name for path in tmp_path.iterdir()) == [str(monday) for monday in mondays]
    for monday, result in zip(mondays, results, strict=True):
        listed, scored = (
            cells(tmp_path / str(monday) / "list.csv"),
            cells(tmp_path / str(monday) / "scores.csv"),
        )
        assert {row["week_start"] for row in [*listed, *scored]} == {str(monday)}
        assert len(listed) == result.ranked.listed
        assert len([row for row in scored if row["rank"]]) == result.ranked.judged
    assert sum(result.ranked.listed for result in results) > 0
    stored = small.lake.read(
        "scores", where=(pl.col("series") == REPLAYED) & pl.col("week_start").is_in(mondays)
    )
    assert set(stored["week_start"]) == set(mondays)


def test_replay_of_no_monday_is_refused(small: Job, tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no Monday lies between 2026-04-06 and 2026-03-30"):
        jobs.replay(small.settings, small.lake, WEEK, WEEK - SEVEN, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_replayed_list_is_the_issued_one(small: Job, tmp_path: Path) -> None:
    newest = jobs.newest_week(small.settings, small.lake, NOW)
    issued = week_list(small, newest, tmp_path / "issued")
    (replayed,) = jobs.replay(small.settings, small.lake, newest, newest, tmp_path / "replayed")
    assert issued.ranked.listed > 0
    for name in ("list.csv", "scores.csv"):
        assert replayed.outputs.paths[name].read_bytes() == issued.outputs.paths[name].read_bytes()


def test_replay_leaves_the_issued_scores_alone(small: Job, tmp_path: Path) -> None:
    week_list(small, WEEK, tmp_path / "issued")
    mine = (pl.col("series") == ISSUED) & (pl.col("week_start") == WEEK)
    before = small.lake.read("ranked", where=mine)
    jobs.replay(small.settings, small.lake, WEEK, WEEK, tmp_path / "replayed")
    assert before.height and small.lake.read("ranked", where=mine).equals(before)


def test_paths_given_go_before_those_of_the_settings(small: Job, tmp_path: Path) -> None:
    exports = Path(small.settings.exports[0])
    job = fleet(tmp_path, exports)
    only = jobs.ingest_paths(job.settings, job.lake, [exports / "register.csv"], NOW)
    assert only.files["kind"].to_list() == ["register"]
    everything = jobs.ingest_paths(job.settings, job.lake, [], NOW)
    assert everything.totals["read"] == 4 and everything.totals["already read"] == 1


def test_nightly_judges_the_list_to_come(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> None:
    job = fleet(tmp_path, small_exports(tmp_path_factory.getbasetemp()), buckets=1)
    read, derived, judged = jobs.nightly(job.settings, job.lake, [], NOW)
    assert read.totals["read"] == 5 and derived.derived == derived.partitions > 0
    assert judged.week_start == jobs.newest_week(job.settings, job.lake, NOW)
    scores = job.lake.read("scores")
    assert scores["week_start"].unique().to_list() == [judged.week_start]
    assert scores.filter(pl.col("status") == "judged").height == judged.judged > 0
    assert not Path(job.settings.out).exists()


# -- cards ----------------------------------------------------------------------------------------------------


def copy_of(job: Job, folder: Path, **changed: object) -> Job:
    """The fleet on a lake of its own, with other settings."""
    root = Path(shutil.copytree(job.settings.lake, folder / "lake"))
    settings = job.settings.model_copy(update={"lake": str(root), "out": str(folder / "out"), **changed})
    return Job(job.config, settings, Lake(settings.lake))


def returned(folder: Path, row: dict[str, str], day: date) -> Path:
    """A sheet beside the cards with one row filled in: looked at, nothing found."""
    filled = folder / "back.csv"
    with filled.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, row)
        writer.writeheader()
        writer.writerow(row | {"found": "no", "day": day.isoformat()})
    return filled


@pytest.mark.parametrize("forgotten", [False, True])
def test_a_card_once_issued_stays_known(small: Job, tmp_path: Path, forgotten: bool) -> None:
    """A list made again may drop a row; its card lies in the workshop all the same."""
    job = copy_of(small, tmp_path)
    cards = week_list(job, WEEK, tmp_path / "first").cards
    assert cards is not None
    row = cells(cards / "findings.csv")[0]
    if forgotten and job.lake.exists("issued_cards"):
        shutil.rmtree(job.lake.root / "issued_cards")  # as an older version left the lake
    none = job.settings.model_copy(update={"bays_per_depot": 0})
    assert jobs.make_list(none, job.lake, WEEK, tmp_path / "again").ranked.listed == 0
    (sheet,), _ = jobs.take_findings(none, job.lake, [returned(tmp_path, row, WEEK)], NOW)
    assert (sheet.faults, sheet.taken) == ([], 1)
    orders = job.lake.read("work_orders", pl.col("order_id") == f"card {row['card']}")
    assert orders.select("unit_id", "component").row(0) == (row["unit_id"], row["component"])
    # Made a third time, nothing is noted twice.
    week_list(job, WEEK, tmp_path / "third")
    assert not job.lake.read("issued_cards")["card"].is_duplicated().any()


def test_a_replayed_list_issues_no_card(small: Job, tmp_path: Path) -> None:
    job = copy_of(small, tmp_path)
    before = job.lake.read("issued_cards")
    monday = WEEK - SEVEN
    (replayed,) = jobs.replay(job.settings, job.lake, monday, monday, tmp_path / "replayed")
    assert replayed.ranked.listed > 0
    assert job.lake.read("issued_cards").equals(before)
