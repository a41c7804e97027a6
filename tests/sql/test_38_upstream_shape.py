"""Shape of the upstream signal: given samples -> dwell, frequency, jumps and edges."""

from __future__ import annotations

from datetime import UTC, datetime
from math import sqrt

import numpy as np
import polars as pl
import pytest

from tests.sql.given import at, banks, counts, run, values

STEP = "38_upstream_shape"
LIMITS = {"switch_v": 0.45, "jump_v": 0.3, "fast_step_s": 0.2}
FAST = {"up_switch_hz", "up_jump_share", "up_jump_share_se", "up_edge_asymmetry", "up_edge_asymmetry_se"}


def made_of(frame: pl.DataFrame, **params: float) -> pl.DataFrame:
    return run(STEP, params=LIMITS | params, banks=frame)


def every(step: float, volts: list[float], **columns: object) -> pl.DataFrame:
    return banks([step * index for index in range(len(volts))], front_v=volts, **columns)


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_a_single_reading_tells_its_dwell_alone():
    made = made_of(every(0.1, [0.8]))
    assert values(made, "B1S1") == {"up_rich_share": 1.0, "up_rich_share_se": 0.0}


def test_dwell_and_its_error_at_any_rate():
    for step in (0.1, 1.0, 10.0):
        made = made_of(every(step, [0.8, 0.8, 0.8, 0.1]))
        assert values(made)["up_rich_share"] == 0.75
        assert values(made)["up_rich_share_se"] == pytest.approx(sqrt(0.75 * 0.25 / 4))
        assert counts(made)["up_rich_share"] == 4


@pytest.mark.parametrize("otherwise", [{"front_ok": False}, {"running": False}, {"kind": "wide_range"}])
def test_readings_that_do_not_count(otherwise):
    assert made_of(every(0.1, [0.1, 0.8, 0.1], **otherwise)).height == 0


def test_frequency_is_half_the_crossings_a_second():
    # Up and down again every 0.4 s: 2.5 Hz.
    made = made_of(every(0.1, [0.1, 0.1, 0.8, 0.8] * 10 + [0.1]))
    assert values(made)["up_switch_hz"] == pytest.approx(2.5)
    assert counts(made)["up_switch_hz"] == 40


@pytest.mark.parametrize("step", [0.21, 0.5, 1.0, 10.0])
def test_below_5_hz_there_is_no_frequency_jump_or_edge(step):
    frame = every(step, [0.1, 0.5, 0.8, 0.5] * 20, idle=True)
    assert not FAST & set(values(made_of(frame)))


def test_a_few_quick_readings_make_no_slow_gateway_fast():
    seconds = [float(second) for second in range(50)] + [50.1, 50.2, 50.3]
    frame = banks(seconds, front_v=[0.1, 0.8] * 26 + [0.1], idle=True)
    assert not FAST & set(values(made_of(frame)))


def test_a_gap_is_neither_watched_nor_crossed():
    seconds = [0.0, 0.1, 0.2, 0.3, 60.0, 60.1, 60.2, 60.3]
    found = values(made_of(banks(seconds, front_v=[0.1, 0.1, 0.8, 0.8, 0.1, 0.1, 0.1, 0.1])))
    assert found["up_switch_hz"] == pytest.approx(1 / 2 / 0.6)


def test_jumps_are_counted_at_even_idle():
    volts = [0.1, 0.8, 0.1, 0.15, 0.2]
    made = made_of(every(0.1, volts, idle=True))
    assert values(made)["up_jump_share"] == 0.5
    assert values(made)["up_jump_share_se"] == pytest.approx(0.25)
    assert counts(made)["up_jump_share"] == 4
    for otherwise in ({"idle": False}, {"idle": True, "steady": False}):
        assert "up_jump_share" not in values(made_of(every(0.1, volts, **otherwise)))


def test_edges_of_the_same_length_are_even_and_a_slow_rise_is_not():
    even = [0.1, 0.45, 0.8, 0.45] * 10 + [0.1]
    found = values(made_of(every(0.1, even)))
    assert found["up_edge_asymmetry"] == 0
    assert found["up_edge_asymmetry_se"] == pytest.approx(1 / sqrt(20))
    # Three readings on the way up, one on the way down: (3 - 1) / 4.
    slow_rise = [0.1, 0.35, 0.45, 0.55, 0.8, 0.45] * 10 + [0.1]
    made = made_of(every(0.1, slow_rise))
    assert values(made)["up_edge_asymmetry"] == pytest.approx(0.5)
    assert values(made)["up_edge_asymmetry_se"] == pytest.approx(sqrt((1 - 0.25) / 40))
    assert counts(made)["up_edge_asymmetry"] == 40


