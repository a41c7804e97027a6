"""The fast loop of one bank: fuelling, exhaust, upstream sensor, controller, catalyst, downstream sensor.

Lanes (one bank of one trip each) are columns; time is stepped in Python and every step is vectorised over
lanes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_lake.control import ContinuousController, DelayLine, RelayController
from sample_lake.course import Lanes, prepare
from sample_lake.engine import Drive
from sample_lake.exhaust import (
    OxygenStore,
    bounded,
    lag_share,
    pump_current_ma,
    reported_lambda,
    switching_volts,
)
from sample_lake.physics import Physics
from sample_lake.structures import GradedController, TwoReservoirs

RECORDS_PER_S = 10
COLD, CLOSED, OPEN_DRIVING, OPEN_FAULT = 1, 2, 4, 8


@dataclass
class Recorded:
    """Signals of each lane: `fast` at 10 Hz, shape (10 * seconds, lanes); `slow` once a second."""

    fast: dict[str, np.ndarray]
    slow: dict[str, np.ndarray]


def run_banks(drive: Drive, lanes: Lanes, physics: Physics, rng: np.random.Generator) -> Recorded:
    """Simulate all lanes over their trips; `drive` arrays have the shape (seconds, lanes)."""
    return _Bank(drive, lanes, physics, rng).run()


class _Bank:
    def __init__(self, drive: Drive, lanes: Lanes, physics: Physics, rng: np.random.Generator) -> None:
        self.drive, self.lanes, self.physics, self.rng = drive, lanes, physics, rng
        self.cond = lanes.condition
        self.seconds, self.count = drive.rpm.shape
        self.steps = round(1 / physics.step_s)
        self.course = prepare(drive, lanes, physics)

    def run(self) -> Recorded:
        """Step through the trip second by second."""
        self._start()
        names = ("lambda", "pump", "target", "stft", "rear") if self.lanes.wide else ("front", "stft", "rear")
        shape = (self.seconds * RECORDS_PER_S, self.count)
        fast = {name: np.empty(shape, dtype=np.float32) for name in names}
        slow = {
            name: np.empty((self.seconds, self.count), dtype=np.float32)
            for name in ("status", "ltft", "command")
        }
        every = self.steps // RECORDS_PER_S
        for t in range(self.seconds):
            self._second(t)
            for k in range(self.steps):
                self._step(t, (t * self.steps + k) * self.physics.step_s)
                if k % every == 0:
                    for name in names:
                        fast[name][t * RECORDS_PER_S + k // every] = getattr(self, f"out_{name}")
            self._learn(t)
            slow["status"][t], slow["ltft"][t], slow["command"][t] = (
                self.status,
                100 * self.long_trim,
                self.command,
            )
        return Recorded(fast, slow)

    def _start(self) -> None:
        count, cond, physics = self.count, self.cond, self.physics
        zeros = np.zeros(count)
        nominal = 1.0 / np.maximum(self.course.delay_s[0], 0.1)
        relay = GradedController if physics.controller == "graded" else RelayController
        self.relay = relay(nominal, nominal, physics.short_trim_limit)
        self.continuous = ContinuousController(nominal, physics.wide_proportional, physics.short_trim_limit)
        self.line = DelayLine(count, physics.step_s, 2.5)
        self.store = TwoReservoirs(count) if physics.store == "two_reservoirs" else OxygenStore(count)
        # A protection tube that clogs holds gas back as a pure delay, where the demo's smears it.
        self.tube = DelayLine(count, physics.step_s, 2.5) if physics.sensor == "dead_time" else None
        self.front_d, self.rear_d, self.noise, self.miss = (zeros.copy() for _ in range(4))
        self.front_v = np.full(count, physics.float_v)
        self.rear_v = np.full(count, physics.float_v)
        self.trim, self.skew, self.skew_integral = zeros.copy(), zeros.copy(), zeros.copy()
        self.trim_sum = zeros.copy()
        self.purge_left = zeros.copy()
        self.was_cut = np.zeros(count, dtype=bool)
        self.trims = [cond["long_trim_idle"].copy(), cond["long_trim_load"].copy()]
        self.jitter = zeros.copy()
        self.out_front, self.out_rear, self.out_stft = self.front_v, self.rear_v, self.trim
        self.out_lambda, self.out_pump, self.out_target = zeros + 1.0, zeros, zeros + 1.0
        step = physics.step_s
        self.share = {
            name: lag_share(step, cond[name])
            for name in ("gas_lag_s", "lag_rise_s", "lag_fall_s", "rear_rise_s", "rear_fall_s")
        }
        self.bad_front = ~np.isnan(cond["stuck_v"])
        self.bad_rear = ~np.isnan(cond["rear_stuck_v"])

    def _second(self, t: int) -> None:
        """What holds for one second: loop status, commanded mixture, controller gains."""
        drive, lanes, physics = self.drive, self.lanes, self.physics
        cut, running = drive.cut[t], drive.running[t]
        ended = self.was_cut & ~cut & running
        self.purge_left = np.where(ended, lanes.shared["purge_air_g"], self.purge_left - drive.maf_gs[t])
        self.purge_left[cut | (self.out_rear > 0.62) & ~ended] = 0.0
        self.was_cut = cut
        purge, enriched = self.purge_left > 0, drive.enriched[t]
        cold = (t < self.course.wait_s) | (self.course.front_active[t] < 0.7)
        fault = (self.cond["open_loop_fault"] > 0) & ~cold
        driving = cut | enriched | (purge & (not lanes.wide)) | ~running
        self.status = np.where(
            ~running,
            0,
            np.where(
                cut,
                OPEN_DRIVING,
                np.where(fault, OPEN_FAULT, np.where(cold, COLD, np.where(driving, OPEN_DRIVING, CLOSED))),
            ),
        )
        self.closed = (self.status == CLOSED) | ((cut | purge) & ~cold & ~fault)
        self.hold = cut | purge | (self.status != CLOSED)
        if lanes.wide:
            self.hold = cut | (self.status != CLOSED)
        command = np.where(enriched, physics.enrichment_lambda, np.where(purge, physics.purge_lambda, 1.0))
        warm_up = 1.0 - 0.06 * bounded((50 - drive.coolant_degc[t]) / 60, 0, 1) * (self.status == COLD)
        self.command = np.where(enriched | purge, command, warm_up)
        self.long_trim = np.where(self.course.idle[t], self.trims[0], self.trims[1])
        usable = self.closed & (self.course.rear_active[t] > 0.8) & (drive.gas_degc[t] > 300)
        miss = np.where(usable, self.physics.rear_target_v - self.out_rear, 0.0)
        self.skew_integral = bounded(self.skew_integral + 0.004 * miss, -0.25, 0.25)
        self.skew = bounded(1.3 * miss + self.skew_integral, -0.6, 0.6)
        # Calibrated to the nominal delay and an allowance for the sensor: a new one swings by 1 to 2 %.
        self.relay.slope = lanes.shared["travel"] / (self.course.delay_s[t] + 0.12)
        self.relay.jump = lanes.shared["jump_share"] * self.relay.slope * self.course.delay_s[t]
        self.continuous.integral_per_s = physics.wide_integral / (self.course.delay_s[t] + 0.15)
        self.misfiring = self.rng.random(self.count) < self.cond["misfire_rate"] * (
            0.35 + 0.65 * self.course.idle[t]
        )

    def _step(self, t: int, now_s: float) -> None:
        physics, cond, step = self.physics, self.cond, self.physics.step_s
        random = self.rng.standard_normal((3, self.count))
        self.noise += (random[0] * physics.mixture_noise * 0.45 - self.noise) * 0.1 + random[0] * 0.0004
        target_lambda = self.command
        if self.lanes.wide:
            dither = self.lanes.shared["dither"] * np.sign(
                np.sin(2 * np.pi * self.lanes.shared["dither_hz"] * now_s)
            )
            target_lambda = self.command + np.where(self.status == CLOSED, dither - 0.02 * self.skew, 0.0)
        trimmed = (1.0 + self.trim) * (1.0 + self.long_trim) / (1.0 + self.course.error[t] + self.noise)
        d_burnt = np.where(self.drive.cut[t] | ~self.drive.running[t], 1.0, 1.0 - trimmed / target_lambda)
        burst = self.misfiring & (self.rng.random(self.count) < 0.12)
        self.miss = np.where(burst, 0.12, self.miss * 0.75)
        d = self.line.push(np.minimum(d_burnt, 1.0), self.course.delay_s[t])
        d = np.minimum(d + np.where(d < 0.9, self.course.false_air[t] + self.miss, 0.0), 1.0)
        reached = d if self.tube is None else self.tube.push(d, cond["dead_s"])
        self.front_d += (reached - self.front_d) * self.share["gas_lag_s"]
        if self.lanes.wide:
            self._wide_sensor(t, target_lambda, random[1])
        else:
            self._switching_sensor(t, random[1])
        behind = self.store.step(
            d, self.course.air_gs[t], self.course.capacity_g[t], self.course.leak[t], step
        )
        rear_share = lag_share(step, 0.04 + 0.35 / np.maximum(self.course.air_gs[t], 1.0))
        self.rear_d += (behind - self.rear_d) * rear_share
        volts = switching_volts(self.rear_d, cond["rear_rich_v"], cond["lean_v"], physics.sigmoid_width * 1.1)
        share = np.where(volts > self.rear_v, self.share["rear_rise_s"], self.share["rear_fall_s"])
        self.rear_v += (volts - self.rear_v) * share
        self.out_rear = self._seen(
            self.rear_v, self.course.rear_active[t], cond["rear_stuck_v"], self.bad_rear, random[2]
        )
        self.out_stft = 100 * np.where(self.closed, self.trim, 0.0)
        self.trim_sum += self.trim

    def _switching_sensor(self, t: int, random: np.ndarray) -> None:
        cond = self.cond
        volts = switching_volts(
            self.front_d + cond["shift_lambda"], cond["rich_v"], cond["lean_v"], self.physics.sigmoid_width
        )
        share = np.where(volts > self.front_v, self.share["lag_rise_s"], self.share["lag_fall_s"])
        self.front_v += (volts - self.front_v) * share
        self.out_front = self._seen(
            self.front_v + cond["shift_v"],
            self.course.front_active[t],
            cond["stuck_v"],
            self.bad_front,
            random,
        )
        lean_v = self.physics.float_v - self.out_front
        self.trim = self.relay.step(
            lean_v if isinstance(self.relay, GradedController) else lean_v > 0,
            self.closed,
            self.hold,
            self.physics.step_s,
            bounded(1.6 * self.skew, -0.9, 0.9),
        )

    def _wide_sensor(self, t: int, target_lambda: np.ndarray, random: np.ndarray) -> None:
        cond = self.cond
        self.jitter = np.where(self.rng.random(self.count) < 0.03, random * 0.25, self.jitter * 0.93)
        pump = pump_current_ma(self.front_d + np.where(self.front_d < 0.9, cond["shift_lambda"], 0.0))
        pump = pump * cond["gain"] + self.jitter * cond["erratic"] + 0.002 * random
        awake = (self.course.front_active[t] > 0.7) & (cond["unity"] == 0)
        self.out_pump = np.where(awake, pump, 0.0)
        self.out_lambda = np.where(awake, np.minimum(reported_lambda(pump), self.physics.lambda_ceiling), 1.0)
        # The target is compared as it was when the gas now at the sensor was burnt; dither is not fed back.
        error = (1.0 - 1.0 / self.out_lambda) - (1.0 - 1.0 / (self.command - 0.02 * self.skew))
        error = np.where(cond["unity"] > 0, 0.0, error)
        self.trim = self.continuous.step(error, self.closed, self.hold, self.physics.step_s)
        self.out_target = target_lambda

    def _learn(self, t: int) -> None:
        mean = self.trim_sum / self.steps
        self.trim_sum[:] = 0.0
        able = (self.status == CLOSED) & ~self.hold & (self.drive.coolant_degc[t] > 55)
        gain = 1.0 / self.physics.long_trim_time_s
        limit = self.physics.long_trim_limit
        for cell, here in ((0, self.course.idle[t]), (1, ~self.course.idle[t])):
            moved = bounded(self.trims[cell] + gain * mean, -limit, limit)
            self.trims[cell] = np.where(able & here, moved, self.trims[cell])

    def _seen(
        self, volts: np.ndarray, active: np.ndarray, stuck: np.ndarray, bad: np.ndarray, random: np.ndarray
    ) -> np.ndarray:
        """Voltage the control unit reads: the bias while the element is cold, a fixed value when stuck."""
        bias = self.physics.float_v
        volts = bias + (volts - bias) * active
        return bounded(np.where(bad, stuck, volts) + self.physics.sensor_noise_v * random, 0.0, 1.275)
