"""Oxygen sensors and the three-way catalyst.

Mixture travels through the model as `d = 1 - 1/lambda`: 0 at stoichiometry, positive lean, 1 in free air.

The catalyst is one oxygen store: excess oxygen 0.232 * m_air * (1 - 1/lambda) fills or empties it (in grams);
what it cannot take, and a share that leaks past, reaches the rear sensor. After Brandt, Wang, Grizzle, IEEE
Trans. Control Syst. Technol. 8(5), 2000, simplified: one state, the same rate both ways.
"""

from __future__ import annotations

import numpy as np

from sample_lake.physics import LAMBDA_CEILING, OXYGEN_MASS_FRACTION, PUMP_CURRENT_MA, PUMP_LAMBDA

REDUCED_D, FILLED_D, KNEE_FILL = -0.0045, 0.0125, 0.15
"""Rear `d` of a reduced and of a filled store, and the fill where it starts to rise: the rear sensor reads
0.6 to 0.75 V up to a fill of about 0.4, and 0.1 V when full."""

_D_NODES = 1.0 - 1.0 / np.array(PUMP_LAMBDA)
_MA_NODES = np.array(PUMP_CURRENT_MA)


def bounded(
    values: np.ndarray, low: np.ndarray | float, high: np.ndarray | float
) -> np.ndarray:
    """`values` within low and high: on short arrays three times as quick as `numpy.clip`."""
    return np.minimum(np.maximum(values, low), high)


def lag_share(step_s: float, lag_s: np.ndarray) -> np.ndarray:
    """Share of a first-order lag's distance covered in one step: exact for an input held over the step."""
    return 1.0 - np.exp(-step_s / np.maximum(lag_s, 1e-9))


def switching_volts(d: np.ndarray, rich_v: np.ndarray, lean_v: np.ndarray, width: float) -> np.ndarray:
    """Static voltage of a conventional sensor over `d`: the Nernst curve's steep part as a logistic step."""
    return lean_v + (rich_v - lean_v) / (1.0 + np.exp(bounded(d / width, -30, 30)))


def activity(element_degc: np.ndarray, active_degc: float) -> np.ndarray:
    """0 (cold: only the bias voltage is seen) to 1 (fully active)."""
    return 1.0 / (1.0 + np.exp(bounded((active_degc - element_degc) / 14.0, -30, 30)))


def pump_current_ma(d: np.ndarray) -> np.ndarray:
    """Pump current in mA of the tabled wide-range sensor (see `PUMP_CURRENT_MA`)."""
    return np.interp(d, _D_NODES, _MA_NODES)


def reported_lambda(pump_ma: np.ndarray) -> np.ndarray:
    """Lambda that a control unit computes from a pump current with the new sensor's table, clipped."""
    d = np.interp(pump_ma, _MA_NODES, _D_NODES)
    return np.minimum(1.0 / np.maximum(1.0 - d, 1e-3), LAMBDA_CEILING)


def element_degc(
    gas_degc: np.ndarray,
    supply_v: np.ndarray,
    running: np.ndarray,
    ambient: np.ndarray,
    start_degc: np.ndarray,
    lift_k: np.ndarray,
    time_s: np.ndarray,
    heater: np.ndarray,
) -> np.ndarray:
    """Temperature of a sensing element each second in degC, shape (seconds, lanes).

    The heater lifts it by `lift_k` at 13.5 V above what the exhaust alone gives; power goes with voltage
    squared.
    """
    now = start_degc.copy()
    out = np.empty(gas_degc.shape)
    share = lag_share(1.0, time_s)
    for t in range(len(out)):
        target = (
            ambient
            + 0.58 * (gas_degc[t] - ambient)
            + heater * running[t] * lift_k * (supply_v[t] / 13.5) ** 2
        )
        now = now + (target - now) * share
        out[t] = now
    return out


def behind_store_d(fill: np.ndarray) -> np.ndarray:
    """Equilibrium `d` behind the brick at a fill of 0 to 1 (lanes,)."""
    rise = np.maximum(fill - KNEE_FILL, 0.0) / (1.0 - KNEE_FILL)
    return REDUCED_D + (FILLED_D - REDUCED_D) * rise * np.sqrt(rise)


class OxygenStore:
    """Oxygen store of a catalyst; `capacity_g` (lanes,) may change from step to step."""

    def __init__(self, lanes: int, fill: float = 0.2) -> None:
        self.fill = np.full(lanes, fill)

    def step(
        self, d: np.ndarray, air_gs: np.ndarray, capacity_g: np.ndarray, leak: np.ndarray, step_s: float
    ) -> np.ndarray:
        """Advance one step with `d` ahead of the brick; return `d` behind it, shape (lanes,)."""
        through = d * (1.0 - leak)
        room = np.where(through > 0, 1.0 - self.fill, self.fill)
        taken = 1.0 - (1.0 - room) ** 8
        wanted = OXYGEN_MASS_FRACTION * air_gs * through * taken * step_s / capacity_g
        moved = bounded(self.fill + wanted, 0.0, 1.0)
        offered = OXYGEN_MASS_FRACTION * air_gs * np.abs(through) * step_s / capacity_g
        stored = np.minimum(np.abs(moved - self.fill) / np.maximum(offered, 1e-12), 1.0)
        self.fill = moved
        return d * leak + through * (1.0 - stored) + behind_store_d(moved)


def capacity_now(storage_g: np.ndarray, brick_degc: np.ndarray) -> np.ndarray:
    """Usable storage in g: rises up to 500 to 600 degC (from memory)."""
    return np.maximum(storage_g / (1.0 + np.exp(bounded((380.0 - brick_degc) / 45.0, -30, 30))), 0.01)


def leak_now(
    leak: np.ndarray, light_off_degc: np.ndarray, brick_degc: np.ndarray, air_gs: np.ndarray
) -> np.ndarray:
    """Share of the gas that passes unconverted: grows with flow, and is near 1 below light-off."""
    warm = 1.0 / (1.0 + np.exp(bounded((light_off_degc - brick_degc) / 18.0, -30, 30)))
    flowing = np.minimum(leak * np.sqrt(np.maximum(air_gs, 1.0) / 8.0), 0.95)
    return 1.0 - warm * (1.0 - flowing)
