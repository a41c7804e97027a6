"""Fuelling by operating point: given samples -> trims, secondary trims, purge, air drawn in a cycle."""

from __future__ import annotations

from math import sqrt

import polars as pl
import pytest

from tests.sql.given import PARAMS, at, banks, counts, readings, run, samples, values

STEP = "36_fuelling"
LIMITS = {"cell_readings": 2.0, "purge_shut_pct": 1.0, "purge_open_pct": 10.0, "secondary_band_pct": 5.0,
          "under_load_pct": 45.0}


def made_of(*frames: pl.DataFrame, **params: float) -> pl.DataFrame:
    return run(STEP, params=LIMITS | params, banks=pl.concat(frames))


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_a_single_reading():
    made = made_of(banks([0], stft_pct=3.0, ltft_pct=1.0))
    assert values(made) == {"trim_cruise_pct": 4.0}
    assert counts(made) == {"trim_cruise_pct": 1}


def test_a_leak_adds_at_idle_and_not_at_cruise():
    # A leak of constant flow is a large share of idle air and a small one of cruise air (common practice).
    idle = [True] * 3 + [False] * 3
    frame = banks(
        list(range(6)), idle=idle, cruise=[not each for each in idle],
        stft_pct=[9.0, 10.0, 11.0, 1.0, 2.0, 3.0], ltft_pct=[2.0, 2.0, 2.0, 0.0, 0.0, 0.0],
    )  # fmt: skip
    made = made_of(frame)
    assert values(made, "BANK1") == pytest.approx({"trim_cruise_pct": 2.0, "trim_idle_less_cruise_pct": 10.0})
    assert counts(made) == {"trim_cruise_pct": 3, "trim_idle_less_cruise_pct": 3}


def test_a_weak_pump_adds_under_load_and_not_at_cruise():
    # A weak pump lacks fuel where most is drawn (common practice). Cruise ends at its own load.
    load = [30.0, 30.0, 30.0, 80.0, 80.0, 80.0]
    frame = banks(
        list(range(6)), cruise=[True] * 3 + [False] * 3, load_pct=load, stft_pct=[1.0, 2.0, 3.0, 8.0, 9.0, 10.0],
    )
    made = made_of(frame)
    assert values(made, "BANK1")["trim_load_less_cruise_pct"] == pytest.approx(7.0)
    assert counts(made)["trim_load_less_cruise_pct"] == 3


def test_a_difference_needs_enough_readings_on_both_sides():
    frame = banks([0, 1, 2], idle=[True, False, False], cruise=[False, True, True], stft_pct=4.0)
    assert "trim_idle_less_cruise_pct" not in values(made_of(frame))
    assert values(made_of(frame, cell_readings=1.0))["trim_idle_less_cruise_pct"] == 0


@pytest.mark.parametrize("otherwise", [{"front_ok": False}, {"stft_pct": None}])
def test_trims_that_do_not_count(otherwise):
    assert made_of(banks([0, 1], **({"stft_pct": 3.0} | otherwise))).height == 0


def test_banks_against_each_other():
    both = (banks([0, 1, 2], stft_pct=8.0), banks([0, 1], stft_pct=[1.0, 3.0], bank=2))
    made = made_of(*both)
    assert values(made, "UNIT") == {"bank_trim_difference_pct": 6.0}
    assert counts(made.filter(pl.col("component") == "UNIT")) == {"bank_trim_difference_pct": 2}
    assert "UNIT" not in set(made_of(both[0])["component"])


def test_purge_shifts_the_trims():
    # Between shut and open a valve is neither: those readings are left out.
    purge = [0.0, 1.0, 5.0, 10.0, 60.0]
    frame = banks(list(range(5)), stft_pct=[2.0, 4.0, 50.0, -6.0, -4.0], purge_pct=purge)
    made = made_of(frame)
    assert values(made)["trim_purge_shift_pct"] == pytest.approx(-5.0 - 3.0)
    assert counts(made)["trim_purge_shift_pct"] == 2
    assert "trim_purge_shift_pct" not in values(made_of(banks([0, 1], stft_pct=2.0, purge_pct=[0.0, 0.0])))
    assert "trim_purge_shift_pct" not in values(made_of(banks([0, 1], stft_pct=2.0)))


