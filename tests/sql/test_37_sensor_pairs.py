"""Upstream against downstream: given samples and cuts -> paths, mirroring, levels and oxygen."""

from __future__ import annotations

from datetime import UTC, datetime
from math import pi, sin, sqrt

import polars as pl
import pytest

from tests.sql.given import at, banks, counts, cuts, run, values

STEP = "37_sensor_pairs"
LIMITS = {
    "pair_step_s": 12.0,
    "front_least_spread_v": 0.1,
    "fast_step_s": 0.2,
    "mirror_lag_s": 1.0,
    "mirror_readings": 50.0,
    "rear_cut_wait_s": 4.0,
    "settle_rear_after_cut_s": 20.0,
    "bias_band_v": 0.1,
    "flow_low_gs": 5.0,
    "flow_high_gs": 15.0,
}
FRONT = [0.1 if index % 2 else 0.8 for index in range(10)]


def made_of(**tables: pl.DataFrame) -> pl.DataFrame:
    return run(STEP, params=LIMITS, **tables)


def test_nothing_makes_nothing():
    assert made_of().height == 0


def test_a_single_reading_has_no_path():
    assert made_of(banks=banks([0], front_v=0.5, rear_v=0.7)).height == 0


def test_the_path_is_the_sum_of_all_steps():
    rear = [0.7, 0.6, 0.7, 0.7, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9]
    made = made_of(banks=banks(list(range(10)), front_v=FRONT, rear_v=rear))
    # 0.1 + 0.1 + 0.2 V behind, nine steps of 0.7 V ahead.
    assert values(made, "CAT1") == pytest.approx({"rear_front_path": 0.4 / 6.3}, rel=1e-5)
    assert counts(made) == {"rear_front_path": 9}


def test_steps_over_a_gap_or_without_the_other_sensor_do_not_count():
    seconds = [0, 1, 2, 30, 31]
    frame = banks(seconds, front_v=[0.1, 0.8, 0.1, 0.8, 0.1], rear_v=[0.7, 0.6, 0.7, 0.1, 0.2])
    assert values(made_of(banks=frame))["rear_front_path"] == pytest.approx(0.3 / 2.1, rel=1e-5)
    frame = banks([0, 1, 2, 3], front_v=[0.1, 0.5, 0.8, 0.1], rear_v=[0.7, None, 0.6, 0.7])
    assert values(made_of(banks=frame))["rear_front_path"] == pytest.approx(0.2 / 1.4, rel=1e-5)


@pytest.mark.parametrize(
    "otherwise",
    [{"rear_ok": False}, {"cruise": False}, {"running": False}, {"rear_v": None}, {"front_v": 0.45}]
    + [{"kind": "wide_range"}, {"hot": False}],
)
def test_readings_without_a_path(otherwise):
    given = {"front_v": FRONT, "rear_v": [0.7, 0.6] * 5} | otherwise
    assert "rear_front_path" not in values(made_of(banks=banks(list(range(10)), **given)))


def test_only_a_hot_catalyst_is_asked():
    rear = [0.1, 0.9] * 3 + [0.7] * 4  # wild while cold, still when hot
    made = made_of(banks=banks(list(range(10)), front_v=FRONT, rear_v=rear, hot=[False] * 6 + [True] * 4))
    # The first of four hot steps ends the last cold one: 0.2 V behind and four times 0.7 V ahead.
    assert values(made)["rear_front_path"] == pytest.approx(0.2 / 2.8, rel=1e-5)
    assert counts(made)["rear_front_path"] == 4


def mirrored(step: float, lag: float, **columns: object) -> pl.DataFrame:
    """A minute at a rate: an upstream sine that wanders in frequency and a downstream one, so much later."""
    seconds = [step * index for index in range(round(60 / step))]

    def front(second: float) -> float:
        return 0.45 + 0.35 * sin(2 * pi * (0.9 * second + sin(second / 7)))

    rear = [0.6 + 0.4 * (front(second - lag) - 0.45) for second in seconds]
    given = {"front_v": [front(second) for second in seconds], "rear_v": rear}
    return made_of(banks=banks(seconds, **(given | columns)))


@pytest.mark.parametrize(("step", "lag"), [(0.1, 0.3), (0.1, 0.0), (0.2, 0.4)])
def test_a_rear_that_repeats_the_front_is_found_with_its_lag(step, lag):
    found = values(mirrored(step, lag), "CAT1")
    assert found["rear_front_mirror"] == pytest.approx(1, abs=1e-4)
    assert found["rear_front_lag_s"] == pytest.approx(lag, abs=1e-6)
    assert found["rear_front_path"] == pytest.approx(0.4, rel=0.02)


