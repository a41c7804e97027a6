"""Fuel cuts: given samples of a bank -> when each began, what the sensors did, how the catalyst emptied."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest

from tests.sql import given
from tests.sql.given import at, run

CUT = range(10, 16)  # fuel is cut from second 10 to second 15


def second_by_second(length: int = 40, cut: range = CUT, **columns: object) -> dict:
    """A drive with one fuel cut: the front is lean in it, the rear falls two seconds in and comes back 12 s
    after.
    """
    seconds = list(range(length))
    end = cut[-1]
    front = [0.05 if second in cut else 0.7 for second in seconds]
    rear = [0.1 if cut[0] + 2 <= second < end + 12 else 0.7 for second in seconds]
    given = {"cut": [second in cut for second in seconds], "front_v": front, "rear_v": rear, "maf_gs": 5.0}
    return {"seconds": seconds} | given | columns


def banks(seconds: list[float], start: datetime = given.START, **columns: object) -> pl.DataFrame:
    """Samples of a bank, with the cut that they belong to as 11_samples tells it."""
    frame = given.banks(seconds, start, **columns)
    told = ["unit_id", "ts", "day", "started_at", "running", "warm", "cut"]
    seen = frame.select(told).with_columns(since_cut_s=_since(frame))
    drive = given.context(seconds, start)
    drive = drive.drop(*told, "since_cut_s").hstack(seen).select(drive.columns)
    events = given.run("11_samples", context=drive).select("cut_began_at", "cut_seen_at", "since_cut_s")
    return frame.drop(events.columns).hstack(events).select(frame.columns)


def _since(frame: pl.DataFrame) -> pl.Series:
    """Seconds since the last row in a cut."""
    last = pl.when("cut").then(pl.col("ts")).forward_fill()
    return frame.select((pl.col("ts") - last).dt.total_microseconds() / 1e6).to_series()


def only(frame: pl.DataFrame) -> dict:
    assert frame.height == 1
    return frame.row(0, named=True)


def test_no_samples_or_no_cut_make_no_rows():
    assert run("25_cuts").height == 0
    assert run("25_cuts", banks=banks([0, 1, 2])).height == 0


def test_a_cut_and_what_the_sensors_did():
    made = only(run("25_cuts", banks=banks(**second_by_second())))
    assert made["began_at"] == at(10)
    assert made["cut_s"] == 5
    assert made["step_s"] == 1
    assert made["warm"] is True
    assert made["front_floor_v"] == pytest.approx(0.05)
    assert made["front_lean_s"] == 0
    assert made["rear_floor_v"] == pytest.approx(0.1)
    assert made["rear_fall_s"] == 1  # 0.7 V a second after the cut began, 0.1 V another second later
    assert made["rear_step_s"] == 1
    assert made["rear_readings"] == 6
    assert made["rear_between"] == 0
    assert made["recovery_s"] == 12
    assert made["recovery_air_g"] == pytest.approx(60)
    assert made["oxygen_g"] is None  # grams need a measured lambda


def test_a_cut_shorter_than_the_limit_is_left_out():
    assert run("25_cuts", banks=banks(**second_by_second(cut=range(10, 12)))).height == 0
    assert run("25_cuts", banks=banks(**second_by_second(cut=range(10, 13)))).height == 1


def test_a_cold_reading_makes_the_cut_a_cold_one():
    warm = [second != 12 for second in range(40)]
    assert only(run("25_cuts", banks=banks(**second_by_second(warm=warm))))["warm"] is False


def test_wide_range_levels_and_delay():
    seen = [1.0] * 12 + [1.4, 1.9, 1.9, 1.9] + [0.97] * 24
    current = [0.0] * 12 + [1.0, 2.2, 2.3, 2.1] + [-0.1] * 24
    drive = second_by_second(kind="wide_range", front_v=None, front_lambda=seen, front_ma=current)
    made = only(run("25_cuts", banks=banks(**drive)))
    assert made["kind"] == "wide_range"
    assert made["front_lambda"] == pytest.approx(1.9)
    assert made["front_ma"] == pytest.approx(2.3)
    assert made["front_lean_s"] == 2


def test_a_delay_is_not_known_where_the_sensor_was_not_polled():
    lean = [1.0] * 10 + [None] * 6 + [1.9] * 4 + [0.97] * 20
    drive = second_by_second(cut=range(10, 20), kind="wide_range", front_v=None, front_lambda=lean)
    made = only(run("25_cuts", banks=banks(**drive)))
    assert made["front_lambda"] == pytest.approx(1.9)
    assert made["front_lean_s"] is None  # lean 6 s after the cut began, but nobody looked before


def test_a_delay_that_was_watched_is_late_for_sure():
    late = [1.0] * 16 + [1.9] * 4 + [0.97] * 20
    drive = second_by_second(cut=range(10, 20), kind="wide_range", front_v=None, front_lambda=late)
    assert only(run("25_cuts", banks=banks(**drive)))["front_lean_s"] == 6


def test_two_cuts_and_two_banks_are_kept_apart():
    seconds = list(range(60))
    lean = [10 <= second <= 14 or 40 <= second <= 46 for second in seconds]
    frame = pl.concat([banks(seconds, cut=lean, bank=1), banks(seconds, cut=lean, bank=2)])
    made = run("25_cuts", banks=frame)
    assert made.select("bank", "began_at", "cut_s").rows() == [
        (1, at(10), 4),
        (1, at(40), 6),
        (2, at(10), 4),
        (2, at(40), 6),
    ]


# -- recovery --------------------------------------------------------------------------------------


def never_back(length: int, **columns: object) -> dict:
    rear = [0.7 if second < 12 else 0.1 for second in range(length)]
    return second_by_second(length, **({"rear_v": rear} | columns))


def test_a_recovery_that_the_end_of_the_trip_ends_counts_with_the_time_watched():
    made = only(run("25_cuts", banks=banks(**never_back(30))))
    assert (made["recovery_s"], made["watched_s"], made["recovery_seen"]) == (14, 14, False)


def test_a_recovery_that_the_next_cut_ends_counts_with_the_time_watched():
    lean = [10 <= second <= 15 or 24 <= second <= 30 for second in range(40)]
    made = run("25_cuts", banks=banks(**(never_back(40) | {"cut": lean})))
    assert made["watched_s"].to_list() == [8, 9]
    assert made["recovery_s"].to_list() == [8, 9]


def test_a_recovery_is_watched_no_longer_than_the_limit():
    made = only(run("25_cuts", params={"recovery_most_s": 20.0}, banks=banks(**never_back(60))))
    assert (made["recovery_s"], made["watched_s"]) == (20, 20)


def test_a_trip_that_ends_with_the_cut_tells_no_recovery():
    made = only(run("25_cuts", banks=banks(**never_back(16))))
    assert made["recovery_s"] is None
    assert made["watched_s"] == 0


def test_a_downstream_sensor_that_stayed_rich_tells_no_recovery():
    made = only(run("25_cuts", banks=banks(**second_by_second(rear_v=0.7))))
    assert made["rear_floor_v"] == pytest.approx(0.7)
    assert made["recovery_s"] is None
    assert made["recovery_air_g"] is None


def test_a_downstream_sensor_that_is_not_sampled_tells_no_recovery():
    made = only(run("25_cuts", banks=banks(**second_by_second(rear_v=None))))
    assert made["rear_floor_v"] is None
    assert made["recovery_s"] is None


def test_only_downstream_readings_watch_a_recovery():
    # The downstream sensor falls silent five seconds after the cut, while the other signals go on.
    rear = {second: 0.7 if second < 12 else 0.1 for second in range(21)}
    made = only(run("25_cuts", banks=banks(**second_by_second(rear_v=rear))))
    assert (made["recovery_s"], made["watched_s"]) == (5, 5)


def test_air_that_is_not_sampled_is_missing_and_not_nothing():
    some = {second: 5.0 for second in range(40) if second != 20}
    made = only(run("25_cuts", banks=banks(**second_by_second(maf_gs=some))))
    assert made["recovery_s"] == 12
    assert made["recovery_air_g"] is None


def test_an_event_ends_at_midnight():
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    drive = never_back(40)
    drive["seconds"] = [
        second - 20 for second in drive["seconds"]
    ]  # the cut ends five seconds before midnight
    whole = run("25_cuts", banks=banks(start=midnight, **drive))
    made = only(whole)
    assert made["day"] == at(-1, midnight).date()
    assert made["watched_s"] == made["recovery_s"] == 4
    before = banks(start=midnight, **drive).filter(pl.col("ts") < midnight)
    assert run("25_cuts", banks=before).equals(whole)


def test_a_cut_that_goes_on_over_midnight_does_not_begin_again():
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    seconds = list(range(-20, 20))
    lean = [-6 <= second <= 6 for second in seconds]
    made = only(run("25_cuts", banks=banks(seconds, start=midnight, cut=lean)))
    assert made["began_at"] == at(-6, midnight)
    assert made["cut_s"] == 5


# -- sparse polls ----------------------------------------------------------------------------------


def test_readings_on_their_way_down_are_counted_in_the_cut_alone():
    falling = {9: 0.4, 10: 0.7, 11: 0.7, 12: 0.62, 13: 0.44, 14: 0.31, 15: 0.29, 16: 0.4}
    rear = [falling.get(second, 0.7) for second in range(40)]
    made = only(run("25_cuts", banks=banks(**second_by_second(rear_v=rear))))
    assert made["rear_between"] == 2  # 0.44 and 0.31 V


def test_upstream_readings_before_the_air_of_the_cut_are_counted_with_their_step():
    # Polled every second second: 1.0, 1.1 and 1.8 in the cut from second 10 to 15; lean from lambda 1.3 on.
    polled = {8: 1.0, 10: 1.0, 12: 1.1, 14: 1.8, 16: 1.0}
    made = only(run("25_cuts", banks=banks(**second_by_second(kind="wide_range", front_v=None, front_lambda=polled))))
    assert made["front_before"] == 2
    assert made["front_step_s"] == 2
    once = {10: 1.0}
    made = only(run("25_cuts", banks=banks(**second_by_second(kind="wide_range", front_v=None, front_lambda=once))))
    assert made["front_before"] == 1
    assert made["front_step_s"] is None


def test_one_reading_in_a_cut_is_no_floor():
    front = {12: 0.05}
    made = only(run("25_cuts", banks=banks(**second_by_second(front_v=front, rear_v=front))))
    assert made["front_floor_v"] is None
    assert made["rear_floor_v"] is None
    assert made["rear_readings"] == 1


def test_rear_fall_needs_a_reading_above_in_the_cut_and_one_below():
    low_all_along = second_by_second(rear_v=0.1)
    assert only(run("25_cuts", banks=banks(**low_all_along)))["rear_fall_s"] is None


# -- oxygen ----------------------------------------------------------------------------------------


def purge(lambda_ratio: float | dict, air_gs: float, seconds: int, step: float = 1.0) -> dict:
    """A fuel cut, then a purge at one lambda and air flow until the rear turns rich."""
    after = round(seconds / step)
    ticks = [index * step for index in range(20 + after + 5)]
    lean = [10 <= index < 20 for index in range(len(ticks))]
    rear = [0.1 if 12 <= index < 19 + after else 0.7 for index in range(len(ticks))]
    seen = [1.0] * 10 + [1.99] * 10 + [lambda_ratio] * (len(ticks) - 20)
    return only(
        run(
            "25_cuts",
            banks=banks(ticks, kind="wide_range", cut=lean, rear_v=rear, front_lambda=seen, maf_gs=air_gs),
        )
    )


@pytest.mark.parametrize("step", [1.0, 0.5, 0.25])
def test_oxygen_released_equals_the_worked_integral(step):
    # Storage integral 0.232 * m_air * (1 - 1/lambda): Brandt, Wang, Grizzle, IEEE Trans. Control Syst.
    # Technol. 8(5),
    # 2000 (from memory). 10 g/s at lambda 0.97 for 8 s: -0.574 g stored, so 0.574 g released.
    made = purge(0.97, 10.0, 8, step)
    assert made["recovery_s"] == 8
    assert made["oxygen_g"] == pytest.approx(0.574, rel=0.005)
    assert made["recovery_air_g"] == pytest.approx(80)
    assert made["flow_gs"] == pytest.approx(10)


def test_lean_running_releases_nothing():
    assert purge(1.03, 20.0, 3)["oxygen_g"] is None


def test_lambda_polled_every_other_row_releases_as_much():
    ticks = [index * 0.5 for index in range(41)]
    rear = [0.1 if 12 <= index < 35 else 0.7 for index in range(len(ticks))]
    lean = [10 <= index < 20 for index in range(len(ticks))]
    seen = {tick: 1.99 if tick < 10 else 0.97 for tick in ticks[::2]}
    frame = banks(
        ticks, kind="wide_range", cut=lean, rear_v=rear, front_lambda=seen, maf_gs=10.0, lambda_target=1.0
    )
    made = only(run("25_cuts", banks=frame))
    assert made["recovery_s"] == 8
    assert made["oxygen_g"] == pytest.approx(0.574, rel=0.005)


def test_the_commanded_lambda_serves_where_none_is_measured():
    ticks = list(range(33))
    rear = [0.1 if 12 <= index < 27 else 0.7 for index in range(33)]
    lean = [10 <= index < 20 for index in range(33)]
    frame = banks(ticks, kind="wide_range", cut=lean, rear_v=rear, maf_gs=10.0, lambda_target=0.97)
    assert only(run("25_cuts", banks=frame))["oxygen_g"] == pytest.approx(0.574, rel=0.005)