def test_a_long_trim_that_is_sampled_seldom_counts_whole_in_every_cell():
    frame = banks(list(range(40)), stft_pct=0.0, ltft_pct={place: 20.0 for place in range(0, 40, 4)}, cruise=True)
    assert values(run(STEP, banks=frame))["trim_cruise_pct"] == pytest.approx(20)


def test_secondary_trims_add_up_and_their_share_beyond_the_band_has_an_error():
    frame = banks(list(range(4)), stft2_pct={0: 1.0, 1: -3.0}, ltft2_pct=[5.0, -5.0, 4.0, 6.0])
    made = values(made_of(frame), "BANK1")
    assert made == pytest.approx(
        {
            "secondary_trim_pct": -1.0 + 2.5,
            "secondary_beyond_share": 0.75,
            "secondary_beyond_share_se": sqrt(0.75 * 0.25 / 4),
        }
    )


def test_the_short_secondary_trim_stands_in_for_the_long_one():
    made = made_of(banks([0, 1, 2, 3], stft2_pct={0: 6.0, 1: 0.0}))
    assert values(made)["secondary_trim_pct"] == 3.0
    assert values(made)["secondary_beyond_share"] == 0.5
    assert counts(made)["secondary_beyond_share"] == 2


def test_secondary_trims_soon_after_a_cut_do_not_count():
    assert made_of(banks([0, 1], ltft2_pct=6.0, rear_ok=False)).height == 0


def drawn(**columns: object) -> dict[str, float]:
    given = {"maf_gs": 12.0, "map_kpa": 50.0, "rpm": 2000.0, "intake_air_degc": 26.85}
    return values(run(STEP, params=LIMITS, samples=samples([0, 1], **(given | columns))))


def test_air_drawn_in_a_cycle_is_displacement_times_volumetric_efficiency():
    # Ideal gas, 287 J/(kg K): 12 g/s at 300 K and 50 kPa is 20.664 l/s; two turns at 2000 1/min last 0.06 s.
    assert drawn()["drawn_air_l"] == pytest.approx(12 * 0.287 * 300 / 50 * 0.06, rel=1e-5)
    assert drawn()["drawn_air_l"] == pytest.approx(1.23984, rel=1e-5)
    # It does not depend on load: twice the pressure draws twice the mass.
    assert drawn(map_kpa=100.0, maf_gs=24.0)["drawn_air_l"] == pytest.approx(drawn()["drawn_air_l"])


def residual_kpa(compression: float, exponent: float, exhaust_kpa: float) -> float:
    """Pressure at which an ideal cycle draws nothing: Heywood, Internal Combustion Engine Fundamentals, equation 6.2.

    Efficiency on manifold density is r/(r - 1) - (pe/pi + g - 1) / (g (r - 1)), that is a * (1 - residual / pi).
    """
    lost = 1 / (exponent * (compression - 1))
    full = compression / (compression - 1) - lost * (exponent - 1)
    return lost * exhaust_kpa / full


def test_the_gas_that_stays_behind_is_that_of_the_ideal_cycle():
    assert PARAMS["residual_kpa"] == pytest.approx(residual_kpa(10.0, 1.35, 101.325), abs=0.05)


def test_full_charge_is_the_swept_volume_at_the_density_of_standard_air():
    # ISO 2533 (ICAO standard atmosphere): 1.225 kg/m3 at 101.325 kPa and 15 degC. Two litres at 1800 1/min draw 30 l/s,
    # that is 36.75 g/s where nothing stays behind; with 7.7 of 101.325 kPa staying behind, so much less.
    standard = {"map_kpa": 101.325, "intake_air_degc": 15.0, "rpm": 1800.0}
    frame = samples([0, 1], maf_gs=1.225 * 30, **standard)
    nothing_stays = values(run(STEP, params=LIMITS | {"residual_kpa": 0.0}, samples=frame))
    assert nothing_stays["full_charge_l"] == pytest.approx(2.0, rel=2e-4)
    assert drawn(maf_gs=36.75 * (1 - 7.7 / 101.325), **standard)["full_charge_l"] == pytest.approx(2.0, rel=2e-4)


