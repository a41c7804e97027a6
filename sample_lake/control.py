"""Lambda control: transport delay, the switching (relay) controller and the continuous one.

The relay's limit cycle obeys T = 4 * tau - 2 * P / a without sensor lag, and with a first-order lag Ts
w * tau + atan(w * Ts) = pi / 2 without a jump (Kiencke & Nielsen, Automotive Control Systems).
"""

from __future__ import annotations

import numpy as np

from sample_lake.exhaust import bounded

AIR_GAS_CONSTANT = 287.0


def transport_delay_s(
    rpm: np.ndarray, flow_gs: np.ndarray, cycles: np.ndarray, volume_l: np.ndarray, gas_degc: np.ndarray
) -> np.ndarray:
    """Delay from injection to the upstream sensor in s: `cycles` engine cycles and the gas travel time."""
    density_gl = 101_325.0 / (AIR_GAS_CONSTANT * (gas_degc + 273.15))
    return cycles * 120.0 / np.maximum(rpm, 500.0) + volume_l * density_gl / np.maximum(flow_gs, 0.5)


class DelayLine:
    """Ring buffer that gives each lane's value of `delay_s` ago (linear between steps)."""

    def __init__(self, lanes: int, step_s: float, longest_s: float, initial: float = 0.0) -> None:
        self.step_s = step_s
        self.size = int(longest_s / step_s) + 3
        self.ring = np.full((self.size, lanes), initial)
        self.at = 0
        self.lanes = np.arange(lanes)

    def push(self, value: np.ndarray, delay_s: np.ndarray) -> np.ndarray:
        """Store `value` (lanes,) and return the value `delay_s` (lanes,) ago."""
        self.at = (self.at + 1) % self.size
        self.ring[self.at] = value
        back = bounded(delay_s / self.step_s, 0, self.size - 2)
        whole = back.astype(np.intp)
        part = back - whole
        newer = self.ring[(self.at - whole) % self.size, self.lanes]
        older = self.ring[(self.at - whole - 1) % self.size, self.lanes]
        return newer + part * (older - newer)


class RelayController:
    """Switching controller: the trim ramps at `slope` towards rich while the sensor says lean, jumps at
    each switch.

    slope: trim per s; jump: total step at a switch; limit: largest trim. All shape (lanes,).
    """

    def __init__(self, slope: np.ndarray, jump: np.ndarray, limit: float) -> None:
        self.slope, self.jump, self.limit = slope, jump, limit
        self.trim = np.zeros_like(slope)
        self.direction = np.ones_like(slope)

    def step(
        self,
        lean: np.ndarray,
        active: np.ndarray,
        hold: np.ndarray,
        step_s: float,
        skew: np.ndarray | float = 0.0,
    ) -> np.ndarray:
        """Advance one step and return the trim.

        `active` False resets the trim, `hold` True freezes it; `skew` > 0 ramps faster to the rich side,
        which shifts the mean mixture.
        """
        direction = np.where(lean, 1.0, -1.0)
        change = direction * self.slope * (1.0 + skew * direction) * step_s
        change += np.where(direction != self.direction, direction * self.jump, 0.0)
        moved = bounded(self.trim + change, -self.limit, self.limit)
        self.trim = np.where(active, np.where(hold, self.trim, moved), 0.0)
        self.direction = np.where(hold, self.direction, direction)
        return self.trim


class ContinuousController:
    """Integral and proportional control of measured lambda towards its target, for wide-range sensors."""

    def __init__(self, integral_per_s: np.ndarray, proportional: float, limit: float) -> None:
        self.integral_per_s, self.proportional, self.limit = integral_per_s, proportional, limit
        self.integral = np.zeros_like(integral_per_s)

    def step(self, error: np.ndarray, active: np.ndarray, hold: np.ndarray, step_s: float) -> np.ndarray:
        """Advance one step with `error`, measured minus target in `d` (lean positive); return the trim."""
        error = bounded(error, -0.15, 0.15)
        moved = bounded(self.integral + self.integral_per_s * error * step_s, -self.limit, self.limit)
        self.integral = np.where(active, np.where(hold, self.integral, moved), 0.0)
        trim = bounded(self.integral + self.proportional * error, -self.limit, self.limit)
        return np.where(active, np.where(hold, self.integral, trim), 0.0)
