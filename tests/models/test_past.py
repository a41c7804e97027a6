"""Own past: weekly values once more under the name of their twin, and one voice for both."""

from __future__ import annotations

import polars as pl

from models.past import louder_twin, with_own_past

INDICATORS = pl.DataFrame({"indicator": ["up_swing_v", "up_swing_v_own", "trim_pct", "lost_own"]})


def test_what_is_declared_is_told_twice():
    weeks = pl.DataFrame({"indicator": ["up_swing_v", "trim_pct"], "value": [0.7, 2.0]})
    made = with_own_past(weeks, INDICATORS)
    assert made.rows() == [("up_swing_v", 0.7), ("trim_pct", 2.0), ("up_swing_v_own", 0.7)]
    assert with_own_past(weeks.clear(), INDICATORS).is_empty()


def level(indicator: str, strength: float | None, later: float | None = None, unit: str = "V1") -> dict:
    return {"unit_id": unit, "component": "B1S1", "indicator": indicator, "strength": strength,
            "strength_28d": strength if later is None else later}  # fmt: skip


def test_of_twins_the_one_closer_to_its_limit_speaks():
    for own, plain, speaks in ((0.8, 0.1, "up_swing_v_own"), (0.1, 0.8, "up_swing_v"), (None, 0.0, "up_swing_v")):
        rows = [level("up_swing_v", plain), level("up_swing_v_own", own), level("trim_pct", 0.0)]
        made = louder_twin(pl.DataFrame(rows, infer_schema_length=None))
        assert made["indicator"].to_list() == [name for name in ("up_swing_v", "up_swing_v_own", "trim_pct") if name in (speaks, "trim_pct")]
    soon = [level("up_swing_v", 0.5, 0.5), level("up_swing_v_own", 0.4, 0.9)]
    assert louder_twin(pl.DataFrame(soon))["indicator"].item() == "up_swing_v_own"  # by how it will stand in 28 days


def test_twins_of_another_vehicle_are_others():
    rows = [level("up_swing_v", 0.2), level("up_swing_v_own", 0.9, unit="V2")]
    assert louder_twin(pl.DataFrame(rows)).height == 2


def test_one_slow_fall_speaks_once_however_it_is_timed():
    rows = [level("down_fall_s", 0.9, 1.1), level("down_fall_dwell_s_own", 1.4, 1.0), level("down_top_v", 0.2)]
    assert louder_twin(pl.DataFrame(rows))["indicator"].to_list() == ["down_fall_s", "down_top_v"]
    rows[1] = level("down_fall_dwell_s_own", 1.4)
    assert louder_twin(pl.DataFrame(rows))["indicator"].to_list() == ["down_fall_dwell_s_own", "down_top_v"]
    rows[0] = level("down_fall_s", None)  # single falls that no gateway times
    assert louder_twin(pl.DataFrame(rows, infer_schema_length=None))["indicator"].to_list() == ["down_fall_dwell_s_own", "down_top_v"]
