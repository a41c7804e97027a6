"""Limits: peers that move the yardstick, strength between healthy and limit, forecast, and findings that
stand.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from models.limits import (
    FORECAST_WEEKS,
    KIN_LEAST,
    PEERS_LEAST,
    PEER_SPREADS,
    STRENGTH_MOST,
    TREND_P,
    TREND_WEEKS,
    WORN_MOST,
    WORN_P,
    hysteresis,
    with_kin,
    with_peers,
    with_standing,
    with_strength,
)

SCHEMA = {
    "level": pl.Float64,
    "baseline": pl.Float64,
    "own_spread": pl.Float64,
    "peer_median": pl.Float64,
    "peer_spread": pl.Float64,
    "slope_per_week": pl.Float64,
    "slope_low": pl.Float64,
    "slope_high": pl.Float64,
    "trend_p": pl.Float64,
    "weeks": pl.Int64,
    "worse": pl.String,
    "healthy": pl.Float64,
    "limit": pl.Float64,
    "compare": pl.String,
}


def standing(**columns: object) -> dict:
    """Strength of one level; healthy 1, limit 3, worse upward, no peers, no trend unless told otherwise."""
    given = dict.fromkeys(SCHEMA) | {
        "weeks": 10,
        "worse": "up",
        "healthy": 1.0,
        "limit": 3.0,
        "compare": "both",
    }
    return with_strength(pl.DataFrame([given | columns], schema=SCHEMA)).row(0, named=True)


def trend(slope: float, **columns: object) -> dict:
    """The columns of a significant slope with an interval of a quarter to either side."""
    low, high = sorted((0.75 * slope, 1.25 * slope))
    return {"slope_per_week": slope, "slope_low": low, "slope_high": high, "trend_p": TREND_P / 2} | columns


# -- strength --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("level", "strength"), [(1.0, 0), (2.0, 0.5), (3.0, 1), (4.0, 1.5), (0.0, 0), (99.0, STRENGTH_MOST)]
)
def test_strength_is_the_share_of_the_way_to_the_limit(level, strength):
    assert standing(level=level)["strength"] == pytest.approx(strength)


@pytest.mark.parametrize(("level", "strength"), [(3.0, 0), (2.0, 0.5), (1.0, 1), (9.0, 0)])
def test_strength_downward(level, strength):
    assert standing(level=level, worse="down", healthy=3.0, limit=1.0)["strength"] == pytest.approx(strength)


@pytest.mark.parametrize("level", [-2.0, 2.0])
def test_strength_to_either_side(level):
    assert standing(level=level, worse="out")["strength"] == pytest.approx(0.5)


def test_an_unknown_level_or_limit_has_no_strength():
    for missing in ({"level": None}, {"level": 2.0, "limit": None}, {"level": 2.0, "healthy": None}):
        made = standing(**missing)
        assert made["strength"] is None
        assert made["strength_28d"] is None


# -- wear ------------------------------------------------------------------------------------------


def test_worn_is_what_the_part_has_gone_itself():
    sure = trend(0.1, baseline=1.5, trend_p=WORN_P / 2)
    assert standing(level=2.5, **sure)["worn"] == pytest.approx(0.5)  # from 1.5 to 2.5 of the way from 1 to 3
    assert standing(level=2.5, **sure | {"trend_p": WORN_P})["worn"] == 0  # no sure trend
    assert standing(level=2.5, **sure | {"weeks": TREND_WEEKS - 1})["worn"] == 0
    assert standing(level=2.5, **sure | {"slope_per_week": -0.1})["worn"] == 0  # it recovers
    assert standing(level=2.5, **sure | {"baseline": 2.5})["worn"] == 0  # it was so when the logging began
    assert standing(level=2.5, **sure | {"baseline": 0.0})["worn"] == pytest.approx(0.75)  # from healthy on at most
    assert standing(level=2.5, **sure | {"baseline": None})["worn"] == 0
    assert standing(level=99.0, **sure)["worn"] == WORN_MOST


def test_moved_is_the_share_of_the_way_since_its_own_past_sure_or_not():
    assert standing(level=2.5, baseline=1.5)["moved"] == pytest.approx(0.5)
    assert standing(level=2.5, baseline=2.5)["moved"] == 0
    assert standing(level=1.5, baseline=2.5)["moved"] == pytest.approx(-0.5)
    assert standing(level=2.5, baseline=None)["moved"] is None


def test_worn_follows_the_bad_direction():
    down = trend(-0.1, baseline=2.5, trend_p=WORN_P / 2, worse="down", healthy=3.0, limit=1.0)
    assert standing(level=1.5, **down)["worn"] == pytest.approx(0.5)
    for side in (1, -1):
        out = trend(0.1 * side, baseline=0.5 * side, trend_p=WORN_P / 2, worse="out")
        assert standing(level=2.5 * side, **out)["worn"] == pytest.approx(0.75)  # strength 0.75, gone 1.0


# -- peers -----------------------------------------------------------------------------------------


def test_peers_that_stand_closer_to_the_limit_move_the_yardstick():
    alone, among = standing(level=2.5), standing(level=2.5, peer_median=2.4)
    assert alone["strength"] == pytest.approx(0.75)
    assert among["strength"] == pytest.approx((2.5 - 2.4) / 1.0)
    assert (among["healthy"], among["limit"]) == (2.4, pytest.approx(3.4))


def test_healthy_peers_do_not_make_a_part_sicker():
    assert standing(level=2.5, peer_median=0.2)["strength"] == standing(level=2.5)["strength"]
    assert standing(level=2.5, peer_median=0.2)["limit"] == 3.0


def test_the_limit_keeps_half_its_distance_from_the_peers():
    made = standing(level=2.5, worse="down", healthy=3.0, limit=1.0, peer_median=1.5)
    assert (made["healthy"], made["limit"]) == (1.5, pytest.approx(0.5))
    assert made["strength"] == 0


def test_within_three_spreads_of_its_family_a_part_is_at_no_limit():
    """Of a normal distribution 1 in 740 lies more than three standard deviations to one side (any table)."""
    assert norm.sf(PEER_SPREADS) == pytest.approx(1 / 740, rel=0.01)
    wide = standing(level=3.4, peer_median=1.0, peer_spread=1.0)  # limit 4 in place of 3
    assert (wide["healthy"], wide["limit"]) == (1.0, 4.0) and wide["strength"] == pytest.approx(0.8)
    assert standing(level=3.4, peer_median=1.0, peer_spread=0.1)["limit"] == 3.0  # a narrow family has the declared limit
    down = standing(level=0.5, worse="down", healthy=3.0, limit=1.0, peer_median=3.0, peer_spread=0.7)
    assert down["limit"] == pytest.approx(0.9) and down["strength"] > 1
    side = standing(level=-3.4, worse="out", peer_median=0.0, peer_spread=1.2)
    assert side["limit"] == pytest.approx(3.6) and side["strength"] == pytest.approx(2.4 / 2.6)
    for compare in ("absolute", "own_past"):
        apart = standing(level=3.4, baseline=1.0, peer_median=1.0, peer_spread=5.0, compare=compare)
        assert apart["limit"] == standing(level=3.4, baseline=1.0, compare=compare)["limit"]


def test_an_indicator_without_a_declared_limit_gets_none_of_its_peers():
    for worse in ("up", "down", "out"):
        made = standing(level=9.0, worse=worse, healthy=None, limit=None, baseline=1.0, peer_median=1.0, peer_spread=0.1)
        assert (made["limit"], made["strength"], made["strength_28d"]) == (None, None, None), worse


def test_a_part_that_lost_three_quarters_of_what_its_peers_have_is_at_its_limit():
    down = {"worse": "down", "healthy": 60.0, "limit": 15.0}
    assert standing(level=5.0, **down, peer_median=20.0, peer_spread=8.0)["limit"] == 5.0  # not 20 - 24
    assert standing(level=5.0, **down, peer_median=20.0, peer_spread=8.0)["strength"] == pytest.approx(1)
    assert standing(level=5.0, **down, peer_median=100.0, peer_spread=40.0)["limit"] == 15.0  # beyond a quarter already


def test_absolute_indicators_ignore_the_peers():
    assert standing(level=2.5, peer_median=2.4, compare="absolute")["strength"] == pytest.approx(0.75)
    assert standing(level=2.5, peer_median=2.4, compare="absolute", worse="out")["strength"] == pytest.approx(0.75)


@pytest.mark.parametrize("side", [1, -1])
def test_what_is_off_to_either_side_counts_beyond_peers_that_are_off_to_the_same(side):
    # Healthy within 1.0, limit 3.0: a family whose control aims 1.0 beside the target leaves 1.5 of 2.5.
    assert standing(level=side * 2.5, peer_median=side * 1.0, worse="out")["strength"] == pytest.approx(0.25)
    assert standing(level=side * 2.5, peer_median=side * 2.4, worse="out")["strength"] == 0
    # Peers on the other side make nobody sicker.
    assert standing(level=side * 2.5, peer_median=-side * 1.0, worse="out")["strength"] == pytest.approx(0.75)


@settings(max_examples=60, deadline=None)
@given(
    level=st.floats(-10, 10), peer=st.floats(-10, 10), spread=st.floats(0, 10), worse=st.sampled_from(["up", "down"])
)
def test_peers_never_bring_a_part_to_its_limit_sooner(level, peer, spread, worse):
    healthy, limit = (1.0, 3.0) if worse == "up" else (3.0, 1.0)
    alone = standing(level=level, worse=worse, healthy=healthy, limit=limit)
    among = standing(level=level, worse=worse, healthy=healthy, limit=limit, peer_median=peer, peer_spread=spread)
    assert min(among["strength"], 1) <= min(alone["strength"], 1) + 1e-12


# -- own past --------------------------------------------------------------------------------------


def test_a_past_better_than_healthy_is_healthy():
    # Worked: awake after 0.1 s then and 1.5 s now is no weak heater where 5 s are sound; from 5 s on two and a half times count.
    own = {"compare": "own_past", "worse": "up", "healthy": 5.0, "limit": 1.5}
    assert standing(level=1.5, baseline=0.1, **own)["strength"] == 0
    assert standing(level=12.5, baseline=0.1, **own)["strength"] == pytest.approx(1)
    assert standing(level=25.0, baseline=10.0, **own)["strength"] == pytest.approx(1)
    assert standing(level=25.0, baseline=None, **own)["strength"] is None
    fell = {"compare": "own_past", "worse": "down", "healthy": 0.8, "limit": 0.25}
    assert standing(level=0.6, baseline=0.9, **fell)["strength"] == pytest.approx(1)
    assert standing(level=0.675, baseline=0.9, **fell | {"healthy": None})["strength"] == pytest.approx(1)


def test_own_past_holds_a_part_against_its_first_weeks():
    own = {"compare": "own_past", "worse": "down", "healthy": None, "limit": 0.08}
    made = standing(level=1.92, baseline=2.0, **own)
    assert (made["healthy"], made["limit"]) == (2.0, pytest.approx(1.84))
    assert made["strength"] == pytest.approx(0.5)
    assert standing(level=1.92, baseline=None, **own)["strength"] is None


def test_what_a_part_does_from_week_to_week_is_no_change_against_its_past():
    own = {"compare": "own_past", "worse": "down", "healthy": None, "limit": 0.08, "baseline": 2.0}
    assert standing(level=1.84, **own, own_spread=0.05)["strength"] == pytest.approx(1.0)  # three spreads are less than 8 %
    noisy = standing(level=1.84, **own, own_spread=0.2)
    assert noisy["limit"] == pytest.approx(2.0 - 0.6) and noisy["strength"] == pytest.approx(0.16 / 0.6)
    # What has no limit gets none of its own scatter.
    assert standing(level=1.84, **own | {"limit": None}, own_spread=0.05)["strength"] is None
    # Cuts that never were any: 8 % of next to nothing is less than it scatters.
    assert standing(level=-0.0137, **own | {"baseline": 0.0234}, own_spread=0.03)["strength"] < 0.5


def test_what_has_come_to_where_its_family_stands_is_no_finding():
    own = {"compare": "own_and_peers", "worse": "down", "healthy": None, "limit": 0.6, "baseline": 6.0}
    assert standing(level=2.4, **own, peer_median=6.0)["strength"] == pytest.approx(1.0)
    assert standing(level=2.4, **own, peer_median=None)["strength"] == pytest.approx(1.0)
    usual = standing(level=2.4, **own, peer_median=2.4)
    assert (usual["strength"], usual["strength_28d"]) == (0, 0)
    assert standing(level=2.4, **own | {"compare": "own_past"}, peer_median=2.4)["strength"] == pytest.approx(1.0)
    up = {"compare": "own_and_peers", "worse": "up", "healthy": None, "limit": 1.0, "baseline": 0.05}
    assert standing(level=0.1, **up, peer_median=0.05)["strength"] == pytest.approx(1.0)
    assert standing(level=0.1, **up, peer_median=0.12)["strength"] == 0
    # Within one spread of the family is where the family stands.
    assert standing(level=0.1, **up, peer_median=0.08, peer_spread=0.03)["strength"] == 0
    assert standing(level=0.1, **up, peer_median=0.08, peer_spread=0.01)["strength"] == pytest.approx(1.0)


def test_own_past_of_nothing_is_no_yardstick():
    own = {"compare": "own_past", "worse": "down", "healthy": None, "limit": 0.08, "baseline": 0.0}
    for level in (0.0, -1.0, 1.0):
        assert standing(level=level, **own)["strength"] is None


# -- forecast --------------------------------------------------------------------------------------


def test_a_monotone_trend_is_carried_on_for_four_weeks():
    made = standing(level=2.0, **trend(0.2))
    assert made["strength"] == pytest.approx(0.5)
    assert made["strength_28d"] == pytest.approx((1.0 + 0.2 * FORECAST_WEEKS) / 2)
    assert made["crossing_weeks"] == pytest.approx(5)
    assert made["crossing_weeks_low"] == pytest.approx(4)
    assert made["crossing_weeks_high"] == pytest.approx(1 / 0.15)


@pytest.mark.parametrize(
    "otherwise",
    [{"trend_p": TREND_P}, {"trend_p": None}, {"weeks": TREND_WEEKS - 1}, {"slope_per_week": None}],
)
def test_without_a_monotone_trend_the_level_stays(otherwise):
    made = standing(level=2.0, **(trend(0.2) | otherwise))
    assert made["strength_28d"] == made["strength"]
    assert made["crossing_weeks"] is None


def test_a_trend_to_the_better_is_not_carried_on():
    made = standing(level=2.0, **trend(-0.2))
    assert made["strength_28d"] == made["strength"]
    assert made["crossing_weeks"] is None


def test_a_trend_downward_towards_a_lower_limit():
    made = standing(level=2.0, worse="down", healthy=3.0, limit=1.0, **trend(-0.2))
    assert made["crossing_weeks"] == pytest.approx(5)
    assert made["strength_28d"] > made["strength"]


@pytest.mark.parametrize("side", [1, -1])
def test_a_trend_away_from_zero_to_either_side(side):
    made = standing(level=2.0 * side, worse="out", **trend(0.2 * side))
    assert made["crossing_weeks"] == pytest.approx(5)
    assert standing(level=2.0 * side, worse="out", **trend(-0.2 * side))["crossing_weeks"] is None


@pytest.mark.parametrize("side", [1, -1])
def test_a_drift_to_either_side_has_the_window_of_its_mirror_image(side):
    # From 2 to the limit 3 at 0.2 a week (0.1 to 0.25): 5 weeks, 4 to 10; from -2 at -0.2 (-0.25 to -0.1) the same.
    low, high = sorted((0.1 * side, 0.25 * side))
    made = standing(level=2.0 * side, worse="out", **(trend(0.2 * side) | {"slope_low": low, "slope_high": high}))
    assert [made[f"crossing_weeks{end}"] for end in ("", "_low", "_high")] == pytest.approx([5, 4, 10])


def test_beyond_the_limit_it_is_crossed_now():
    made = standing(level=3.5)
    assert (made["crossing_weeks"], made["crossing_weeks_low"], made["crossing_weeks_high"]) == (0, 0, 0)


def test_an_interval_that_holds_zero_has_no_latest_crossing():
    made = standing(level=2.0, **(trend(0.2) | {"slope_low": -0.1}))
    assert made["crossing_weeks_low"] == pytest.approx(4)
    assert made["crossing_weeks_high"] is None


# -- who the peers are -----------------------------------------------------------------------------


def fleet(
    levels: dict[str, float | None],
    families: dict[str, str] | None = None,
    bands: dict[str, int] | None = None,
    **columns: object,
) -> pl.DataFrame:
    """Levels of one indicator with peers; everybody of one family, ambient band and kind unless told otherwise."""
    frame = pl.DataFrame(
        {"unit_id": list(levels), "level": list(levels.values())},
        schema={"unit_id": pl.String, "level": pl.Float64},
    ).with_columns(component=pl.lit("B1S1"), indicator=pl.lit("up_mean_v"))
    units = pl.DataFrame(
        {
            "unit_id": list(levels),
            "engine_family": [(families or {}).get(unit, "F") for unit in levels],
            "kind": ["narrowband"] * len(levels),
            "ambient_band": pl.Series([(bands or {}).get(unit) for unit in levels], dtype=pl.Int64),
        }
    )
    return with_peers(frame.with_columns(**columns), units)


def test_the_family_gives_median_and_spread():
    made = fleet({f"V{index}": float(index) for index in range(11)})
    assert made["peer_median"].unique().to_list() == [5.0]
    assert made["peer_spread"].unique().to_list() == [pytest.approx(1.4826 * 3)]
    assert made["peers"].unique().to_list() == [10]


def test_a_small_family_is_compared_with_the_whole_fleet():
    levels = {f"V{index}": float(index) for index in range(12)}
    made = fleet(levels, {"V0": "rare", "V1": "rare"})
    assert made.filter(pl.col("engine_family") == "rare")["peer_median"].to_list() == [5.5, 5.5]
    assert made.filter(pl.col("engine_family") == "F")["peer_median"].unique().to_list() == [6.5]


def test_peers_drive_in_the_same_weather():
    levels = {f"V{index}": float(index >= 10) for index in range(20)}  # ten in the cold, ten in the warm
    bands = {f"V{index}": -1 if index < 10 else 2 for index in range(20)}
    made = fleet(levels, bands=bands)
    assert made["peer_median"].to_list() == [0.0] * 10 + [1.0] * 10
    assert made["peers"].unique().to_list() == [9]


def test_fewer_than_eight_in_the_same_weather_are_compared_with_the_family():
    levels = {f"V{index}": float(index) for index in range(11)}
    made = fleet(levels, bands={"V0": -1, "V1": -1})
    assert made.filter(pl.col("ambient_band") == -1)["peer_median"].to_list() == [5.0, 5.0]
    assert made.filter(pl.col("ambient_band").is_null())["peer_median"].unique().to_list() == [6.0]


@pytest.mark.parametrize("unknown", ["", None])
def test_vehicles_of_no_known_family_are_no_family(unknown: str | None):
    # Nine vehicles whose family nobody knows and nine of F: among those of the kind the median is that of all eighteen.
    units = [f"V{index}" for index in range(9)] + [f"W{index}" for index in range(9)]
    levels = {unit: 0.2 if unit < "W" else 0.8 for unit in units}
    made = fleet(levels, families={unit: unknown for unit in units if unit < "W"})
    assert dict(made.select("unit_id", "peer_median").iter_rows()) == {
        unit: pytest.approx(0.5 if unit < "W" else 0.8) for unit in units
    }
    assert made.filter(pl.col("unit_id") < "W")["peers"].unique().to_list() == [17]
    # Five of them beside nine of F are no small family either.
    few = fleet({unit: levels[unit] for unit in units[4:]}, families={unit: unknown for unit in units if unit < "W"})
    assert few["kin_median"].null_count() == few.height


def test_a_small_fleet_is_compared_with_nobody():
    made = fleet({f"V{index}": 1.0 for index in range(PEERS_LEAST)})
    assert made["peer_median"].null_count() == made.height
    assert made["peers"].to_list() == [0] * PEERS_LEAST


def test_unknown_levels_are_no_peers():
    made = fleet({f"V{index}": (1.0 if index else None) for index in range(PEERS_LEAST + 1)})
    assert made["peer_median"].null_count() == made.height


def test_both_banks_are_of_one_place_and_sensors_are_not_mixed():
    banks = [
        fleet({f"V{index}": 2.0 for index in range(5)}, component=pl.lit(name)) for name in ("B1S1", "B2S1")
    ]
    columns = ["unit_id", "component", "indicator", "level"]
    other = fleet({f"V{index}": 8.0 for index in range(5)}, component=pl.lit("B1S2")).select(columns)
    units = pl.DataFrame({"unit_id": [f"V{index}" for index in range(5)]}).with_columns(
        engine_family=pl.lit("F"), kind=pl.lit("narrowband"), ambient_band=pl.lit(1, pl.Int64)
    )
    made = with_peers(pl.concat([*(bank.select(columns) for bank in banks), other]), units)
    assert made["peers"].to_list() == [0] * 15  # five vehicles, however many banks
    more = pl.concat(
        [pl.concat(banks).select(columns)]
        + [bank.select(columns).with_columns(unit_id="W" + pl.col("unit_id")) for bank in banks]
        + [other]
    )
    both_units = pl.concat([units, units.with_columns(unit_id="W" + pl.col("unit_id"))])
    wide = with_peers(more, both_units)
    assert wide.filter(pl.col("component") != "B1S2")["peer_median"].unique().to_list() == [2.0]
    assert wide.filter(pl.col("component") == "B1S2")["peers"].unique().to_list() == [0]


def test_a_vehicle_that_is_not_registered_keeps_its_row():
    made = with_peers(
        pl.DataFrame({"unit_id": ["X"], "component": ["CAT1"], "indicator": ["oxygen_g"], "level": [0.4]}),
        pl.DataFrame(
            schema={"unit_id": pl.String, "engine_family": pl.String, "kind": pl.String, "ambient_band": pl.Int64}
        ),
    )
    assert made.select("unit_id", "peers").rows() == [("X", 0)]


# -- hysteresis ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("strengths", "states"),
    [
        ([0.9, 1.0, 0.7, 0.5, 0.49, 0.9], [0, 1, 1, 1, 0, 0]),
        ([np.nan, 1.2, np.nan, 0.6, 0.1, np.nan], [0, 1, 1, 1, 0, 0]),
        ([0.6, 0.6], [0, 0]),
        ([np.nan, np.nan], [0, 0]),
    ],
)
def test_a_finding_is_entered_at_one_strength_and_left_below_another(strengths, states):
    assert hysteresis(np.array([strengths]), 1.0, 0.5)[0].tolist() == [bool(state) for state in states]


def test_each_series_has_its_own_release():
    strengths = np.array([[1.0, 0.6], [1.0, 0.6]])
    assert hysteresis(strengths, 1.0, np.array([0.5, 0.7]))[:, 1].tolist() == [True, False]


def test_a_release_that_is_not_below_the_entry_is_refused():
    with pytest.raises(ValueError, match="release must be below enter"):
        hysteresis(np.zeros((1, 2)), 1.0, 1.0)


@settings(max_examples=100, deadline=None)
@given(
    strengths=st.lists(
        st.one_of(st.just(float("nan")), st.sampled_from([0.0, 0.49, 0.5, 0.75, 1.0, 1.5])),
        min_size=1,
        max_size=20,
    )
)
def test_hysteresis_equals_a_plain_loop(strengths):
    state, expected = False, []
    for strength in strengths:
        if strength >= 1.0:
            state = True
        elif strength < 0.5:
            state = False
        expected.append(state)
    assert hysteresis(np.array([strengths]), 1.0, 0.5)[0].tolist() == expected


# -- findings that stand ---------------------------------------------------------------------------


def stood(
    history: list[float], newest: float, samples: int = 100, worse: str = "up", peers: float | None = None
) -> dict:
    """Strength of a series whose weeks stood at ``history`` and whose level now stands at ``newest``."""
    sign = -1 if worse == "down" else 1
    key = {"unit_id": "V1", "component": "B1S1", "indicator": "up_mean_v"}
    level = key | {
        "healthy": 1.0 * sign,
        "limit": 3.0 * sign,
        "release": 0.5,
        "least_samples": 50,
        "worse": worse,
        "compare": "both",
        "peer_median": 0.9 * sign if peers is None else peers,
    }
    level |= {"strength": newest, "strength_28d": newest}
    first = date(2026, 1, 5)
    weeks = [
        key
        | {
            "data_week": first + timedelta(days=7 * index),
            "value": sign * (1 + 2 * strength),
            "samples": samples,
        }
        for index, strength in enumerate(history)
    ]
    return with_standing(pl.DataFrame([level]), pl.DataFrame(weeks), 1.0).row(0, named=True)


@pytest.mark.parametrize("worse", ["up", "down"])
def test_a_finding_that_was_entered_stands_until_its_release(worse):
    assert stood([0.2, 1.1, 0.8], 0.8, worse=worse)["strength"] == 1.0
    assert stood([0.2, 1.1, 0.8], 0.8, worse=worse)["strength_28d"] == 1.0
    assert stood([1.1, 0.4, 0.8], 0.8, worse=worse)["strength"] == 0.8
    assert stood([0.2, 0.9, 0.8], 0.8, worse=worse)["strength"] == 0.8


def test_a_finding_to_either_side_stands_by_what_lies_beyond_the_peers():
    # Weeks at 1 + 2 x 1.1 = 3.2 enter where the peers are at zero, and do not where they are at 1.0.
    assert stood([1.1, 0.8], 0.8, worse="out", peers=0.0)["strength"] == 1.0
    assert stood([1.1, 0.8], 0.8, worse="out", peers=1.0)["strength"] == 0.8


def test_a_level_below_its_release_does_not_stand():
    assert stood([1.1, 1.1, 0.8], 0.4)["strength"] == 0.4


def test_a_stronger_level_is_left_as_it_is():
    assert stood([1.1, 1.4], 1.4)["strength"] == 1.4


def test_thin_weeks_decide_nothing():
    assert stood([0.2, 1.1, 0.8], 0.8, samples=49)["strength"] == 0.8


@pytest.mark.parametrize(("worse", "expected"), [("down", 0.13), ("up", 0.70), ("out", 0.70)])
def test_a_family_too_small_for_peers_moves_the_yardstick_away_and_never_towards(worse: str, expected: float):
    # Hybrids that never cut fuel leave the downstream sensor within 0.13 V; the others of the kind show it 0.7 V.
    levels = {f"V{index}": 0.13 if index < 5 else 0.70 for index in range(30)}
    still = {f"V{index}": "still" for index in range(5)}
    made = with_kin(fleet(levels, still).with_columns(worse=pl.lit(worse)))
    assert "kin_median" not in made.columns
    assert made.filter(pl.col("engine_family") == "still")["peer_median"].unique().to_list() == [expected]
    assert made.filter(pl.col("engine_family") == "F")["peer_median"].unique().to_list() == [0.70]
    few = {f"V{index}": "still" for index in range(KIN_LEAST - 1)}
    made = with_kin(fleet(levels, few).with_columns(worse=pl.lit(worse)))
    assert made.filter(pl.col("engine_family") == "still")["peer_median"].unique().to_list() == [0.70]


def test_kin_without_any_peers_stay_alone():
    made = with_kin(fleet({f"V{index}": 0.1 for index in range(5)}).with_columns(worse=pl.lit("down")))
    assert made["peer_median"].null_count() == 5
