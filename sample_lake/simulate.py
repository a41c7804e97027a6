"""Simulate an invented fleet and write what its systems would export, with the truth beside it."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np

from sample_lake.conditions import bank_condition
from sample_lake.diagnostics import BoardTest, board_tests
from sample_lake.faults import Confounder, Fault, plan_faults
from sample_lake.fleet import Unit, build_fleet
from sample_lake.hazards import plan_hazards
from sample_lake.physics import Physics
from sample_lake.population import populate
from sample_lake.record import Plan, blocks, chunks, run_chunk
from sample_lake.schedule import WEEKDAYS, Trip, plan_trips
from sample_lake.workshop import live
from sample_lake.worlds import DEMO, World
from sample_lake.write import (
    day_text,
    trip_frame,
    write_board_tests,
    write_codes,
    write_csv,
    write_orders,
    write_readings,
    write_register,
)

LOG_MINUTES_PER_WEEK = 26.0

Scenario = Callable[[int, date, Physics, np.random.Generator], tuple[list[Unit], list[Fault], list[Confounder]]]


def simulate(
    out: Path,
    units: int = 40,
    weeks: int = 16,
    seed: int = 1,
    start: date = date(2026, 1, 5),
    physics: Physics | None = None,
    sampling: str | float = "mixed",
    log_minutes_per_week: float = LOG_MINUTES_PER_WEEK,
    progress: Callable[[int, int], None] | None = None,
    world: World = DEMO,
    days_per_week: int = WEEKDAYS,
    scenario: Scenario | None = None,
) -> dict[str, int]:
    """Write `out`/exports and `out`/truth, replacing what is there, and return counts of what was written.

    `sampling` is "mixed" or the seconds between two rows of every gateway. `progress` is called with
    (chunks done, chunks in all). `world` is what `worlds.world` drew; `physics` overrides the world's own.
    `days_per_week` (1 to 6) bounds the days on which a vehicle is logged. The same arguments give the same
    bytes. Raises ValueError for arguments out of range.
    """
    if units < 1 or weeks < 1:
        raise ValueError(f"units and weeks must be at least 1, got units={units}, weeks={weeks}")
    if sampling != "mixed" and not 0.1 <= float(sampling) <= 60:
        raise ValueError(f"sampling must be 'mixed' or 0.1 to 60 s, got {sampling!r}")
    if log_minutes_per_week <= 0:
        raise ValueError(f"log_minutes_per_week must be above 0, got {log_minutes_per_week}")
    if not 1 <= days_per_week <= WEEKDAYS:
        raise ValueError(f"days_per_week must be 1 to {WEEKDAYS}, got {days_per_week}")
    if physics is not None:
        world = replace(world, physics=physics, by_family=())
    days = 7 * weeks
    fleet, faults, confounders, plan = plan_fleet(units, days, seed, start, world, sampling, scenario)
    day_of_year = start.timetuple().tm_yday
    trips = plan_trips(
        fleet, weeks, day_of_year, log_minutes_per_week, world.physics, seed, world.driving, days_per_week
    )
    exports, truth = Path(out) / "exports", Path(out) / "truth"
    for folder in (exports, truth):
        if folder.exists():
            shutil.rmtree(folder)
    rows, files = _write_readings(exports / "readings", trips, plan, start, progress)
    write_register(exports / "register.csv", fleet)
    read_out = [unit for unit in fleet if "codes" not in unit.gateway.missing]
    codes = [(unit.unit_id, *row) for unit in read_out for row in plan.histories[unit.unit_id].codes]
    orders = [order for unit in fleet for order in plan.histories[unit.unit_id].orders]
    summary = {
        "units": len(fleet),
        "trips": len(trips),
        "readings": rows,
        "reading_files": files,
        "codes": write_codes(exports / "codes.csv", codes, start),
        "onboard_tests": write_board_tests(
            exports / "onboard_tests.csv", _board_tests(fleet, plan, trips), start
        ),
        "work_orders": write_orders(exports / "work_orders.csv", orders, start, days),
        "faults": len(faults),
        "failed": sum(fault.failed_day < days for fault in faults),
        "confounders": len(confounders),
    }
    _write_truth(truth, faults, confounders, start, days)
    return summary


def plan_fleet(
    units: int,
    days: int,
    seed: int,
    start: date,
    world: World,
    sampling: str | float = "mixed",
    scenario: Scenario | None = None,
) -> tuple[list[Unit], list[Fault], list[Confounder], Plan]:
    """Vehicles, faults, other defects and each vehicle's life over `days`, before any trip is driven."""
    rng = np.random.default_rng([seed, 1])
    if scenario is not None:
        fleet, faults, confounders = scenario(days, start, world.physics, rng)
    elif world.hazards is None:
        fleet = build_fleet(units, start, world.physics, rng, sampling)
        faults, confounders = plan_faults(fleet, days, world.physics, rng)
    else:
        fleet = populate(units, start, world, rng, sampling)
        faults, confounders = plan_hazards(fleet, days, world, rng)
    plan = Plan(world, seed, _by_unit(faults), _by_unit(confounders), {})
    for unit in fleet:
        causes = [*plan.faults.get(unit.unit_id, []), *plan.confounders.get(unit.unit_id, [])]
        plan.histories[unit.unit_id] = live(
            unit,
            causes,
            days,
            start.weekday(),
            world.physics_of(unit.family),
            np.random.default_rng([seed, 4, unit.index]),
            world.workshop,
        )
    return fleet, faults, confounders, plan


