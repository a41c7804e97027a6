"""Limit cycle of lambda control against its closed forms, run on the simulator's own controller.

Kiencke & Nielsen, Automotive Control Systems, chapter on lambda control (from memory): an integrating relay
controller with transport delay tau cycles with T = 4 tau, with a jump P at each switch T = 4 tau - 2 P / a
(not below 2 tau), and with a first-order sensor lag Ts w tau + atan(w Ts) = pi / 2. Amplitude of the
trim: a T / 4 without jump.
"""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from scipy.optimize import brentq

from sample_lake.conditions import NAMES, bank_condition
from sample_lake.control import DelayLine, RelayController
from sample_lake.course import Lanes
from sample_lake.engine import Drive
from sample_lake.exhaust import lag_share
from sample_lake.fleet import build_fleet
from sample_lake.loop import run_banks
from sample_lake.physics import Physics

STEP_S = 0.001


def _cycle(tau: float, lag: float, slope: float, jump: float, seconds: float = 40.0) -> tuple[float, float]:
    """Period in s and amplitude of the trim, settled, of the relay around a delay and a lag."""
    relay = RelayController(np.array([slope]), np.array([jump]), limit=0.5)
    line, yes, no = DelayLine(1, STEP_S, 3.0), np.array([True]), np.array([False])
    sensed, trim = np.zeros(1), np.zeros(1)
    share = lag_share(STEP_S, np.array([lag])) if lag else np.ones(1)
    trims = np.empty(int(seconds / STEP_S))
    lean_at = np.empty(len(trims), dtype=bool)
    for i in range(len(trims)):
        mixture = line.push(-trim, np.array([tau]))
        sensed = sensed + (mixture - sensed) * share
        trim = relay.step(sensed > 0, yes, no, STEP_S)
        trims[i], lean_at[i] = trim[0], sensed[0] > 0
    settled = slice(len(trims) // 2, None)
    rises = np.flatnonzero(lean_at[settled][1:] & ~lean_at[settled][:-1]) * STEP_S
    return float(np.diff(rises).mean()), float(np.ptp(trims[settled]) / 2)


def _describing_function_period(tau: float, lag: float) -> float:
    w = brentq(lambda w: w * tau + math.atan(w * lag) - math.pi / 2, 1e-3, 200.0)
    return 2 * math.pi / w


@pytest.mark.parametrize("tau", [0.15, 0.25, 0.6])
def test_pure_integrator_cycles_at_four_delays(tau: float) -> None:
    period, amplitude = _cycle(tau, 0.0, slope=0.05, jump=0.0)
    assert period == pytest.approx(4 * tau, rel=0.02)
    assert amplitude == pytest.approx(0.05 * tau, rel=0.03)


@pytest.mark.parametrize("jump", [0.004, 0.008, 0.0125])
def test_jump_shortens_the_period(jump: float) -> None:
    period, _ = _cycle(0.25, 0.0, slope=0.05, jump=jump)
    assert period == pytest.approx(4 * 0.25 - 2 * jump / 0.05, rel=0.02)


@pytest.mark.parametrize("lag", [0.05, 0.10, 0.20, 0.40])
def test_sensor_lag_lengthens_the_period(lag: float) -> None:
    # The describing function neglects harmonics: it is 1 to 4 % short of a time simulation over this range.
    period, amplitude = _cycle(0.25, lag, slope=0.05, jump=0.0)
    assert period == pytest.approx(_describing_function_period(0.25, lag), rel=0.045)
    assert amplitude == pytest.approx(0.05 * period / 4, rel=0.03)


def test_describing_function_check_value() -> None:
    assert _describing_function_period(0.25, 0.10) == pytest.approx(1.375, rel=0.001)


def _bank_at_constant_flow(rpm: float, maf: float, lag_s: float) -> tuple[np.ndarray, float]:
    """Upstream volts at 10 Hz of a whole simulated bank at constant speed, and the model's delay in s."""
    physics = Physics(mixture_noise=0.0)
    unit = next(
        u
        for u in build_fleet(40, date(2026, 1, 5), physics, np.random.default_rng(5))
        if u.family.code == "K14"
    )
    unit.shared["jump_share"] = 0.0
    cond = bank_condition(unit, 0, 0.0, [], [], False, physics, np.random.default_rng(1))
    cond |= {"gas_lag_s": lag_s, "lag_rise_s": 1e-3, "lag_fall_s": 1e-3, "rear_stuck_v": 0.68}
    seconds = 240

    def flat(value: float) -> np.ndarray:
        return np.full((seconds, 1), value)

    drive = Drive(
        flat(70),
        flat(rpm),
        flat(maf),
        flat(50),
        flat(40),
        flat(20),
        flat(1) > 0,
        flat(0) > 1,
        flat(0) > 1,
        flat(90),
        flat(500),
        flat(14),
    )
    lanes = Lanes(
        False,
        np.array([1.4]),
        np.ones(1),
        {k: np.array([v]) for k, v in unit.shared.items()},
        {k: np.array([cond[k]]) for k in NAMES},
        np.array([10.0]),
        np.array([450.0]),
    )
    volts = run_banks(drive, lanes, physics, np.random.default_rng(2)).fast["front"][1200:, 0]
    gas_density = 101_325 / (287.0 * 773.15)
    delay = unit.shared["delay_cycles"] * 120 / rpm + unit.banks[0]["exhaust_volume_l"] * gas_density / maf
    return volts, delay


@pytest.mark.parametrize(("rpm", "maf", "lag"), [(2000.0, 9.0, 0.05), (2000.0, 9.0, 0.4), (760.0, 2.2, 0.05)])
def test_whole_bank_obeys_the_limit_cycle(rpm: float, maf: float, lag: float) -> None:
    volts, delay = _bank_at_constant_flow(rpm, maf, lag)
    crossings = np.count_nonzero((volts[1:] > 0.45) != (volts[:-1] > 0.45))
    period = 2 * len(volts) / 10 / crossings
    # Twenty steps a second and a sensor characteristic of finite width blur the period by up to a tenth.
    assert period == pytest.approx(_describing_function_period(delay, lag), rel=0.12)


def test_healthy_bank_switches_within_the_band_of_practice() -> None:
    # Common practice: 0.5 to 3 Hz at 2500 1/min, warm.
    volts, _ = _bank_at_constant_flow(2500.0, 12.0, 0.05)
    crossings = np.count_nonzero((volts[1:] > 0.45) != (volts[:-1] > 0.45))
    assert 0.5 < crossings / 2 / (len(volts) / 10) < 3.0