@pytest.mark.parametrize("step", [0.25, 1.0, 10.0])
def test_below_5_hz_no_lag_is_searched(step):
    assert not {"rear_front_mirror", "rear_front_lag_s"} & set(values(mirrored(step, 0.0)))


def test_a_still_rear_mirrors_nothing_and_noise_little():
    assert "rear_front_mirror" not in values(mirrored(0.1, 0.3, rear_v=0.7))
    noise = [0.7 + 0.02 * sin(index * index) for index in range(600)]
    assert values(mirrored(0.1, 0.3, rear_v=noise))["rear_front_mirror"] < 0.2


def test_stuck_levels_in_cuts_with_their_errors():
    events = cuts(
        {"rear_floor_v": 0.82}, {"rear_floor_v": 0.08}, {"rear_floor_v": 0.46}, {"rear_floor_v": 0.75},
        {"rear_floor_v": 0.9, "cut_s": 3.0}, {"rear_floor_v": 0.9, "warm": False}, {"rear_floor_v": None},
    )  # fmt: skip
    made = made_of(cuts=events)
    assert values(made, "B1S2") == pytest.approx(
        {
            "down_cut_high_share": 0.5,
            "down_cut_high_share_se": sqrt(0.25 / 4),
            "down_cut_mid_share": 0.25,
            "down_cut_mid_share_se": sqrt(0.25 * 0.75 / 4),
        }
    )
    assert set(counts(made).values()) == {4}


def test_stuck_low_is_asked_of_enrichment():
    frame = banks(list(range(4)), rear_v=[0.1, 0.1, 0.8, 0.1], enriched=[True, True, True, False])
    found = values(made_of(banks=frame), "B1S2")
    assert found == pytest.approx(
        {"down_enriched_low_share": 2 / 3, "down_enriched_low_share_se": sqrt(2 / 9 / 3)}
    )
    assert made_of(banks=banks([0, 1], rear_v=0.1, enriched=True, warm=False)).height == 0
    assert made_of(banks=banks([0, 1], rear_v=0.1, enriched=True, since_cut_s=[5.0, 19.0])).height == 0
    settled = banks([0, 1], rear_v=0.1, enriched=True, since_cut_s=[5.0, 20.0])
    assert counts(made_of(banks=settled))["down_enriched_low_share"] == 1


def test_oxygen_by_air_flow():
    events = cuts(
        {"oxygen_g": 0.5, "flow_gs": 3.0}, {"oxygen_g": 0.7, "flow_gs": 4.9},
        {"oxygen_g": 0.4, "flow_gs": 5.0}, {"oxygen_g": 0.3, "flow_gs": 15.0},
        {"oxygen_g": 0.3, "flow_gs": None}, {"oxygen_g": None, "flow_gs": 9.0},
        {"oxygen_g": 9.0, "flow_gs": 3.0, "warm": False}, kind="wide_range",
    )  # fmt: skip
    made = made_of(cuts=events)
    assert values(made, "CAT1") == pytest.approx(
        {"oxygen_low_flow_g": 0.6, "oxygen_mid_flow_g": 0.4, "oxygen_high_flow_g": 0.3}
    )
    assert counts(made) == {"oxygen_low_flow_g": 2, "oxygen_mid_flow_g": 1, "oxygen_high_flow_g": 1}


def test_oxygen_of_a_cold_catalyst_does_not_count():
    cold = {"oxygen_g": 0.5, "flow_gs": 3.0, "hot": False}
    events = cuts(cold, {"oxygen_g": 0.7, "flow_gs": 3.0}, kind="wide_range")
    assert values(made_of(cuts=events))["oxygen_low_flow_g"] == 0.7


def test_banks_and_trips_are_kept_apart():
    one = banks([0, 1, 2], front_v=[0.1, 0.8, 0.1], rear_v=[0.7, 0.6, 0.7])
    two = banks([0, 1, 2], front_v=[0.1, 0.8, 0.1], rear_v=[0.1, 0.8, 0.1], bank=2)
    later = banks([3, 4, 5], front_v=[0.8, 0.1, 0.8], rear_v=[0.1, 0.1, 0.1], started_at=at(3))
    made = made_of(banks=pl.concat([one, two, later]))
    assert values(made, "CAT1")["rear_front_path"] == pytest.approx(0.2 / 2.8, rel=1e-5)
    assert values(made, "CAT2")["rear_front_path"] == pytest.approx(1)
