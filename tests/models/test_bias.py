"""Bias indicators: the smaller of what the trims do and what the downstream sensor says, in per cent of fuel."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.bias import STEP_V, Stands, rear_references, with_bias, with_rear_moved
from models.levels import own_past

WEEK = date(2026, 1, 5)
REFERENCES = pl.DataFrame({"unit_id": ["V1"], "reference_v": [0.70]})
SCALES = {"references": REFERENCES, "rich_pct_per_v": 50.0, "lean_pct_per_v": 20.0}

TARGETS = (0.70, 0.5, 0.8)  # reference, least and most, V


def weeks(trim_pct: float | None, rear_v: float | None, bank: int = 1) -> pl.DataFrame:
    rows = [(f"BANK{bank}", "trim_pct", trim_pct, 400), (f"B{bank}S2", "down_level_v", rear_v, 250)]
    return pl.DataFrame(
        [
            {"unit_id": "V1", "component": component, "data_week": WEEK, "indicator": name, "value": value,
             "samples": samples, "days": 3}
            for component, name, value, samples in rows
            if value is not None
        ]
    )


def bias(*given: object, **more: object) -> dict[str, float]:
    made = with_bias(weeks(*given, **more), **SCALES)
    return {row["indicator"]: row["value"] for row in made.iter_rows(named=True) if "bias" in row["indicator"]}


def test_fuel_added_and_rich_behind_is_a_lean_bias():
    # +8 % of fuel, 0.1 V above the reference answers to 5 %: 5 % is what only a bias explains.
    assert bias(8.0, 0.80)["lean_bias_pct"] == pytest.approx(5.0)
    assert bias(3.0, 0.80)["lean_bias_pct"] == pytest.approx(3.0)


def test_fuel_taken_away_and_lean_behind_is_a_rich_bias():
    assert bias(-8.0, 0.40)["rich_bias_pct"] == pytest.approx(6.0)


@pytest.mark.parametrize(("trim_pct", "rear_v"), [(15.0, 0.70), (15.0, 0.30), (0.0, 0.85), (-15.0, 0.75)])
def test_what_mixture_or_downstream_sensor_alone_explain_is_no_bias(trim_pct: float, rear_v: float):
    # A vacuum leak adds fuel and leaves the downstream sensor where it was; a true lack of fuel makes it lean.
    made = bias(trim_pct, rear_v)
    assert made["lean_bias_pct"] <= 1e-9
    assert made["rich_bias_pct"] <= 1e-9


def test_a_missing_side_says_nothing_and_banks_are_kept_apart():
    assert bias(8.0, None) == {}
    assert bias(None, 0.8) == {}
    both = pl.concat([weeks(8.0, 0.80, bank=2), weeks(0.0, 0.70)])
    made = with_bias(both, **SCALES).filter(pl.col("indicator") == "lean_bias_pct")
    assert dict(made.select("component", "value").iter_rows()) == pytest.approx({"B1S1": 0.0, "B2S1": 5.0})
    assert set(made["samples"]) == {250}


def test_the_input_is_left_as_it_was():
    given = weeks(8.0, 0.8)
    before = given.clone()
    with_bias(given, **SCALES)
    assert given.equals(before)


def family(levels: list[float], name: str | None = "K18") -> tuple[pl.DataFrame, pl.DataFrame]:
    units = [f"V{i}" for i in range(len(levels))]
    rows = pl.DataFrame({"unit_id": units, "component": "B1S2", "data_week": WEEK, "indicator": "down_level_v",
                         "value": levels})
    return rows, pl.DataFrame({"unit_id": units, "engine_family": [name] * len(levels)}, schema_overrides={"engine_family": pl.String})


def test_the_reference_is_where_the_engine_family_holds_its_downstream_sensors():
    # Eight vehicles aim at 0.56 V, one is lean and one rich: the median is that of the family, and no mean is.
    rows, units = family([0.56] * 8 + [0.1, 0.9])
    made = rear_references(rows, units, *TARGETS)
    assert made["reference_v"].to_list() == pytest.approx([0.56] * 10)


@pytest.mark.parametrize(("levels", "name", "expected"), [
    ([0.56] * 8, "K18", 0.70),  # seven others are too few to know the family by
    ([0.56] * 9, None, 0.70),  # no family known
    ([0.56] * 9, "", 0.70),
    ([0.30] * 9, "K18", 0.50),  # no calibration aims there: the whole family is lean, and stays so
    ([0.90] * 9, "K18", 0.80),
])
def test_a_family_moves_the_reference_only_where_it_can_be_known(levels: list[float], name: str | None, expected: float):
    assert set(rear_references(*family(levels, name), *TARGETS)["reference_v"]) == {expected}


def test_a_vehicle_without_levels_takes_the_reference_of_its_family():
    rows, units = family([0.60] * 9)
    more = pl.concat([units, pl.DataFrame({"unit_id": ["W1"], "engine_family": ["K18"]})])
    made = dict(rear_references(rows, more, *TARGETS).iter_rows())
    assert made["W1"] == pytest.approx(0.60)
    assert len(made) == 10


# -- a downstream sensor that lies leaner or richer than it did ------------------------------------------

STANDS = Stands(ceiling=0.12, spread=0.06, fuel_pct=0.7, uneven_pct=1.2)
NO_FITS = pl.DataFrame(schema={"unit_id": pl.String, "component": pl.String, "fitted_on": pl.Date})
PAST = [0.70, 0.71, 0.69, 0.70, 0.72, 0.68]  # median 0.70 V


def rear(
    level: list[float], *, top: float = 0.0, spread: float = 0.0, trim: float = 0.0, idle: float = 0.0, load: float = 0.0,
    unit: str = "V1",
) -> pl.DataFrame:
    """Weekly values of one bank: ceiling 0.85 V, spread 0.08 V, trim +3 %, at idle 1 % more than at cruise and under load 0.5 %
    less, of which the newest two weeks depart by what is given."""
    before = len(level) - 2
    series = {
        ("B1S2", "down_level_v"): level,
        ("B1S2", "down_top_v"): [0.85] * before + [0.85 + top] * 2,
        ("B1S2", "down_spread_v"): [0.08] * before + [0.08 + spread] * 2,
        ("BANK1", "trim_pct"): [3.0] * before + [3.0 + trim] * 2,
        ("BANK1", "trim_idle_less_cruise_pct"): [1.0] * before + [1.0 + idle] * 2,
        ("BANK1", "trim_load_less_cruise_pct"): [-0.5] * before + [-0.5 + load] * 2,
    }
    return pl.DataFrame([
        {"unit_id": unit, "component": component, "data_week": WEEK + timedelta(weeks=k), "indicator": name, "value": value,
         "samples": 200, "days": 3}
        for (component, name), values in series.items() for k, value in enumerate(values)
    ])


def fell(
    rows: pl.DataFrame, unit: str = "V1", name: str = "rear_fell_v", fits: pl.DataFrame = NO_FITS
) -> dict[int, float]:
    """Weeks after the first -> ``rear_fell_v`` of B1S1, or the indicator ``name``."""
    made = with_rear_moved(rows, fits, STANDS).filter((pl.col("indicator") == name) & (pl.col("unit_id") == unit))
    assert set(made["component"]) <= {"B1S1"}
    return {(week - WEEK).days // 7: value for week, value in made.select("data_week", "value").iter_rows()}


def test_a_fall_is_counted_from_the_first_six_weeks():
    assert fell(rear([*PAST, 0.50, 0.50]))[7] == pytest.approx(0.20)
    assert fell(rear([*PAST, 0.75, 0.76]))[7] == pytest.approx(-0.06)


def test_one_week_counts_for_little_more_than_the_week_before():
    # One week of little even driving is no fault: what is true stands in the next.
    assert fell(rear([*PAST, 0.70, 0.40]))[7] == pytest.approx(0.06)
    assert fell(rear([*PAST, 0.60, 0.40]))[7] == pytest.approx(0.16)
    assert fell(rear([*PAST, 0.40, 0.70]))[7] == pytest.approx(0.00)
    assert fell(rear([*PAST, 0.66, 0.65]))[7] == pytest.approx(0.05)


def test_weeks_that_do_not_follow_each_other_prove_nothing():
    rows = rear([*PAST, 0.50, 0.50])
    for gap, expected in ((2, True), (3, False)):  # three weeks from one to the next still follow, four do not
        late = pl.when(pl.col("data_week") == WEEK + timedelta(weeks=7)).then(pl.col("data_week") + timedelta(weeks=gap))
        assert (7 + gap in fell(rows.with_columns(late.otherwise(pl.col("data_week")).alias("data_week")))) == expected


def test_a_past_needs_four_weeks_of_which_the_newest_is_none():
    assert fell(rear([0.70, 0.50, 0.50])) == {}
    assert fell(rear([0.70, 0.72, 0.68, 0.50, 0.50]))[4] == pytest.approx(0.19)  # median of the first four is 0.69 V


@pytest.mark.parametrize("other", [
    {"top": -0.13},  # the sensor has lost its ceiling: it is weak itself
    {"spread": 0.07},  # it swings more than it did: air that comes in at an exhaust leak, or an emptied catalyst
    {"trim": 0.8},  # fuel is added: the mixture is lean, and the upstream sensor says so
])
def test_what_has_another_cause_is_not_told(other: dict[str, float]):
    assert 7 not in fell(rear([*PAST, 0.40, 0.40], **other))
    for small in (dict.fromkeys(other, next(iter(other.values())) / 2), {"trim": -2.0}, {"spread": -0.05}, {"top": 0.05}):
        assert fell(rear([*PAST, 0.40, 0.40], **small))[7] == pytest.approx(0.30)


def test_fuel_that_the_whole_fleet_adds_is_the_season():
    # All trims rise by 1.5 % when winter fuel comes: against the fleet nobody adds any.
    def fleet(trims: list[float]) -> pl.DataFrame:
        return pl.concat([rear(PAST + [0.40 if k == 0 else 0.70] * 2, trim=trim, unit=f"V{k}") for k, trim in enumerate(trims)])

    assert fell(fleet([1.5] * 9), "V0")[7] == pytest.approx(0.30)
    assert 7 not in fell(fleet([1.5] + [0.0] * 8), "V0")
    assert 7 not in fell(fleet([1.5] * 8), "V0")  # seven others are no fleet


def test_a_fall_without_ceiling_spread_or_trims_says_nothing():
    rows = rear([*PAST, 0.40, 0.40])
    for name in ("down_level_v", "down_top_v", "down_spread_v", "trim_pct"):
        assert fell(rows.filter(pl.col("indicator") != name)) == {}


def test_a_fall_rests_on_the_fewest_samples_and_leaves_the_input_as_it_was():
    rows = rear([*PAST, 0.40, 0.40]).with_columns(
        samples=pl.when(pl.col("indicator") == "trim_pct").then(90).otherwise(200),
        days=pl.when(pl.col("indicator") == "down_top_v").then(2).otherwise(3),
    )
    made = with_rear_moved(rows, NO_FITS, STANDS)
    told = made.filter((pl.col("indicator") == "rear_fell_v") & (pl.col("data_week") == WEEK + timedelta(weeks=7)))
    assert told.select("samples", "days").row(0) == (90, 2)
    assert made.filter(~pl.col("indicator").is_in(["rear_fell_v", "rear_rose_v"])).equals(rows)


def rose(**other: float) -> float | None:
    """``rear_rose_v`` of weeks at 0.80 V after six at 0.70 V, None without a value."""
    return fell(rear([*PAST, 0.80, 0.80], **other), name="rear_rose_v").get(7)


def test_richer_gas_and_fuel_added_everywhere_alike_is_a_sensor_that_reads_lean():
    assert rose(trim=2.0) == pytest.approx(0.10)
    assert rose(trim=2.0, idle=1.0, load=-1.0) == pytest.approx(0.10)
    assert fell(rear([*PAST, 0.60, 0.60], trim=2.0), name="rear_rose_v")[7] == pytest.approx(-0.10)


def test_richer_gas_without_fuel_added_is_no_sensor_that_reads_lean():
    assert rose() == 0.0
    assert rose(trim=0.6) == 0.0
    assert rose(trim=-3.0) == 0.0


@pytest.mark.parametrize("other", [
    {"idle": 4.4},  # air that comes in before the sensor or the engine weighs most at idle
    {"idle": -8.8, "load": 2.9},  # a weak fuel pump lacks most under load
    {"load": -1.5},
    {"spread": 0.07},
])
def test_fuel_that_is_added_unevenly_has_another_cause(other: dict[str, float]):
    assert rose(trim=2.0, **other) is None


def test_without_trims_at_idle_nothing_is_said_and_without_load_the_rest_decides():
    rows = rear([*PAST, 0.80, 0.80], trim=2.0)
    for name, expected in (("trim_idle_less_cruise_pct", None), ("trim_load_less_cruise_pct", pytest.approx(0.10))):
        assert fell(rows.filter(pl.col("indicator") != name), name="rear_rose_v").get(7) == expected


def test_one_and_the_same_week_is_never_both():
    for level in (0.40, 0.60, 0.80):
        for trim in (-2.0, 0.0, 2.0):
            rows = rear([*PAST, level, level], trim=trim)
            assert min(fell(rows).get(7, 0.0), fell(rows, name="rear_rose_v").get(7, 0.0)) <= 0.0


@pytest.mark.parametrize(("component", "unit", "expected"), [
    ("CAT1", "V1", 0.10),  # behind the new catalyst it lay at 0.60 V from the first whole week on
    ("B1S1", "V1", 0.10),
    ("B1S2", "V1", 0.10),
    ("CAT2", "V1", 0.20),  # another bank
    ("CAT1", "V2", 0.20),  # another vehicle
])
def test_the_past_begins_anew_when_a_part_of_the_bank_is_fitted(component: str, unit: str, expected: float):
    rows = rear([*PAST, 0.60, 0.60, 0.60, 0.60, 0.50, 0.50])
    fits = pl.DataFrame({"unit_id": [unit], "component": [component], "fitted_on": [WEEK + timedelta(days=37)]})  # in the sixth week
    made = fell(rows, fits=fits)
    assert made[11] == pytest.approx(expected)
    assert (1 in made) == (component == "CAT2" or unit == "V2")


def test_no_weeks_and_weeks_without_a_downstream_sensor_say_nothing():
    rows = rear([*PAST, 0.40, 0.40])
    for given in (rows.head(0), rows.filter(pl.col("indicator") == "trim_pct")):
        assert with_rear_moved(given, NO_FITS, STANDS).equals(given)


@pytest.mark.parametrize("weeks_known", range(3, 10))
def test_the_own_past_is_that_of_every_other_indicator(weeks_known: int):
    level = [0.70, 0.66, 0.73, 0.69, 0.64, 0.71, 0.60, 0.75, 0.68][:weeks_known]
    past = own_past(np.array([level]))[0]
    made = fell(rear(level))
    if np.isnan(past):
        assert made == {}
    else:
        before, newest = (past - value for value in level[-2:])
        assert made[weeks_known - 1] == pytest.approx(min(newest, before + STEP_V))
