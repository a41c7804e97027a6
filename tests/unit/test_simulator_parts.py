"""The simulator's sensor, catalyst, engine and gateway models against hand-worked values."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from sample_lake.control import ContinuousController, DelayLine, RelayController, transport_delay_s
from sample_lake.diagnostics import CodeMemory
from sample_lake.engine import Trips, simulate_drive
from sample_lake.exhaust import (
    OxygenStore,
    activity,
    capacity_now,
    leak_now,
    pump_current_ma,
    reported_lambda,
    switching_volts,
)
from sample_lake.fleet import Gateway, build_fleet
from sample_lake.gateway import Signal, log_trip, quantised
from sample_lake.physics import LAMBDA_CEILING, Physics
from sample_lake.schedule import load_traces, speed_profile, trace_profile


@pytest.mark.parametrize(("lam", "ma"), [(0.85, -0.652), (1.1, 0.193), (1.701, 0.938)])
def test_pump_current_follows_the_table(lam: float, ma: float) -> None:
    # Supplier table of a common planar five-wire wide-range sensor.
    assert pump_current_ma(np.array([1 - 1 / lam]))[0] == pytest.approx(ma, abs=1e-9)


def test_free_air_gives_the_anchor_current_and_the_lambda_ceiling() -> None:
    current = pump_current_ma(np.array([1.0]))
    assert current[0] == pytest.approx(2.54, abs=1e-6)
    assert reported_lambda(current)[0] == LAMBDA_CEILING


def test_reported_lambda_inverts_a_new_sensor() -> None:
    lam = np.array([0.8, 0.95, 1.0, 1.02, 1.3])
    assert reported_lambda(pump_current_ma(1 - 1 / lam)) == pytest.approx(lam, abs=1e-9)


def test_switching_sensor_has_its_plateaus_and_is_midway_at_stoichiometry() -> None:
    volts = switching_volts(np.array([-0.05, 0.0, 0.05]), 0.86, 0.10, 0.0019)
    assert volts == pytest.approx([0.86, 0.48, 0.10], abs=1e-3)


def test_a_cold_element_is_inactive_and_a_hot_one_active() -> None:
    assert activity(np.array([20.0, 700.0]), 340.0) == pytest.approx([0.0, 1.0], abs=1e-6)


def test_store_fills_by_the_oxygen_balance() -> None:
    # 0.232 * 10 g/s * (1 - 1/1.03) * 2 s = 0.1351 g into 1.0 g.
    store, d = OxygenStore(1, fill=0.2), np.array([1 - 1 / 1.03])
    for _ in range(40):
        store.step(d, np.array([10.0]), np.array([1.0]), np.array([0.0]), 0.05)
    assert store.fill[0] - 0.2 == pytest.approx(0.232 * 10 * (1 - 1 / 1.03) * 2, rel=0.04)


def _purge_s(capacity: float) -> float:
    """Seconds from a full store to rear gas on the rich side at 5 g/s and lambda 0.97."""
    store, d = OxygenStore(1, fill=1.0), np.array([1 - 1 / 0.97])
    for step in range(2000):
        if store.step(d, np.array([5.0]), np.array([capacity]), np.array([0.0]), 0.05)[0] < 0:
            return step * 0.05
    raise AssertionError("the store never emptied")


def test_purge_time_is_in_proportion_to_storage() -> None:
    # The balance: capacity * share / (0.232 * 5 * (1/0.97 - 1)); the rear turns rich at about half fill.
    assert _purge_s(1.0) / _purge_s(0.25) == pytest.approx(4.0, rel=0.05)
    assert 0.3 < _purge_s(1.0) * 0.232 * 5 * (1 / 0.97 - 1) < 0.7


def test_full_store_lets_lean_gas_through_and_a_half_full_one_holds_it() -> None:
    lean, air, size, tight = np.array([0.02]), np.array([10.0]), np.array([1.0]), np.array([0.0])
    assert OxygenStore(1, 1.0).step(lean, air, size, tight, 0.05)[0] > 0.02
    assert OxygenStore(1, 0.3).step(lean, air, size, tight, 0.05)[0] < 0.0


def test_storage_and_light_off_need_heat() -> None:
    hot, cold = np.array([600.0]), np.array([100.0])
    assert capacity_now(np.array([1.0]), hot)[0] > 0.98
    assert capacity_now(np.array([1.0]), cold)[0] < 0.02
    assert leak_now(np.array([0.02]), np.array([280.0]), cold, np.array([8.0]))[0] > 0.99
    assert leak_now(np.array([0.02]), np.array([280.0]), hot, np.array([8.0]))[0] == pytest.approx(
        0.02, abs=0.001
    )


def test_transport_delay_lies_in_the_usual_ranges() -> None:
    # From memory: 0.1 to 0.25 s cruising at 2500 1/min, 0.4 to 1 s at idle.
    cruise, idle = transport_delay_s(
        np.array([2500.0, 750.0]),
        np.array([14.0, 2.5]),
        np.array([1.25, 1.25]),
        np.array([1.4, 1.4]),
        np.array([550.0, 400.0]),
    )
    assert 0.1 < cruise < 0.25
    assert 0.4 < idle < 1.0


def test_delay_line_gives_back_the_past_between_steps() -> None:
    line = DelayLine(1, 0.05, 1.0)
    out = [line.push(np.array([float(i)]), np.array([0.125]))[0] for i in range(20)]
    assert out[10] == pytest.approx(10 - 2.5)


def test_relay_holds_and_resets_when_told() -> None:
    relay = RelayController(np.array([0.1]), np.array([0.0]), 0.2)
    lean, yes, no = np.array([True]), np.array([True]), np.array([False])
    relay.step(lean, yes, no, 0.5)
    assert relay.step(lean, yes, np.array([True]), 0.5)[0] == pytest.approx(0.05)
    assert relay.step(lean, no, no, 0.5)[0] == 0.0


def test_continuous_controller_removes_a_constant_error() -> None:
    controller, yes, no = (
        ContinuousController(np.array([1.0]), 0.25, 0.3),
        np.array([True]),
        np.array([False]),
    )
    trim = np.zeros(1)
    for _ in range(2000):
        trim = controller.step(0.06 - trim, yes, no, 0.05)
    assert trim[0] == pytest.approx(0.06, abs=1e-4)


def _constant_drive(speed_kmh: np.ndarray, coolant: float, thermostat: float = 90.0):
    one = np.ones(1)
    trips = Trips(
        1.6 * one,
        1600 * one,
        one,
        one < 0,
        one < 0,
        8 * one,
        coolant * one,
        150 * one,
        thermostat * one,
        14 * one,
    )
    return simulate_drive(speed_kmh[:, None], trips, Physics())


def test_engine_warms_up_idles_and_cuts_fuel() -> None:
    speed = np.concatenate(
        [np.zeros(60), np.linspace(0, 80, 30), np.full(700, 80.0), np.linspace(80, 0, 25), np.zeros(40)]
    )
    drive = _constant_drive(speed, coolant=8.0)
    assert 1.5 < drive.maf_gs[50, 0] < 4.0
    assert 700 < drive.rpm[-5, 0] < 800
    assert 85 < drive.coolant_degc[780, 0] < 93
    assert drive.cut[792:812, 0].sum() >= 8
    assert not drive.cut[100:780].any()


def test_open_thermostat_keeps_the_engine_cold() -> None:
    drive = _constant_drive(np.full(900, 70.0), coolant=60.0, thermostat=66.0)
    assert 60 < drive.coolant_degc[-1, 0] < 75


def test_speed_traces_have_their_published_length() -> None:
    # 40 CFR 86 app. I (UDDS), 40 CFR 600 app. I (HWFET), UN GTR 15 (WLTC class 3b).
    traces = load_traces()
    assert traces["UDDS"].sum() / 3600 == pytest.approx(11.99, abs=0.02)
    assert traces["UDDS"].max() == pytest.approx(91.3, abs=0.1)
    assert traces["HWFET"].sum() / 3600 == pytest.approx(16.51, abs=0.02)
    assert traces["WLTC_3B"].sum() / 3600 == pytest.approx(23.27, abs=0.02)


def test_profiles_start_at_rest_and_have_the_length_asked_for() -> None:
    rng, traces = np.random.default_rng(3), load_traces()
    for _ in range(20):
        profile = speed_profile(500, 1.1, traces, rng)
        assert len(profile) == 500 and profile[0] == 0 and profile.min() >= 0 and profile.max() < 150
    assert len(trace_profile(900, 1.0, traces, rng)) == 900


@pytest.mark.parametrize(
    ("kind", "value", "carried"),
    [("o2", 0.4521, 0.45), ("stft", 1.0, 0.78125), ("pump", 0.5, 0.5), ("coolant_degc", 89.6, 90.0)],
)
def test_values_are_rounded_to_the_bus(kind: str, value: float, carried: float) -> None:
    assert quantised(kind, np.array([value]))[0] == pytest.approx(carried, abs=1e-6)


def _unit_with(gateway: Gateway):
    unit = build_fleet(12, date(2026, 1, 5), Physics(), np.random.default_rng(1))[0]
    unit.gateway = gateway
    return unit


def test_gateway_polls_at_its_rate_and_slow_signals_seldom() -> None:
    signals = [
        Signal("rpm", "rpm", np.full(600, 2000.0), 1),
        Signal("coolant_degc", "coolant_degc", np.full(600, 90.0), 1, slow=True),
    ]
    moments, columns = log_trip(
        _unit_with(Gateway(2.0, 10.0, False, 7)), signals, 600, np.random.default_rng(1)
    )
    assert np.diff(moments) == pytest.approx(2.0, abs=0.07)
    assert np.isfinite(columns["rpm"]).all()
    assert np.isfinite(columns["coolant_degc"]).mean() == pytest.approx(0.2, abs=0.01)


def test_a_holding_gateway_repeats_words() -> None:
    signal = Signal("o2_b1s1_v", "o2", np.random.default_rng(2).uniform(0.1, 0.9, 9000), 10)
    _, columns = log_trip(
        _unit_with(Gateway(1.0, 10.0, False, 7, "holds")), [signal], 900, np.random.default_rng(4)
    )
    repeats = np.flatnonzero(np.diff(columns["o2_b1s1_v"]) != 0)
    assert np.diff(repeats).max() > 50


def test_two_trip_logic() -> None:
    # 13 CCR 1968.2(d)(2): first failure pending, failure on a later trip confirmed.
    memory = CodeMemory()
    memory.drive(3, {"P0420"}, 0.5)
    assert [state for _, _, state in memory.rows] == ["pending"]
    memory.drive(4, {"P0420"}, 0.5)
    assert [state for _, _, state in memory.rows] == ["pending", "confirmed", "permanent"]
    memory.clear(5.0)
    assert not memory.confirmed and memory.rows[-1] == (5.0, "", "cleared")
