"""Conventional upstream sensor: given samples of a bank -> levels, dwell, movement, what is stuck."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from tests.sql.given import START, banks, counts, cuts, run, values

STEP = "30_upstream_narrowband"
EVEN = [index / 20 for index in range(21)]  # 0.00, 0.05 .. 1.00 V
MIDNIGHT = datetime(2026, 1, 5, tzinfo=UTC)


def wave(times: np.ndarray, rising_s: float, low: float = 0.12, high: float = 0.82) -> np.ndarray:
    """Trapezoid of 1.7 Hz with edges of the given duration, as volts at the given times."""
    period = 1 / 1.7
    edge = rising_s / period
    phase = (times / period) % 1
    corners = [0, edge, 0.5, 0.5 + edge, 1]
    return np.interp(phase, corners, [low, high, high, low, low])


def sampled(step_s: float, edge_s: float, count: int = 5000) -> pl.DataFrame:
    """The wave as a gateway sees it: one reading a step, with the jitter of its polls."""
    jitter = np.random.default_rng(3).uniform(0, 0.6, count) * max(step_s, 0.5)
    times = np.arange(count) * step_s + (jitter if step_s >= 1 else 0)
    seconds = [round(float(time), 3) for time in times]
    return banks(seconds, start=MIDNIGHT, front_v=list(wave(np.array(seconds), edge_s)))


# -- what a wave looks like through the sampling ---------------------------------------------------


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
def test_dwell_in_the_middle_survives_any_sampling(step_s):
    # Worked figure: 2 * 1.7 Hz * 0.12 s * 0.30 V / 0.70 V = 0.175.
    made = values(run(STEP, banks=sampled(step_s, 0.12)))
    assert made["up_mid_share"] == pytest.approx(0.175, abs=0.015)


def test_each_dwell_has_its_standard_error():
    # Binomial: sqrt(p (1 - p) / n) of 2 low, 3 middle and 5 high readings out of ten.
    levels = [0.1] * 2 + [0.45] * 3 + [0.8] * 5
    made = values(run(STEP, banks=banks(list(range(10)), front_v=levels)))
    for name, share in (("low", 0.2), ("mid", 0.3), ("high", 0.5)):
        assert made[f"up_{name}_share"] == pytest.approx(share)
        assert made[f"up_{name}_share_se"] == pytest.approx((share * (1 - share) / 10) ** 0.5)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
def test_spread_survives_any_sampling(step_s):
    made = values(run(STEP, banks=sampled(step_s, 0.12)))
    truth = float(np.std(wave(np.linspace(0, 100 / 1.7, 100_000, endpoint=False), 0.12)))
    assert made["up_spread_v"] == pytest.approx(truth, rel=0.03)
    assert made["up_swing_v"] == pytest.approx(0.70, abs=0.01)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
def test_a_square_wave_dwells_half_high_and_never_in_the_middle(step_s):
    made = values(run(STEP, banks=sampled(step_s, 1e-6)))
    assert made["up_high_share"] == pytest.approx(0.5, abs=0.03)
    assert made["up_low_share"] == pytest.approx(0.5, abs=0.03)
    assert made["up_mid_share"] == 0


def test_a_slower_sensor_dwells_longer_in_the_middle():
    shares = [values(run(STEP, banks=sampled(1.0, edge)))["up_mid_share"] for edge in (0.06, 0.12, 0.24)]
    assert shares == sorted(shares)
    assert shares[2] == pytest.approx(0.35, abs=0.02)


def test_activity_equals_the_spread_for_a_signal_faster_than_the_sampling():
    made = values(run(STEP, banks=sampled(10.0, 0.12)))
    assert made["up_activity_v"] == pytest.approx(made["up_spread_v"], rel=0.03)


def test_activity_is_nearly_nothing_for_a_signal_slower_than_the_sampling():
    slow = [0.45 + 0.35 * float(np.sin(second / 60)) for second in range(0, 600)]
    made = values(run(STEP, banks=banks(list(range(600)), front_v=slow)))
    assert made["up_spread_v"] > 0.2
    assert made["up_activity_v"] < 0.01


# -- rows ------------------------------------------------------------------------------------------


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_levels_of_known_readings():
    made = run(STEP, banks=banks(list(range(21)), front_v=EVEN))
    found = values(made)
    expected = {"up_p05_v": 0.05, "up_p95_v": 0.95, "up_top_v": 0.98, "up_swing_v": 0.9, "up_mean_v": 0.5, "sample_step_s": 1.0}
    assert {name: found[name] for name in expected} == pytest.approx(expected)
    assert found["up_spread_v"] == pytest.approx(np.std(EVEN, ddof=1))
    assert found["up_activity_v"] == pytest.approx(0.05 / np.sqrt(2))
    assert made["component"].unique().to_list() == ["B1S1"]
    assert counts(made)["up_mean_v"] == 21


def test_shares_of_known_readings():
    front = [0.1, 0.1, 0.1, 0.25, 0.4, 0.5, 0.65, 0.75, 0.8, 0.9]
    found = values(run(STEP, banks=banks(list(range(10)), front_v=front)))
    assert found["up_low_share"] == pytest.approx(0.3)
    assert found["up_mid_share"] == pytest.approx(0.2)
    assert found["up_high_share"] == pytest.approx(0.3)


@pytest.mark.parametrize(
    "otherwise", [{"kind": "wide_range"}, {"running": False}, {"front_v": None}, {"front_ok": False}]
)
def test_readings_that_do_not_count(otherwise):
    made = run(STEP, banks=banks([0, 1, 2], **({"front_v": 0.5} | otherwise)))
    assert "up_mean_v" not in values(made)


def test_a_single_reading_has_a_level_but_no_spread():
    found = values(run(STEP, banks=banks([0], front_v=0.5)))
    assert found["up_mean_v"] == 0.5
    assert "up_spread_v" not in found
    assert "up_activity_v" not in found


def test_movement_is_asked_of_neighbours_only():
    made = run(STEP, banks=banks([0, 1, 30, 31], front_v=[0.1, 0.3, 0.9, 0.7]))
    assert values(made)["up_activity_v"] == pytest.approx(0.2 / np.sqrt(2))


def test_neighbours_are_of_one_trip():
    first, second = banks([0], front_v=0.1), banks([1], front_v=0.9)
    assert "up_activity_v" not in values(run(STEP, banks=pl.concat([first, second])))


def test_banks_and_days_are_kept_apart():
    parts = [
        banks([0, 1], front_v=0.2),
        banks([0, 1], front_v=0.4, bank=2),
        banks([0, 1], front_v=0.6, start=START + timedelta(days=1)),
    ]
    made = run(STEP, banks=pl.concat(parts)).filter(pl.col("indicator") == "up_mean_v")
    rows = made.select("component", pl.col("day").dt.day(), pl.col("value").round(3)).rows()
    assert rows == [("B1S1", 5, 0.2), ("B1S1", 6, 0.6), ("B2S1", 5, 0.4)]


# -- stuck -----------------------------------------------------------------------------------------


def minutes(*levels: list[float], **columns: object) -> pl.DataFrame:
    """Whole minutes of run time, ten readings each, with the given voltages one after another."""
    seconds = [60 * minute + 6 * index for minute in range(len(levels)) for index in range(10)]
    front = [levels[second // 60][(second % 60) // 6 % len(levels[second // 60])] for second in seconds]
    return banks(seconds, front_v=front, run_s=[1200.0 + second for second in seconds], **columns)


def test_the_share_of_minutes_in_which_nothing_moves():
    made = run(STEP, banks=minutes([0.45], [0.45, 0.48], [0.1, 0.8], [0.2, 0.7]))
    assert values(made)["up_stuck_share"] == 0.5
    assert counts(made)["up_stuck_share"] == 4


def test_a_minute_of_too_few_readings_says_nothing():
    made = run(STEP, params={"block_readings": 11.0}, banks=minutes([0.45], [0.45]))
    assert "up_stuck_share" not in values(made)


@pytest.mark.parametrize("otherwise", [{"cut": True}, {"enriched": True}, {"warm": False}])
def test_a_flat_signal_is_expected_in_cuts_enrichment_and_cold(otherwise):
    assert "up_stuck_share" not in values(run(STEP, banks=minutes([0.05], **otherwise)))


def test_a_stuck_sensor_is_seen_outside_closed_loop():
    assert values(run(STEP, banks=minutes([0.45], front_ok=False, closed=False)))["up_stuck_share"] == 1


# -- enrichment, cuts, trims -----------------------------------------------------------------------


def test_the_rich_level_is_read_in_warm_enrichment():
    frame = banks(list(range(11)), front_v=EVEN[:11], front_ok=False, enriched=True)
    made = run(STEP, banks=frame)
    assert values(made)["up_rich_v"] == pytest.approx(0.45)
    assert counts(made)["up_rich_v"] == 11
    assert "up_rich_v" not in values(run(STEP, banks=banks([0, 1], front_v=0.8, enriched=True, warm=False)))


def test_the_floor_is_the_median_of_warm_cuts_of_conventional_sensors():
    events = cuts(
        {"front_floor_v": 0.05},
        {"front_floor_v": 0.08},
        {"front_floor_v": 0.30},
        {"front_floor_v": None},
        {"front_floor_v": 0.6, "warm": False},
        {"front_floor_v": 0.6, "kind": "wide_range"},
    )
    made = run(STEP, cuts=events)
    assert values(made) == {"up_cut_floor_v": pytest.approx(0.08)}
    assert counts(made) == {"up_cut_floor_v": 3}


def test_the_spread_of_the_short_term_trim():
    trims = [-4.0, 4.0, None, -4.0, 4.0]
    made = run(STEP, banks=banks([0, 1, 2, 3, 4], stft_pct=trims))
    assert values(made)["stft_spread_pct"] == pytest.approx(np.std([-4, 4, -4, 4], ddof=1))
    assert counts(made)["stft_spread_pct"] == 4
    assert "stft_spread_pct" not in values(run(STEP, banks=banks([0, 1], stft_pct=1.0, front_ok=False)))
