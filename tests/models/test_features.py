"""Features: distances by hand, the same for another scale, and nothing that came after the week."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.features import KEYS, feature_names, features, indicator_of

WEEK = date(2026, 3, 2)
INDICATORS = pl.DataFrame({
    "indicator": ["recovery_s", "rear_activity_v", "wide_offset", "trim_pct", "sample_step_s"],
    "worse": ["down", "up", "out", "out", "up"],
    "use": ["judge", "judge", "judge", "context", "context"],
})
_NUMBERS = ("level", "baseline", "peer_median", "peer_spread", "slope_per_week", "slope_low", "slope_high", "healthy",
            "limit", "own_spread", "own_shift", "recent_slope", "drift_up", "drift_down")


def trend(unit: str, component: str, indicator: str, week: date = WEEK, **values: float) -> dict:
    return {"week_start": week, "unit_id": unit, "component": component, "indicator": indicator} | {
        name: values.get(name) for name in _NUMBERS
    }


def trends(*rows: dict) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema_overrides=dict.fromkeys(_NUMBERS, pl.Float64))


def evidence(*rows: tuple[str, str], week: date = WEEK, **values: object) -> pl.DataFrame:
    given = {"depot": "North", "kind": "narrowband", "status": "judged", "held_by": "", "code_confirmed": None,
             "code_age_days": None, "margin": None, "margin_drop": None, "margin_gone": None, "margin_gone_28d": None,
             "fitted_on": None, "limits_probability": 0.1} | values
    parts = {"CAT": "catalyst", "S1": "upstream", "S2": "downstream"}
    return pl.DataFrame(
        [{"week_start": week, "unit_id": u, "component": c,
          "part": next(p for k, p in parts.items() if k in c), **given} for u, c in rows],
        schema_overrides={"code_confirmed": pl.Boolean, "code_age_days": pl.Float64, "margin": pl.Float64,
                          "margin_drop": pl.Float64, "margin_gone": pl.Float64, "margin_gone_28d": pl.Float64,
                          "fitted_on": pl.Date, "limits_probability": pl.Float64},
    )


def one(frame: pl.DataFrame, unit: str = "V1", component: str = "CAT1") -> dict:
    return frame.filter((pl.col("unit_id") == unit) & (pl.col("component") == component)).row(0, named=True)


FALLING = {"level": 5.0, "baseline": 7.0, "peer_median": 8.0, "peer_spread": 1.5, "slope_per_week": -0.3,
           "slope_low": -0.45, "slope_high": -0.15, "healthy": 8.0, "limit": 2.5, "own_spread": 0.5, "own_shift": -2.0,
           "recent_slope": -0.4, "drift_up": 0.0, "drift_down": 9.0}


def test_distances_of_an_indicator_that_falls_by_hand():
    made = one(features(trends(trend("V1", "CAT1", "recovery_s", **FALLING)), evidence(("V1", "CAT1")), INDICATORS))
    expected = {
        "gone": 3.0 / 5.5, "own": 2.0 / 5.5, "peer_z": 2.0, "drift": 9.0, "pace": 0.4 * 4 / 5.5,
        "trend_z": 0.3 / 0.1,  # a third of the interval of 0.3
        "own_z": 0.0, "shift_z": 0.0,  # less the median of its peers in that week, which is itself
    }
    for name, value in expected.items():
        assert made[f"{name}.recovery_s"] == pytest.approx(value, rel=1e-6), name
    assert made["limits"] == pytest.approx(np.log(0.1 / 0.9), rel=1e-6)


def test_what_moves_every_vehicle_in_a_week_is_no_sign():
    """Season and fuel move all: the own change is counted less the median change of the week."""
    rows = [trend(f"V{k}", "CAT1", "recovery_s", **FALLING) for k in range(5)]
    rows[0] |= {"level": 3.0, "own_shift": -4.0}
    made = features(trends(*rows), evidence(*[(f"V{k}", "CAT1") for k in range(5)]), INDICATORS)
    assert one(made, "V1")["own_z.recovery_s"] == 0.0
    assert one(made, "V0")["own_z.recovery_s"] == pytest.approx(2.0 / 0.5)
    assert one(made, "V0")["shift_z.recovery_s"] == pytest.approx(2.0 / 0.5)


def test_another_scale_of_an_indicator_gives_the_same_features():
    """Another engine or gateway: everything a factor larger, and so are its peers, its past and its limit."""
    scaled = {name: value * (7.0 if "drift" not in name else 1.0) for name, value in FALLING.items()}
    given = evidence(("V1", "CAT1"))
    plain = features(trends(trend("V1", "CAT1", "recovery_s", **FALLING)), given, INDICATORS)
    other = features(trends(trend("V1", "CAT1", "recovery_s", **scaled)), given, INDICATORS)
    assert_frame_equal(plain, other, rel_tol=1e-5)


def test_an_indicator_that_may_leave_both_ways_counts_its_distance():
    high = {**FALLING, "level": 0.02, "baseline": 0.0, "healthy": 0.004, "limit": 0.03, "peer_median": 0.0,
            "peer_spread": 0.002, "own_spread": 0.002, "drift_up": 8.0, "drift_down": 0.0}
    low = {**high, "level": -0.02, "drift_up": 0.0, "drift_down": 8.0}
    for values in (high, low):
        made = one(features(trends(trend("V1", "B1S1", "wide_offset", **values)),
                            evidence(("V1", "B1S1"), kind="wide_range"), INDICATORS), component="B1S1")
        assert made["gone.wide_offset"] == pytest.approx(0.016 / 0.026, rel=1e-5)
        assert made["own.wide_offset"] == pytest.approx(0.02 / 0.026, rel=1e-5)
        assert made["peer_z.wide_offset"] == pytest.approx(10.0, rel=1e-5)
        assert made["drift.wide_offset"] == pytest.approx(8.0)


def test_top_and_second_of_a_measure():
    rows = [trend("V1", "CAT1", "recovery_s", **FALLING),
            trend("V1", "CAT1", "rear_activity_v", **{**FALLING, "level": 0.17, "healthy": 0.03, "limit": 0.2})]
    made = one(features(trends(*rows), evidence(("V1", "CAT1")), INDICATORS))
    assert made["top.gone"] == pytest.approx(0.14 / 0.17, rel=1e-5)
    assert made["second.gone"] == pytest.approx(3.0 / 5.5, rel=1e-5)


def test_missing_stays_missing():
    made = one(features(trends(trend("V1", "CAT1", "recovery_s", level=5.0, healthy=8.0, limit=2.5)),
                        evidence(("V1", "CAT1"), limits_probability=None), INDICATORS))
    assert made["gone.recovery_s"] is not None
    for name in ("own.recovery_s", "peer_z.recovery_s", "drift.recovery_s", "code_age_days", "margin", "limits"):
        assert made[name] is None, name


def test_a_component_without_any_indicator_keeps_its_row():
    given = evidence(("V1", "CAT1"), ("V2", "CAT1"))
    made = features(trends(trend("V1", "CAT1", "recovery_s", **FALLING)), given, INDICATORS)
    assert made.height == 2 and one(made, "V2")["gone.recovery_s"] is None


def test_neighbours_look_along_the_bank_only():
    rows = [trend("V1", "B1S1", "recovery_s", **FALLING), trend("V1", "B2S1", "recovery_s", **{**FALLING, "level": 2.5})]
    given = evidence(("V1", "B1S1"), ("V1", "B2S1"), ("V1", "CAT1"), ("V1", "CAT2"))
    made = features(trends(*rows), given, INDICATORS)
    assert one(made, component="CAT1")["front_gone"] == pytest.approx(3.0 / 5.5, rel=1e-5)
    assert one(made, component="CAT2")["front_gone"] == pytest.approx(1.0, rel=1e-5)
    assert one(made, component="B1S1")["front_gone"] is None


def test_a_week_rests_on_nothing_of_another_week():
    """Later weeks, earlier weeks, shuffled or left out: a week's features are the same to the last bit."""
    rng = np.random.default_rng(3)
    weeks = [WEEK + timedelta(weeks=k) for k in range(4)]
    rows, given = [], []
    for week in weeks:
        rows += [trend(f"V{u}", "CAT1", "recovery_s", week, **{n: v + float(rng.normal(0, 0.2)) for n, v in FALLING.items()})
                 for u in range(6)]
        given.append(evidence(*[(f"V{u}", "CAT1") for u in range(6)], week=week))
    everything, known = trends(*rows), pl.concat(given)
    future = pl.col("week_start") > weeks[1]
    spoilt = pl.concat([
        everything.filter(~future),
        everything.filter(future).with_columns(pl.col(n).shuffle(seed=1) * -3 for n in _NUMBERS),
    ])
    made = features(everything, known, INDICATORS).filter(~future).sort(KEYS)
    assert_frame_equal(made, features(spoilt, known, INDICATORS).filter(~future).sort(KEYS))
    alone = [features(everything.filter(pl.col("week_start") == w), g, INDICATORS) for w, g in zip(weeks[:2], given[:2], strict=True)]
    assert_frame_equal(made, pl.concat(alone).sort(KEYS), check_column_order=False)


def test_no_absolute_level_is_a_feature():
    """Volts, seconds and per cents behind another engine or gateway mean something else: they are kept out."""
    rows = [trend("V1", "CAT1", "recovery_s", **FALLING), trend("V1", "BANK1", "trim_pct", level=-9.0),
            trend("V1", "CAT1", "sample_step_s", level=1.0)]
    made = features(trends(*rows), evidence(("V1", "CAT1")), INDICATORS)
    assert not [n for n in feature_names(made) if n.startswith("level") or n == "sample_step_s" or "trim" in n]
    assert one(made)["sample_step_s"] == 1.0  # beside them, for slices of the model card


def test_the_indicator_of_a_feature():
    assert indicator_of("own_z.recovery_s") == "recovery_s"
    assert [indicator_of(n) for n in ("top.gone", "code", "limits", "front_gone")] == [""] * 4


def test_what_holds_a_part_back_is_a_feature_without_direction():
    given = pl.concat([evidence(("V1", "CAT1")), evidence(("V2", "CAT1"), held_by="misfire")])
    made = features(trends(trend("V1", "CAT1", "recovery_s", **FALLING)), given, INDICATORS)
    assert (one(made, "V1")["held"], one(made, "V2")["held"]) == (0.0, 1.0)
