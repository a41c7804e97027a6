"""Which trips the gateways log: when, how long, how cold, at what odometer reading, and how fast.

Speeds are cut and scaled legislative traces, or stochastic town, country and motorway driving. The traces
are UDDS and US06 (40 CFR part 86, appendix I), HWFET (40 CFR part 600, appendix I) and WLTC class 3b (UN
GTR 15), second by second.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sample_lake.fleet import Unit
from sample_lake.habits import TOWN, Driving
from sample_lake.physics import Physics, Range

TRACES = Path(__file__).with_name("speed_traces.csv")
BETWEEN_TRIPS_DAYS = 300 / 86_400
WEEKDAYS = 6


def load_traces(path: Path = TRACES) -> dict[str, np.ndarray]:
    """Read the speed traces: cycle name -> km/h at 1 Hz."""
    traces: dict[str, list[float]] = {}
    with path.open(newline="", encoding="utf-8") as handle:
        for row in csv.DictReader(handle):
            traces.setdefault(row["cycle"], []).append(float(row["speed_kmh"]))
    return {name: np.array(values) for name, values in traces.items()}


def stochastic_profile(
    seconds: int, style: float, rng: np.random.Generator, bands: tuple[Range, ...] = Driving().bands
) -> np.ndarray:
    """Speed in km/h, shape (seconds,): holds, ramps and stops.

    `style` above 1 drives harder.
    """
    band = bands[int(rng.integers(len(bands)))]
    speed = np.zeros(seconds)
    now, at = 0.0, 0
    while at < seconds:
        stop = now > 0 and rng.random() < (0.45 if band == TOWN else 0.15)
        target = 0.0 if stop else float(rng.uniform(*band)) * min(style, 1.1)
        rate = (
            float(rng.uniform(0.6, 1.3)) * style * 3.6 if target > now else float(rng.uniform(0.5, 1.4)) * 3.6
        )
        # Power is speed times force, so a fast vehicle gathers speed more slowly.
        rate = rate / (1 + max(now, target) / 110) if target > now else rate
        ramp = max(1, int(abs(target - now) / rate))
        hold = int(rng.exponential(12) + 4) if stop else int(rng.exponential(35) + 10)
        piece = np.concatenate([np.linspace(now, target, ramp + 1)[1:], np.full(hold, target)])
        piece = piece[: seconds - at]
        speed[at : at + len(piece)] = piece
        now, at = target, at + len(piece)
    wobble = np.convolve(rng.normal(0, 3.0, seconds + 20), np.ones(21) / 21, mode="valid")[:seconds]
    return np.maximum(0.0, speed + np.where(speed > 8, wobble * 1.5, 0.0))


def trace_profile(
    seconds: int, style: float, traces: dict[str, np.ndarray], rng: np.random.Generator
) -> np.ndarray:
    """Speed in km/h, shape (seconds,): a piece of a trace from a standstill, scaled in speed."""
    name = ("UDDS", "WLTC_3B", "HWFET", "WLTC_3B", "US06")[int(rng.integers(5))]
    trace = traces[name]
    stands = np.flatnonzero((trace[:-1] == 0) & (trace[1:] > 0))
    rolled = np.concatenate([trace[int(rng.choice(stands)) :], trace, trace, trace])[:seconds]
    return rolled * float(rng.uniform(0.85, 1.05)) * (0.97 if style < 1 else 1.0)


def speed_profile(
    seconds: int,
    style: float,
    traces: dict[str, np.ndarray],
    rng: np.random.Generator,
    driving: Driving = Driving(),
) -> np.ndarray:
    """One trip's speed in km/h, shape (seconds,): a short idle, then a trace or a random drive."""
    idle = int(rng.integers(6, 35))
    maker = rng.random()
    body = (
        trace_profile(seconds - idle, style, traces, rng)
        if maker < driving.trace_share
        else stochastic_profile(seconds - idle, style, rng, driving.bands)
    )
    return np.concatenate([np.zeros(idle), body])