def _by_unit(items: list) -> dict[str, list]:
    grouped: dict[str, list] = {}
    for item in items:
        grouped.setdefault(item.unit.unit_id, []).append(item)
    return grouped


def _write_readings(
    folder: Path, trips: list[Trip], plan: Plan, start: date, progress: Callable[[int, int], None] | None
) -> tuple[int, int]:
    parts = [chunks(block, plan.world) for block in blocks(trips, plan.world)]
    rows = written = done = 0
    for groups in parts:
        files: dict[tuple[str, int, str], list] = {}
        for group in groups:
            for logged in run_chunk(group, plan, done):
                week = int(logged.trip.day // 7)
                key = (logged.trip.unit.depot, week, _form(logged.trip.unit, week))
                files.setdefault(key, []).append(trip_frame(logged, start))
            done += 1
            if progress:
                progress(done, sum(map(len, parts)))
        for (depot, week, form), frames in sorted(files.items(), key=lambda item: item[0]):
            year, number, _ = date.fromordinal(start.toordinal() + 7 * week).isocalendar()
            rows += write_readings(folder, f"{depot.lower()}_{year}w{number:02d}", frames, form)
        written += len(files)
    return rows, written


def _form(unit: Unit, week: int) -> str:
    """A few files come as text, as they do in practice: the slow gateways of two depots in some weeks."""
    if unit.gateway.interval_s >= 5 and unit.depot == "Tarnwick" and week % 6 == 2:
        return "csv"
    if unit.gateway.interval_s >= 2 and unit.depot == "Brackenrow" and week % 8 == 3:
        return "csv.gz"
    return "parquet"


def _offers_tests(unit: Unit) -> bool:
    return unit.family.onboard_tests and unit.in_scope and "onboard_tests" not in unit.gateway.missing


def _board_tests(fleet: list[Unit], plan: Plan, trips: list[Trip]) -> list[tuple[str, float, BoardTest]]:
    """Weekly read-outs: results repeat until a monitor completes again, and are all zero after a clear."""
    first_trips: dict[tuple[str, int], Trip] = {}
    for trip in trips:
        first_trips.setdefault((trip.unit.unit_id, int(trip.day // 7)), trip)
    rows: list[tuple[str, float, BoardTest]] = []
    for unit in (unit for unit in fleet if _offers_tests(unit)):
        rng = np.random.default_rng([plan.seed, 5, unit.index])
        faults = plan.faults.get(unit.unit_id, [])
        physics = plan.world.physics_of(unit.family)
        history = plan.histories[unit.unit_id]
        last: dict[int, list[BoardTest]] = {}
        before = -7.0
        for trip in (trip for (unit_id, _), trip in first_trips.items() if unit_id == unit.unit_id):
            cleared = max((day for day in history.clears if before < day <= trip.day), default=None)
            if cleared is not None:
                last = {
                    bank: [BoardTest(t.obdmid, t.tid, t.uasid, 0, 0, 0) for t in tests]
                    for bank, tests in last.items()
                }
            for bank in range(unit.family.banks):
                since_clear = trip.day - (cleared if cleared is not None else -30.0)
                completed = rng.random() < 0.8 and since_clear > 2
                tested_on = trip.day - rng.uniform(0.2, min(3.0, since_clear))
                cond = bank_condition(unit, bank, tested_on, faults, [], False, physics, rng)
                if completed or not last.get(bank):
                    last[bank] = board_tests(unit, bank, cond, rng)
                rows += [(unit.unit_id, trip.day + 0.002, test) for test in last[bank]]
            before = trip.day
    return rows


def _write_truth(
    folder: Path, faults: list[Fault], confounders: list[Confounder], start: date, days: int
) -> None:
    def shown(day: float) -> str:
        return day_text(start, day) if day < days else ""

    write_csv(
        folder / "components.csv",
        ("unit_id", "component", "mode", "onset_on", "failed_on", "repaired_on"),
        sorted(
            (
                f.unit.unit_id,
                f.component,
                f.mode,
                shown(f.onset_day),
                shown(f.failed_day) if f.failed_day < f.repaired_day else "",
                shown(f.repaired_day),
            )
            for f in faults
            if f.onset_day < f.repaired_day  # a part renewed before its time never went bad
        ),
    )
    write_csv(
        folder / "confounders.csv",
        ("unit_id", "kind", "component_or_bank", "from_on", "to_on"),
        sorted(
            (
                c.unit.unit_id,
                c.kind,
                f"bank {c.bank + 1}" if c.bank >= 0 else "all",
                shown(c.from_day),
                shown(c.to_day),
            )
            for c in confounders
        ),
    )