def test_a_day_does_not_ask_the_next_one():
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    seconds = [-0.3, -0.2, -0.1, 0.0, 0.1]
    frame = banks(seconds, start=midnight, front_v=[0.1, 0.2, 0.45, 0.8, 0.8])
    first = made_of(frame).filter(pl.col("day") == midnight.date().replace(day=5))
    assert first.equals(made_of(frame.filter(pl.col("ts") < midnight)))


# -- what is left of switching at a gateway's rate -----------------------------------------------------------


def switching(rate_hz: float, frequency: float, edge_s: float, duty: float, seed: int) -> pl.DataFrame:
    """20 min of a trapezoid from 0.12 to 0.82 V, wandering in frequency, sampled with 20 ms of jitter."""
    rng = np.random.default_rng(seed)
    seconds = 1200
    grid = np.arange(0, seconds + 2, 0.01)
    # A random walk pulled back within ten seconds, 5 % wide.
    pull = 0.01 / 10
    steps = rng.normal(0, 0.05 * np.sqrt(2 * pull), grid.size)
    wander = np.empty(grid.size)
    level = 0.0
    for index, each in enumerate(steps):
        level += each - pull * level
        wander[index] = level
    phase = np.cumsum(frequency * (1 + wander)) * 0.01 + rng.random()
    jitter = rng.normal(0, 0.02, int(seconds * rate_hz)).clip(-0.045, 0.045)
    sampled_at = np.sort(np.arange(0, seconds, 1 / rate_hz) + jitter)
    place = np.interp(sampled_at.clip(0), grid, phase) % 1
    # Half of the rising and half of the falling edge lie above the middle.
    rise = edge_s * frequency
    volts = np.interp(place, [0, rise, duty, duty + rise, 1], [0.12, 0.82, 0.82, 0.12, 0.12])
    return banks([float(second) for second in sampled_at.round(6)], front_v=volts.tolist())


FIGURES = [
    # rate, true frequency, edge, duty; then with their spreads: apparent frequency, spread of volts, dwell
    (10, 1.7, 0.06, 0.5, (1.697, 0.080), (0.325, 0.0005), (0.506, 0.002)),
    (1, 1.7, 0.06, 0.5, (0.302, 0.073), (0.325, 0.002), (0.506, 0.008)),
    (1, 0.9, 0.25, 0.56, (0.102, 0.036), (0.290, 0.002), (0.572, 0.011)),
    (0.1, 1.7, 0.06, 0.5, (0.025, 0.003), (0.324, 0.006), (0.504, 0.042)),
    (0.1, 0.9, 0.25, 0.56, (0.023, 0.005), (0.290, 0.007), (0.563, 0.049)),
]


@pytest.mark.parametrize(("rate", "true_hz", "edge", "duty", "apparent", "spread", "dwell"), FIGURES)
def test_what_survives_the_sampling(rate, true_hz, edge, duty, apparent, spread, dwell):
    """Worked figures, mean and spread of 200 simulated 20 min windows: 1.7 Hz is folded to |1.7 - 2| Hz."""
    frame = switching(rate, true_hz, edge, duty, seed=7)
    shape = values(made_of(frame))
    level = values(run("30_upstream_narrowband", banks=frame))
    assert level["up_spread_v"] == pytest.approx(spread[0], abs=3 * spread[1])
    assert shape["up_rich_share"] == pytest.approx(dwell[0], abs=2 * dwell[1])
    assert level["up_p05_v"] == pytest.approx(0.12, abs=0.01)
    assert level["up_p95_v"] == pytest.approx(0.82, abs=0.01)
    assert ("up_switch_hz" in shape) is (rate >= 5)
    # The gate alone keeps the folded frequency out: opened by force, it is what comes out.
    forced = values(made_of(frame, fast_step_s=1.1 / rate))["up_switch_hz"]
    assert forced == pytest.approx(apparent[0], abs=2 * apparent[1])
    if rate >= 5:
        assert shape["up_switch_hz"] == pytest.approx(true_hz, abs=apparent[1])
        assert forced == shape["up_switch_hz"]


def test_the_error_of_a_dwell_is_that_of_repeated_windows():
    # 120 readings at 0.1 Hz: 0.5 / sqrt(120) = 0.046; simulated 0.042 (worked figure), to a factor of 1.5.
    found = [values(made_of(switching(0.1, 1.7, 0.06, 0.5, seed))) for seed in range(12)]
    assert np.mean([each["up_rich_share_se"] for each in found]) == pytest.approx(0.0456, rel=0.02)
    scatter = np.std([each["up_rich_share"] for each in found], ddof=1)
    assert 0.042 / 1.5 < scatter < 0.042 * 1.5


def test_trips_do_not_share_edges():
    first = every(0.1, [0.1, 0.1, 0.1])
    second = banks([0.3, 0.4, 0.5], front_v=[0.8, 0.8, 0.8], started_at=at(0.3))
    assert values(made_of(pl.concat([first, second])))["up_switch_hz"] == 0