def test_full_charge_does_not_depend_on_load_speed_or_temperature():
    def air_gs(map_kpa: float, rpm: float, degc: float) -> float:
        return 2.0 * (map_kpa - 7.7) / (0.287 * (degc + 273.15)) * rpm / 120

    for point in ((30.0, 1500.0, 40.0), (60.0, 1700.0, 20.0), (95.0, 2000.0, -10.0)):
        map_kpa, rpm, degc = point
        found = drawn(maf_gs=air_gs(*point), map_kpa=map_kpa, rpm=rpm, intake_air_degc=degc)
        assert found["full_charge_l"] == pytest.approx(2.0, rel=1e-5)
    # A meter that reads 15 % low asks for an engine 15 % smaller.
    low = drawn(maf_gs=0.85 * air_gs(60.0, 1800.0, 20.0), map_kpa=60.0, rpm=1800.0, intake_air_degc=20.0)
    assert low["full_charge_l"] == pytest.approx(1.7, rel=1e-5)


@pytest.mark.parametrize(("rpm", "asked"), [(1499.0, False), (1500.0, True), (2000.0, True), (2001.0, False)])
def test_air_is_compared_at_speeds_that_every_habit_passes(rpm: float, asked: bool):
    assert ("full_charge_l" in drawn(rpm=rpm)) == asked


def test_a_manifold_without_pressure_left_tells_no_charge():
    found = drawn(map_kpa=5.0)
    assert "full_charge_l" not in found
    assert "drawn_air_l" in found


@pytest.mark.parametrize(
    "otherwise",
    [{"map_kpa": None}, {"map_kpa": 0.0}, {"maf_gs": None}, {"rpm": None}]
    + [{"intake_air_degc": None}]
    + [{"steady": False}, {"warm": False}, {"cut": True}, {"enriched": True}, {"rpm": 0.0}],
)
def test_air_is_asked_of_steady_driving_with_every_signal(otherwise):
    assert "drawn_air_l" not in drawn(**otherwise)


def test_purge_of_a_warm_engine():
    made = run(STEP, params=LIMITS, samples=samples([0, 1, 2], purge_pct=[0.0, 30.0, None]))
    assert values(made, "UNIT") == {"purge_pct": 15.0}
    assert counts(made) == {"purge_pct": 2}
    assert run(STEP, params=LIMITS, samples=samples([0, 1], purge_pct=30.0, warm=False)).height == 0


def test_purge_is_carried_and_secondary_trims_are_not():
    frame = readings([0, 5, 20], purge_pct={0: 30.0}, stft2_b1_pct={0: 1.0}, ltft2_b2_pct={5: 2.0})
    days = run("05_unit_days", readings=frame)
    made = run("10_context", params={"purge_pct_staleness_s": 10.0}, readings=frame, unit_days=days)
    assert made["purge_pct"].to_list() == [30.0, 30.0, None]
    assert made["stft2_b1_pct"].to_list() == [1.0, None, None]
    assert made["ltft2_b2_pct"].to_list() == [None, 2.0, None]


def test_each_bank_has_its_own_secondary_trim_and_catalyst_temperature():
    frame = samples(
        [0], stft2_b1_pct=1.0, ltft2_b1_pct=2.0, stft2_b2_pct=3.0, ltft2_b2_pct=4.0, o2_b2s1_v=0.5,
        catalyst_b1s1_degc=500.0, catalyst_b2s1_degc=600.0, purge_pct=7.0, banks=2,
    )  # fmt: skip
    made = run("20_banks", samples=frame).sort("bank")
    assert made.select("ts", "stft2_pct", "ltft2_pct", "catalyst_degc", "purge_pct").rows() == [
        (at(0), 1.0, 2.0, 500.0, 7.0),
        (at(0), 3.0, 4.0, 600.0, 7.0),
    ]
