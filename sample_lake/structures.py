"""Physics of another structure than the demo's: a store of two reservoirs and a graded lambda controller.

A classifier that has learnt one simulator's equations should meet others before it meets a real fleet.
"""

from __future__ import annotations

import numpy as np

from sample_lake.exhaust import behind_store_d, bounded
from sample_lake.physics import OXYGEN_MASS_FRACTION


class TwoReservoirs:
    """Oxygen store of a quick surface and a slow bulk.

    The gas meets the surface alone; the bulk exchanges with it at a limited rate, and gives oxygen back
    slower than it takes it (release slower than storage; from memory of ceria kinetics). Same use as
    `exhaust.OxygenStore`; `fill` is the surface's, 0 to 1.
    """

    SURFACE = 0.6
    SURFACE_GS = 500.0
    TAKE_PER_S, GIVE_PER_S = 0.30, 0.12

    def __init__(self, lanes: int, fill: float = 0.2) -> None:
        self.fill = np.full(lanes, fill)
        self.bulk = np.full(lanes, fill)

    def step(
        self, d: np.ndarray, air_gs: np.ndarray, capacity_g: np.ndarray, leak: np.ndarray, step_s: float
    ) -> np.ndarray:
        """Advance one step with `d` ahead of the brick; return `d` behind it, shape (lanes,)."""
        through = d * (1.0 - leak)
        room = np.where(through > 0, 1.0 - self.fill, self.fill)
        # Rate-limited: the share taken falls as flow outruns the surface.
        taken = (1.0 - (1.0 - room) ** 6) / (1.0 + air_gs / self.SURFACE_GS)
        offered = OXYGEN_MASS_FRACTION * air_gs * through * step_s / (self.SURFACE * capacity_g)
        moved = bounded(self.fill + offered * taken, 0.0, 1.0)
        stored = np.minimum(np.abs(moved - self.fill) / np.maximum(np.abs(offered), 1e-12), 1.0)
        gap = moved - self.bulk
        flow = gap * np.where(gap > 0, self.TAKE_PER_S, self.GIVE_PER_S) * step_s
        self.bulk = self.bulk + flow
        self.fill = bounded(moved - flow * (1.0 - self.SURFACE) / self.SURFACE, 0.0, 1.0)
        return d * leak + through * (1.0 - stored) + behind_store_d(self.fill)


class GradedController:
    """Proportional-integral control on the sensor's voltage, with a jump back towards the cycle's middle.

    Unlike `control.RelayController` its action is graded by how far the voltage is from the switch point, and
    at each switch the integral goes back a share of its way to the mean of the last cycles. slope: trim per
    s at full error; jump: trim at full error. Shapes (lanes,).
    """

    FULL_ERROR_V = 0.25
    BACK_SHARE = 0.5
    MEAN_TIME_S = 6.0

    def __init__(self, slope: np.ndarray, jump: np.ndarray, limit: float) -> None:
        self.slope, self.jump, self.limit = slope, jump, limit
        self.integral = np.zeros_like(slope)
        self.middle = np.zeros_like(slope)
        self.direction = np.ones_like(slope)

    def step(
        self,
        lean_v: np.ndarray,
        active: np.ndarray,
        hold: np.ndarray,
        step_s: float,
        skew: np.ndarray | float = 0.0,
    ) -> np.ndarray:
        """Advance one step and return the trim; `lean_v` is switch point minus sensor voltage in V.

        `active`, `hold` and `skew` as in `control.RelayController.step`.
        """
        error = bounded(lean_v / self.FULL_ERROR_V, -1.0, 1.0)
        direction = np.where(lean_v > 0, 1.0, -1.0)
        back = np.where(direction != self.direction, self.BACK_SHARE * (self.middle - self.integral), 0.0)
        change = error * self.slope * (1.0 + skew * direction) * step_s + back
        moved = bounded(self.integral + change, -self.limit, self.limit)
        self.integral = np.where(active, np.where(hold, self.integral, moved), 0.0)
        self.middle += (self.integral - self.middle) * step_s / self.MEAN_TIME_S
        self.direction = np.where(hold, self.direction, direction)
        trim = bounded(self.integral + np.where(hold, 0.0, 0.5 * self.jump * error), -self.limit, self.limit)
        return np.where(active, trim, 0.0)