@dataclass(frozen=True)
class Trip:
    """One logged trip.

    `day` is days since the start of the simulation, with the time of day as its fraction.
    """

    unit: Unit
    number: int
    day: float
    speed_kmh: np.ndarray
    soak_h: float
    ambient_degc: float
    odometer_km: float

    @property
    def seconds(self) -> int:
        """Length in s."""
        return len(self.speed_kmh)


def _ambient(day: float, day_of_year: int, physics: Physics, rng: np.random.Generator) -> float:
    season = -np.cos(2 * np.pi * (day_of_year + day - 15) / 365.25)
    hour = 3.5 * np.sin(2 * np.pi * (day % 1.0 - 0.38))
    return float(physics.ambient_mean_degc + physics.ambient_swing_k * season + hour + rng.normal(0, 3.0))


def _logged_days(trips: int, days_per_week: int, rng: np.random.Generator) -> np.ndarray:
    """Weekdays (0 Monday) of a week's trips, ascending."""
    chances = [0.19] * (WEEKDAYS - 1) + [0.05]
    if days_per_week >= WEEKDAYS:
        return np.sort(rng.choice(WEEKDAYS, size=trips, replace=trips > WEEKDAYS, p=chances))
    allowed = rng.choice(WEEKDAYS, size=days_per_week, replace=False, p=chances)
    return np.sort(allowed[np.arange(trips) % days_per_week])


def plan_trips(
    fleet: list[Unit],
    weeks: int,
    day_of_year: int,
    log_minutes_per_week: float,
    physics: Physics,
    seed: int,
    driving: Driving = Driving(),
    days_per_week: int = WEEKDAYS,
) -> list[Trip]:
    """Draw the logged trips of all vehicles; the first of a week is always a cold start.

    `days_per_week` (1 to 6) bounds the days of a week on which a vehicle is logged.
    """
    traces = load_traces()
    trips = []
    for unit in fleet:
        rng = np.random.default_rng([seed, 2, unit.index])
        driven, free_from = unit.odometer_km, 0.0
        for week in range(weeks):
            lengths = []
            budget = log_minutes_per_week * 60 * rng.uniform(0.8, 1.2)
            while budget > driving.trip_s[0] or not lengths:
                lengths.append(int(rng.integers(*driving.trip_s)) // 30 * 30)
                budget -= lengths[-1]
            days = _logged_days(len(lengths), days_per_week, rng)
            base = unit.odometer_km + unit.km_per_week * week
            for nth, (weekday, seconds) in enumerate(zip(days, lengths, strict=True)):
                cold = nth == 0 or rng.random() < driving.cold_share
                hour = rng.uniform(5.5, 8.0) if cold else rng.uniform(8.7, 17.5)
                # Two trips of one day do not overlap: each later one takes a later slot.
                same_day = int(np.sum(days[:nth] == weekday))
                day = max(free_from, 7 * week + float(weekday) + (hour + 0.4 * same_day) / 24)
                free_from = day + seconds / 86_400 + BETWEEN_TRIPS_DAYS
                speed = speed_profile(seconds, unit.style, traces, rng, driving)
                driven = max(driven, base + unit.km_per_week * (weekday + hour / 24) / 7)
                soak = rng.uniform(9, 15) if cold else rng.uniform(0.15, 3.0)
                trips.append(
                    Trip(unit, len(trips), day, speed, soak, _ambient(day, day_of_year, physics, rng), driven)
                )
                driven += float(speed.sum()) / 3600
    return trips


def start_degc(trip: Trip, hot_degc: float, hours: float) -> float:
    """Temperature after the soak in degC: exponential cooling with a time constant of `hours`."""
    return trip.ambient_degc + (hot_degc - trip.ambient_degc) * float(np.exp(-trip.soak_h / hours))
