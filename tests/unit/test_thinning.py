"""Old readings made thin: what stays, what is refused, and that nothing measured ever changes."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import jobs, thinning
from pipeline.checks import check
from pipeline.closed import closed_day
from pipeline.derive import derive
from pipeline.errors import LakeError
from pipeline.lake import Lake
from pipeline.report.stretch import LEAST_POINTS, PLOTTED, SPAN_S, stretches_of_days, when_good
from pipeline.report.why import explain
from pipeline.settings import Settings
from pipeline.thinning import thin
from tests.faults.lakes import fleet, one, reasons, run, write

MONDAY = date(2026, 3, 30)
NOW = datetime(2026, 3, 30, 3, tzinfo=UTC)
KEEP = {"keep_readings_days": 35, "history_weeks": 4}
BORDER = MONDAY - timedelta(days=35)  # whole, and closed once the days before it are thin
DERIVED = ("trips", "indicator_days", "signal_days")
HEADER = "unit_id,ts,rpm,speed_kmh,coolant_degc,run_time_s,o2_b1s1_v,o2_b1s2_v,stft_b1_pct,fuel_status_b1\n"
DAYS = (-30, -9, -2, -1, 0, 1, 2, 15, 30, 33)  # from the border; trips run over the midnight before each


def drive(unit: int, day: date) -> str:
    """Ten minutes at one row in 5 s around the midnight that begins ``day``."""
    midnight = datetime.combine(day, datetime.min.time(), UTC)
    return "".join(
        f"V{unit},{midnight + timedelta(seconds=second):%Y-%m-%dT%H:%M:%SZ},1500,50,{60 + (second + 300) // 20},"
        f"{second + 7000},{0.2 + 0.6 * ((second // 5 + unit) % 2):.2f},{0.6 + 0.01 * unit:.2f},1.5,2\n"
        for second in range(-300, 300, 5)
    )


def drives(*days: int) -> str:
    return HEADER + "".join(drive(unit, BORDER + timedelta(days=day)) for day in days for unit in (1, 2, 3))


def filled(folder: Path, **settings: object) -> tuple[Settings, Lake]:
    """Three vehicles, derived."""
    made, lake = fleet(folder, **settings)
    register = "unit_id,engine_family,fuel,banks\n" + "".join(f"V{unit},E1,petrol,1\n" for unit in (1, 2, 3))
    run(made, lake, write(folder / "in" / "register.csv", register), write(folder / "in" / "first.csv", drives(*DAYS)), at=NOW)
    derive(made, lake)
    return made, lake


@pytest.fixture
def whole(tmp_path: Path) -> tuple[Settings, Lake]:
    return filled(tmp_path / "whole")


@pytest.fixture
def thinned(tmp_path: Path) -> tuple[Settings, Lake]:
    settings, lake = filled(tmp_path / "thinned", **KEEP)
    with lake.lock("housekeep", NOW.isoformat()):
        jobs.housekeep(settings, lake, NOW)
    return settings, lake


def measured(lake: Lake) -> dict[str, pl.DataFrame]:
    return {name: lake.read(name) for name in DERIVED}


def check_measured(lake: Lake, wanted: dict[str, pl.DataFrame]) -> None:
    for name, frame in wanted.items():
        assert_frame_equal(lake.read(name), frame)


def test_nothing_is_thinned_unless_asked_for(whole: tuple[Settings, Lake]) -> None:
    before = whole[1].read("readings")
    tidied, summary = jobs.housekeep(*whole, NOW)
    assert summary.partitions == 0 and {each.table for each in tidied} >= {"readings", "shards"}
    assert_frame_equal(whole[1].read("readings"), before)
    assert closed_day(whole[1]) == date.min and not whole[1].exists("thinned")


@pytest.mark.parametrize("days", [1, 34, 188])
def test_readings_that_lists_need_cannot_be_thinned(days: int) -> None:
    weeks = 26 if days == 188 else 4
    with pytest.raises(ValueError, match=f"keep_readings_days is {days}.*set {7 * (weeks + 1)} or more, or 0"):
        Settings(keep_readings_days=days, history_weeks=weeks)
    assert Settings(keep_readings_days=7 * (weeks + 1), history_weeks=weeks)


def test_what_was_measured_stays_and_the_books_add_up(
    thinned: tuple[Settings, Lake], whole: tuple[Settings, Lake]
) -> None:
    lake, before = thinned[1], whole[1].read("readings")
    check_measured(lake, measured(whole[1]))
    assert_frame_equal(lake.read("readings"), before.filter(pl.col("day") >= BORDER))
    told = lake.read("thinned")
    old = before.filter(pl.col("day") < BORDER)
    assert told["rows_before"].sum() == old.height and told["rows_after"].sum() == lake.read("readings_thin").height
    assert dict(told.group_by("day").agg(pl.col("units").sum()).iter_rows()) == dict(
        old.group_by("day").agg(pl.col("unit_id").n_unique().cast(pl.Int64)).iter_rows()
    )
    assert set(told["thinned_at"]) == {NOW} and set(told["keep_days"]) == {35}
    assert 0 < told["rows_after"].sum() < old.height / 2
    assert closed_day(lake) == BORDER
    assert check(*thinned).is_empty()


def test_thin_rows_are_rows_of_the_readings_two_minutes_a_sensor(
    thinned: tuple[Settings, Lake], whole: tuple[Settings, Lake]
) -> None:
    kept, before = thinned[1].read("readings_thin"), whole[1].read("readings")
    same = kept.select(before.columns).sort("unit_id", "ts")
    assert_frame_equal(same, before.join(kept, on=["unit_id", "ts"], how="semi").sort("unit_id", "ts"))
    spans = kept.group_by("unit_id", "day").agg(
        seconds=(pl.col("ts").max() - pl.col("ts").min()).dt.total_seconds(), rows=pl.len()
    )
    # Both sensors are sampled in every row, so that one stretch serves both.
    assert (spans["seconds"] < SPAN_S).all() and (spans["rows"] == SPAN_S / 5).all()
    # A drive is warm from 100 s before midnight on: a day that holds only the evening has no warm stretch, and the oldest
    # full one stands for it; a day with the morning has one and keeps that.
    mornings = kept.filter(pl.col("day").is_in([BORDER + timedelta(days=day) for day in DAYS]))
    evenings = kept.filter(~pl.col("day").is_in([BORDER + timedelta(days=day) for day in DAYS]))
    assert mornings["coolant_degc"].min() >= 75 and set(evenings["ts"].dt.time()) >= {time(23, 56), time(23, 57, 55)}


def test_a_sensor_that_was_hardly_sampled_keeps_nothing() -> None:
    rows = pl.DataFrame({"unit_id": "V1", "ts": [datetime(2026, 1, 5, 8, 0, s, tzinfo=UTC) for s in range(LEAST_POINTS)]})
    rows = rows.with_columns(pl.col("ts").dt.cast_time_unit("us"), day=pl.lit(date(2026, 1, 5)), coolant_degc=90.0)
    rows = rows.with_columns(run_time_s=pl.lit(900.0), speed_kmh=pl.lit(50.0))
    rows = rows.with_columns(pl.lit(None, pl.Float32).alias(name) for name in PLOTTED)
    assert stretches_of_days(rows.with_columns(o2_b1s1_v=pl.lit(0.4))).height == LEAST_POINTS
    assert stretches_of_days(rows.with_columns(o2_b1s1_v=pl.lit(0.4)).head(LEAST_POINTS - 1)).is_empty()
    assert stretches_of_days(rows).is_empty()


def test_a_card_shows_the_same_stretch_and_says_where_it_is_from(
    thinned: tuple[Settings, Lake], whole: tuple[Settings, Lake]
) -> None:
    asked = ("V1", "B1S1", "narrowband", BORDER - timedelta(days=20), BORDER)
    before, after = when_good(whole[1], whole[0], *asked), when_good(thinned[1], thinned[0], *asked)
    assert (after.seconds, after.values) == (before.seconds, before.values)
    assert after.words == f"{before.words}, kept when the day was thinned"


def test_derive_leaves_closed_days_alone_and_the_days_after_them_right(
    thinned: tuple[Settings, Lake], whole: tuple[Settings, Lake], tmp_path: Path
) -> None:
    assert derive(*thinned).derived == 0
    old = {name: frame.filter(pl.col("day") <= BORDER) for name, frame in measured(thinned[1]).items()}
    # Everything that is open is derived again: the register says something else of every vehicle.
    register = "unit_id,engine_family,fuel,banks\n" + "".join(f"V{unit},E1,petrol,2\n" for unit in (1, 2, 3))
    for number, (settings, lake) in enumerate((thinned, whole)):
        run(settings, lake, write(tmp_path / f"{number}.csv", register), at=NOW)
    done, all_of_it = derive(*thinned), derive(*whole)
    assert 0 < done.derived == done.partitions < all_of_it.derived
    for name, frame in measured(thinned[1]).items():
        assert_frame_equal(frame.filter(pl.col("day") <= BORDER), old[name])
        wanted = whole[1].read(name).filter(pl.col("day") > BORDER)
        assert_frame_equal(frame.filter(pl.col("day") > BORDER), wanted)
    assert not old["indicator_days"].equals(whole[1].read("indicator_days").filter(pl.col("day") <= BORDER))


def test_a_late_export_for_closed_days_is_set_apart_and_the_rest_of_it_taken(
    thinned: tuple[Settings, Lake], tmp_path: Path
) -> None:
    settings, lake = thinned
    before, old = lake.read("readings"), {n: f.filter(pl.col("day") <= BORDER) for n, f in measured(lake).items()}
    late = HEADER + "".join(drive(4, BORDER + timedelta(days=day)) for day in (-20, -1, 1))
    told = one(run(settings, lake, write(tmp_path / "late.csv", late), at=NOW))
    # Two drives whole, and the half of the third that lies on the border.
    assert (told["rows_in"], told["quarantined"], told["kept"]) == (360, 300, 60)
    assert f"its day is closed: raw readings up to {BORDER} are thinned" in reasons(lake)
    derive(settings, lake)
    assert set(lake.read("readings").filter(pl.col("unit_id") == "V4")["day"]) == {BORDER + timedelta(days=1)}
    assert_frame_equal(lake.read("readings").filter(pl.col("unit_id") != "V4"), before)
    for name, frame in old.items():
        assert_frame_equal(lake.read(name).filter(pl.col("day") <= BORDER), frame)
    assert check(settings, lake).is_empty()


def test_a_second_reading_of_old_files_brings_nothing_into_closed_days(
    tmp_path: Path,
) -> None:
    settings, lake = fleet(tmp_path, **KEEP)
    text = drives(*DAYS)
    # Of the first drive one cell is no number and one row has no instant.
    lines = text.splitlines(keepends=True)
    lines[1] = lines[1].replace(",1500,", ",fast,")
    lines[2] = lines[2].replace("2026-", "someday-")
    path = write(tmp_path / "in.csv", "".join(lines))
    run(settings, lake, path, at=NOW)
    with lake.lock("housekeep", NOW.isoformat()):
        jobs.housekeep(settings, lake, NOW)
        before = {name: lake.read(name) for name in (*DERIVED, "readings", "readings_thin", "quarantine", "export_spans")}
        counts = one(jobs.retry_quarantine(settings, lake, [path], NOW))
    assert (counts["quarantined"], counts["rows_in"]) == (1, len(lines) - 1)
    for name, frame in before.items():
        assert_frame_equal(lake.read(name), frame)


def test_nothing_is_thinned_before_it_is_measured(tmp_path: Path) -> None:
    settings, lake = filled(tmp_path, **KEEP)
    late = HEADER + drive(4, BORDER - timedelta(days=9))
    run(settings, lake, write(tmp_path / "late.csv", late), at=NOW)
    with pytest.raises(LakeError, match="2 partitions before .* are not derived .*run `lightoff derive`"):
        thin(settings, lake, MONDAY, NOW)
    assert not lake.exists("thinned")
    jobs.housekeep(settings, lake, NOW)  # derives first
    assert "V4" in set(lake.read("indicator_days")["unit_id"]) and "V4" in set(lake.read("readings_thin")["unit_id"])


def test_the_next_week_thins_the_next_days_into_the_same_month(
    thinned: tuple[Settings, Lake], whole: tuple[Settings, Lake]
) -> None:
    settings, lake = thinned
    first = lake.read("readings_thin")
    summary = thin(settings, lake, MONDAY + timedelta(days=7), NOW + timedelta(days=7))
    kept = lake.read("readings_thin")
    assert summary.partitions and kept.height == first.height + summary.rows_after
    assert_frame_equal(kept.join(first, on=["unit_id", "ts"], how="semi"), first)
    assert closed_day(lake) == BORDER + timedelta(days=3)
    check_measured(lake, measured(whole[1]))
    assert check(settings, lake).is_empty() and derive(settings, lake).derived == 0
    assert thin(settings, lake, MONDAY + timedelta(days=7), NOW).partitions == 0


def test_rows_that_do_not_add_up_are_undone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: tuple[Settings, Lake]
) -> None:
    settings, lake = filled(tmp_path, **KEEP)
    before = lake.read("readings")

    class Losing(Lake):
        def replace(self, name: str, frame: pl.DataFrame, partitions: list[dict[str, object]]) -> None:
            super().replace(name, frame.head(frame.height - 1) if name == "readings_thin" else frame, partitions)

    losing = Losing(settings.lake)
    with pytest.raises(LakeError, match="1 with other rows than counted.*undone"):
        thin(settings, losing, MONDAY, NOW)
    assert_frame_equal(lake.read("readings"), before)
    assert lake.read("thinned").is_empty() and lake.read("readings_thin").is_empty()
    monkeypatch.setattr(thinning, "_partition", lambda lake, day, bucket: before.clear())
    with pytest.raises(LakeError, match="has 0 rows where its log says"):
        thin(settings, lake, MONDAY, NOW)
    assert_frame_equal(lake.read("readings"), before)


def test_the_way_back_to_the_exports_says_that_readings_are_thin(
    thinned: tuple[Settings, Lake], whole: tuple[Settings, Lake]
) -> None:
    words = "days before 2026-02-23 are thinned"
    told = " ".join(explain(thinned[1], thinned[0], "V1", None).split())
    assert words in told and words not in explain(whole[1], whole[0], "V1", None)
    assert "first.csv" in told


def test_a_lake_without_readings_is_kept_house_in(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path, **KEEP)
    assert jobs.housekeep(settings, lake, NOW) == ([], thinning.ThinSummary())
