"""Warm-up: given samples from a cool start -> rise of the coolant, light-off and quiet rear."""

from __future__ import annotations

import polars as pl
import pytest

from tests.sql.given import at, banks, counts, run, samples, values

STEP = "40_warm_up"
LIMITS = {
    "start_run_s": 20.0,
    "cold_start_degc": 50.0,
    "warm_coolant_degc": 75.0,
    "thermostat_run_s": 720.0,
    "light_off_degc": 300.0,
    "quiet_block_s": 15.0,
    "quiet_range_v": 0.15,
    "quiet_readings": 5.0,
    "rear_rich_v": 0.45,
}


def started(seconds: list[float], **columns: object) -> pl.DataFrame:
    """Samples from the engine start on."""
    given = {"run_s": [float(second) for second in seconds], "warm": False} | columns
    return samples(seconds, **given)


def made_of(**tables: pl.DataFrame) -> pl.DataFrame:
    return run(STEP, params=LIMITS, **tables)


def rate(seconds: list[float], coolant: object, **columns: object) -> dict[str, float]:
    return values(made_of(samples=started(seconds, coolant_degc=coolant, **columns)), "UNIT")


def test_nothing_makes_nothing():
    assert made_of().height == 0


def test_a_single_reading_has_no_rate():
    assert rate([0], 20.0) == {}


def test_a_clock_that_stands_gives_no_rate():
    # Cold and warm at the same second since the start: a repeated frame, not a rise.
    assert rate([0, 1], [20.0, 90.0], run_s=[5.0, 5.0]) == {}


def test_the_rise_is_timed_to_the_enable_temperature():
    # From 15 to 75 degC in 240 s: 15 degC a minute; what comes after does not matter.
    seconds = list(range(0, 601, 60))
    rising = [min(15.0 + 15 * second / 60, 90.0) for second in seconds]
    assert rate(seconds, rising) == {"coolant_rate_degc_min": 15.0}


def test_a_thermostat_stuck_open_is_slow():
    # 15 to 55 degC over twelve minutes.
    seconds = list(range(0, 721, 60))
    rising = [15 + 40 * second / 720 for second in seconds]
    assert rate(seconds, rising)["coolant_rate_degc_min"] == pytest.approx(40 / 12, rel=1e-5)


def test_a_start_not_watched_to_the_end_tells_nothing():
    assert rate(list(range(0, 301, 60)), 20.0) == {}


@pytest.mark.parametrize(
    "otherwise",
    [{"running": False}, {"run_time_known": False}, {"coolant": 60.0}, {"late": 30.0}, {"coolant": None}],
)
def test_starts_that_do_not_count(otherwise):
    seconds = list(range(0, 721, 60))
    given = dict(otherwise)
    late, coolant = given.pop("late", 0.0), given.pop("coolant", [20 + second / 10 for second in seconds])
    assert rate(seconds, coolant, run_s=[second + late for second in seconds], **given) == {}


def test_the_median_of_the_starts_of_a_day():
    frames = []
    for index, degc_min in enumerate((10.0, 12.0, 30.0)):
        seconds = [3600 * index + second for second in range(0, 721, 10)]
        run_s = [float(second) for second in range(0, 721, 10)]
        coolant = [15 + degc_min * second / 60 for second in run_s]
        frames.append(
            started(seconds, run_s=run_s, coolant_degc=coolant, started_at=at(3600 * index))
        )
    made = made_of(samples=pl.concat(frames))
    assert values(made)["coolant_rate_degc_min"] == pytest.approx(12, rel=1e-4)
    assert counts(made) == {"coolant_rate_degc_min": 3}


# -- catalyst ------------------------------------------------------------------------------------------------

SECONDS = list(range(0, 121))


def warming(**columns: object) -> dict[str, float]:
    """Two minutes from a cool start."""
    run_s = [float(second) for second in SECONDS]
    cool = started(SECONDS, coolant_degc=20.0)
    given = {"run_s": run_s, "warm": False, "closed": [second >= 30 for second in SECONDS]} | columns
    return values(made_of(samples=cool, banks=banks(SECONDS, **given)), "CAT1")


def test_light_off_by_the_reported_temperature():
    found = warming(catalyst_degc=[20.0 + 5 * second for second in SECONDS])
    assert found == {"light_off_s": 56.0}


@pytest.mark.parametrize("degc", [400.0, 200.0, None])
def test_a_light_off_that_was_not_seen(degc):
    assert "light_off_s" not in warming(catalyst_degc=degc)


def restless(until: int) -> list[float]:
    """Rich half of the time until it lies still."""
    return [0.7 if second >= until or second % 4 < 2 else 0.1 for second in SECONDS]


def test_quiet_is_the_first_quarter_of_a_minute_in_which_the_rear_lies_still_and_rich():
    assert warming(rear_v=restless(45)) == {"rear_quiet_at_s": 45.0}
    assert warming(rear_v=restless(48)) == {"rear_quiet_at_s": 60.0}


def test_still_before_closed_loop_or_still_and_lean_is_no_quiet():
    assert warming(rear_v=0.7) == {"rear_quiet_at_s": 30.0}
    assert warming(rear_v=0.1) == {}
    assert warming(rear_v=restless(200)) == {}
    assert warming(rear_v={0: 0.7, 40: 0.7, 50: 0.7}) == {}


def test_a_warm_start_has_no_light_off():
    warm = started(SECONDS, coolant_degc=80.0)
    frame = banks(SECONDS, run_s=[float(second) for second in SECONDS], rear_v=0.7)
    assert made_of(samples=warm, banks=frame).height == 0
