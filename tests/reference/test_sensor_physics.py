"""Sensor figures from outside, against what the simulator's sensors do."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sample_lake.exhaust import pump_current_ma, reported_lambda, switching_volts

GAS_CONSTANT, FARADAY = 8.314463, 96485.33
AIR_BAR = 0.2095


def nernst_mv(oxygen_bar: float, degc: float) -> float:
    """Cell voltage in mV: E = RT/4F ln(p_ref/p), Riegel, Neumann, Wiedenmann, Solid State Ionics 152-153 (2002), 2.1."""
    return 1000 * GAS_CONSTANT * (degc + 273.15) / (4 * FARADAY) * math.log(AIR_BAR / oxygen_bar)


@pytest.mark.parametrize(("oxygen_bar", "expected_mv", "within"), [(0.01, 63.8, 0.2), (1e-20, 932.7, 1.0)])
def test_nernst_cell_at_700_degc(oxygen_bar: float, expected_mv: float, within: float) -> None:
    # Worked from the equation at 700 degC with a 0.2095 bar reference.
    assert nernst_mv(oxygen_bar, 700) == pytest.approx(expected_mv, abs=within)


def test_switching_sensor_stays_between_the_nernst_levels_of_lean_and_rich_gas() -> None:
    # 5 % oxygen lean of stoichiometry, about 1e-20 bar rich of it: the ideal cell at 700 degC frames the warm sensor.
    lean_mv, rich_mv = nernst_mv(0.05, 700), nernst_mv(1e-20, 700)
    departures = 1 - 1 / np.array([1.3, 0.93])
    lean_v, rich_v = switching_volts(departures, np.full(2, 0.87), np.full(2, 0.08), 0.004)
    assert lean_mv / 1000 < lean_v < 0.15
    assert 0.8 < rich_v < rich_mv / 1000


@pytest.mark.parametrize(("current_ma", "expected"), [(0.5, 1.304), (-0.5, 0.8808)])
def test_pump_current_between_the_nodes_of_the_published_table(current_ma: float, expected: float) -> None:
    # Linear in lambda between the nodes of a planar five-wire sensor's published table (+0.329 mA 1.179, +0.671 mA
    # 1.429; -0.652 mA 0.850, -0.405 mA 0.900); the simulator goes straight in oxygen, which bends it by up to 0.02.
    assert float(reported_lambda(np.array([current_ma]))[0]) == pytest.approx(expected, abs=0.02)


def test_pump_current_and_lambda_are_one_table_read_both_ways() -> None:
    lambdas = np.array([0.85, 0.95, 1.05, 1.25])
    assert reported_lambda(pump_current_ma(1 - 1 / lambdas)) == pytest.approx(lambdas, rel=1e-3)
