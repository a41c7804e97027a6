"""Warm-up: given samples of a bank from the engine start -> time to the first activity and to closed loop."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from tests.sql.given import START, banks, counts, rows, run, values

SECONDS = list(range(0, 121, 2))


def start(**columns: object) -> pl.DataFrame:
    """Two minutes from a cold start: upstream active after 20 s, downstream after 60 s, closed loop after 30
    s.
    """
    given = {
        "run_s": [float(second) for second in SECONDS],
        "coolant_degc": 15.0,
        "front_v": [0.45 if second < 20 else 0.75 for second in SECONDS],
        "rear_v": [0.45 if second < 60 else 0.7 for second in SECONDS],
        "closed": [second >= 30 for second in SECONDS],
    }
    return banks(SECONDS, **(given | columns))


def measured(*frames: pl.DataFrame, **params: float) -> dict[str, float]:
    return values(run("34_heater", params={"activity_gap_s": 10.0} | params, banks=pl.concat(frames)))


def test_no_samples_make_no_rows():
    assert run("34_heater").height == 0


def test_where_the_gateway_holds_its_values_nothing_is_known_of_the_sensor():
    held = rows("held_days", [{"unit_id": "V1", "day": START.date(), "held_share": 0.7}])
    assert not values(run("34_heater", params={"activity_gap_s": 10.0}, banks=start(), held_days=held))
    other = rows("held_days", [{"unit_id": "V2", "day": START.date(), "held_share": 0.7}])
    assert "up_active_at_s" in values(run("34_heater", params={"activity_gap_s": 10.0}, banks=start(), held_days=other))


def test_a_cold_start_logged_from_the_start():
    assert measured(start()) == {"up_active_at_s": 20, "down_active_at_s": 60, "closed_loop_at_s": 30}


def test_components_and_samples():
    made = run("34_heater", params={"activity_gap_s": 10.0}, banks=start())
    assert dict(made.select("indicator", "component").iter_rows()) == {
        "up_active_at_s": "B1S1",
        "down_active_at_s": "B1S2",
        "closed_loop_at_s": "BANK1",
    }
    assert set(counts(made).values()) == {1}


def test_a_warm_start_says_nothing():
    assert measured(start(coolant_degc=60.0)) == {}
    assert measured(start(coolant_degc=None)) == {}


def test_a_start_that_logging_missed_says_nothing():
    late = [float(second + 25) for second in SECONDS]
    assert measured(start(run_s=late)) == {}


def test_a_start_without_run_time_says_nothing():
    assert measured(start(run_time_known=False)) == {}


def test_run_time_first_sampled_late_does_not_make_it_a_start():
    # The first rows count from the first reading; the sampled run time then says that the engine ran
    # for long.
    run_s = [float(second) if second < 10 else 500.0 + second for second in SECONDS]
    known = [second >= 10 for second in SECONDS]
    assert "up_active_at_s" not in measured(start(run_s=run_s, run_time_known=known))


def test_a_sensor_that_never_wakes_counts_with_the_time_watched():
    made = measured(start(front_v=0.46, rear_v=0.44))
    assert made["up_active_at_s"] == 120
    assert made["down_active_at_s"] == 120


def test_a_sensor_that_is_not_sampled_says_nothing():
    assert set(measured(start(front_v=None, rear_v=None))) == {"closed_loop_at_s"}


def test_an_activity_first_seen_after_a_pause_of_the_polls_is_not_timed():
    paused = {second: 0.45 if second < 10 else 0.8 for second in SECONDS if second < 10 or second >= 50}
    assert "up_active_at_s" not in measured(start(front_v=paused))
    assert measured(start(front_v=paused), activity_gap_s=60.0)["up_active_at_s"] == 50


def test_a_wide_range_sensor_is_active_once_it_leaves_one():
    seen = [1.0 if second < 14 else 1.01 for second in SECONDS]
    made = measured(start(kind="wide_range", front_v=None, front_lambda=seen))
    assert made["up_active_at_s"] == 14


def test_the_median_of_the_starts_of_a_day():
    later = [start().with_columns(pl.col("ts", "started_at") + timedelta(hours=hour)) for hour in (1, 2)]
    slow = start(front_v=[0.45 if second < 90 else 0.75 for second in SECONDS])
    made = run("34_heater", params={"activity_gap_s": 10.0}, banks=pl.concat([slow, *later]))
    assert values(made)["up_active_at_s"] == 20
    assert counts(made)["up_active_at_s"] == 3


def long_trip(**columns: object) -> pl.DataFrame:
    seconds = list(range(0, 401, 5))
    return banks(seconds, **({"run_s": [float(second) for second in seconds]} | columns))


def test_the_share_of_long_trips_that_never_close_the_loop():
    never, always = long_trip(closed=False), long_trip(unit_id="V2", closed=True)
    made = run("34_heater", banks=pl.concat([never, always])).filter(
        pl.col("indicator") == "never_closed_share"
    )
    assert dict(made.select("unit_id", "value").iter_rows()) == {"V1": 1, "V2": 0}


def test_a_short_trip_proves_no_lack_of_closed_loop():
    assert "never_closed_share" not in measured(start(closed=False))


def test_closed_loop_that_is_only_inferred_has_no_time():
    assert set(measured(start(status_known=False))) == {"up_active_at_s", "down_active_at_s"}


def test_a_start_is_watched_until_midnight():
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    shift = midnight - START - timedelta(seconds=40)
    over = start().with_columns(pl.col("ts", "started_at") + shift).with_columns(day=pl.col("ts").dt.date())
    whole = run("34_heater", params={"activity_gap_s": 10.0}, banks=over)
    cut = run("34_heater", params={"activity_gap_s": 10.0}, banks=over.filter(pl.col("ts") < midnight))
    assert whole.equals(cut)
    assert values(whole)["down_active_at_s"] == pytest.approx(
        38
    )  # inactive up to the last reading of the day
