"""Worlds: drawn from a seed, near and far apart, the demo as it was, and sound in their parts."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import sample_lake
from sample_lake.faults import AIR_METER, SUDDEN, Fault
from sample_lake.habits import Telemetry
from sample_lake.hazards import PLACES, failing_chance, plan_hazards
from sample_lake.paths import PATHS, climbed, progress, shows
from sample_lake.physics import Physics
from sample_lake.population import draw_gateway, populate
from sample_lake.ranges import BOTH, CHOICES, SHIFTED
from sample_lake.record import chunks, run_chunk
from sample_lake.schedule import plan_trips
from sample_lake.simulate import plan_fleet, simulate
from sample_lake.worlds import DEMO, KINDS, World, world
from sample_lake.write import trip_frame

START = date(2026, 1, 5)
COMMITTED = Path(sample_lake.__file__).parent
SEEDS = (1, 2, 3)


# -- drawing ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_one_seed_is_one_world(kind: str) -> None:
    assert world(11, kind) == world(11, kind)


@pytest.mark.parametrize("kind", ["near", "far"])
def test_another_seed_is_another_world(kind: str) -> None:
    assert world(11, kind) != world(12, kind)


def test_unknown_world_is_refused() -> None:
    with pytest.raises(ValueError, match="world must be one of demo, near, far, got 'odd'"):
        world(1, "odd")


def test_demo_world_is_the_default_physics() -> None:
    assert world(5, "demo") is DEMO
    assert DEMO.physics == Physics() and DEMO.hazards is None


@pytest.mark.parametrize("key", SHIFTED)
def test_far_ranges_do_not_touch_near_ones(key: str) -> None:
    (low, high), sides = SHIFTED[key]
    assert low < high
    assert all(a < b and (b < low or a > high) for a, b in sides)


@pytest.mark.parametrize("key", CHOICES)
def test_far_choices_are_not_near_ones(key: str) -> None:
    near, far = CHOICES[key]
    assert not set(near) & set(far)


def _drawn(here: World, key: str) -> list:
    section, name = key.split(".")
    holders = [here.physics, *(physics for _, physics in here.by_family)]
    holders = holders if section == "physics" else [getattr(here, section)]
    return [getattr(holder, name) for holder in holders]


def _lies_in(value: float | tuple[float, float], sides: tuple) -> bool:
    low, high = value if isinstance(value, tuple) else (value, value)
    return any(a - 1e-9 <= low <= high <= b + 1e-9 for a, b in sides)


# Worlds whose sensor answers late smear a slow one less: two figures of theirs are scaled after the draw.
SCALED = {"physics.slow_gas_lag_s", "physics.slow_wide_lag_s", "physics.lag_asymmetry"}


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", ["near", "far"])
def test_worlds_lie_in_their_declared_ranges(kind: str, seed: int) -> None:
    here = world(seed, kind)
    for key in [*BOTH, *SHIFTED]:
        if kind == "far" and key in SCALED:
            continue
        sides = (BOTH[key],) if key in BOTH else SHIFTED[key][1] if kind == "far" else (SHIFTED[key][0],)
        assert all(_lies_in(value, sides) for value in _drawn(here, key)), key
    for key, options in CHOICES.items():
        assert set(_drawn(here, key)) <= set(options[kind == "far"]), key


def test_engine_families_of_a_world_differ() -> None:
    near = world(1, "near")
    assert len({physics.integrator_travel for _, physics in near.by_family}) == len(near.families) == 8
    assert {family.upstream for family in near.families} == {"narrowband", "wide_range"}
    assert all(
        family.reports & {"lambda", "pump"} for family in near.families if family.upstream == "wide_range"
    )


# -- the demo ---------------------------------------------------------------------------------------------


def _rows(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.reader(handle))


def test_demo_still_drives_the_committed_fleet() -> None:
    """One chunk of the committed fleet (its only diesel and electric trips), made again from its seed."""
    fleet, _, _, plan = plan_fleet(40, 7 * 16, 8, START, DEMO)
    trips = plan_trips(fleet, 16, START.timetuple().tm_yday, 34.0, DEMO.physics, 8)
    groups = chunks(trips, DEMO)
    assert not groups[-1][0].unit.in_scope
    compared = 0
    for logged in run_chunk(groups[-1], plan, len(groups) - 1):
        begin = trip_frame(logged, START)
        year, week, _ = begin["ts"][0].isocalendar()
        path = COMMITTED / "exports/readings" / f"{logged.trip.unit.depot.lower()}_{year}w{week:02d}.parquet"
        kept = pl.read_parquet(path).filter(
            (pl.col("unit_id") == logged.trip.unit.unit_id)
            & pl.col("ts").is_between(begin["ts"][0], begin["ts"][-1])
        )
        if kept.is_empty():  # the slow gateways of some weeks are kept as text
            continue
        assert begin.equals(kept.select(begin.columns)), path.name
        compared += len(begin)
    assert compared > 10_000


def test_demo_still_tells_the_committed_truth() -> None:
    _, faults, confounders, plan = plan_fleet(40, 7 * 16, 8, START, DEMO)
    parts = _rows(COMMITTED / "truth/components.csv")[1:]
    dealt = sorted((f.unit.unit_id, f.component, f.mode) for f in faults)
    assert dealt == sorted(tuple(row[:3]) for row in parts)
    others = _rows(COMMITTED / "truth/confounders.csv")[1:]
    assert sorted((c.unit.unit_id, c.kind) for c in confounders) == sorted(tuple(r[:2]) for r in others)
    codes = _rows(COMMITTED / "exports/codes.csv")[1:]
    assert sum(len(history.codes) for history in plan.histories.values()) == len(codes)


# -- faults -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", PATHS)
def test_every_path_climbs_from_nothing_to_failure(path: str) -> None:
    shares = np.linspace(0.0, 1.0, 400)
    for bends in [(0.2, 0.6), (0.1, 0.5, 0.9), (0.3, 0.31, 0.5, 0.85)]:
        course = np.array([progress(path, share, 2.0, bends) for share in shares])
        assert course[0] == pytest.approx(0.0, abs=1e-12) and course[-1] == pytest.approx(1.0)
        assert (np.diff(course) >= 0).all() and course.min() >= 0 and course.max() <= 1
        assert climbed(path, 50.0, 2.0, bends, 1.7) == 1.7


def test_unknown_path_is_refused() -> None:
    with pytest.raises(ValueError, match="path must be one of linear"):
        progress("downhill", 0.5, 1.0, ())


def test_paths_are_of_the_shapes_they_are_named_after() -> None:
    assert progress("accelerating", 0.5, 2.0, ()) == pytest.approx(0.25)
    assert progress("saturating", 0.5, 2.0, ()) == pytest.approx(0.75)
    assert progress("plateau", 0.4, 2.0, (0.2, 0.6)) == progress("plateau", 0.6, 2.0, (0.2, 0.6)) == 0.5
    assert progress("stepwise", 0.29, 2.0, (0.3, 0.6)) == 0.0
    assert progress("stepwise", 0.31, 2.0, (0.3, 0.6)) == pytest.approx(1 / 3)


def test_intermittent_parts_act_up_more_often_as_they_wear() -> None:
    early = np.mean([shows(0.0, salt, 3) for salt in range(600)])
    late = np.mean([shows(1.2, salt, 3) for salt in range(600)])
    # Four standard deviations of a share of 600: 0.07.
    assert early == pytest.approx(0.2, abs=0.07) and late == pytest.approx(0.95, abs=0.04)
    assert shows(0.5, 7, 12.2) == shows(0.5, 7, 12.9)


def _planned(kind: str, seed: int, units: int = 400, days: int = 210) -> tuple:
    here = world(seed, kind)
    return here, *plan_fleet(units, days, seed, START, here)


@pytest.mark.parametrize(("kind", "seed"), [("near", 1), ("near", 2), ("far", 1), ("far", 2)])
def test_failures_come_at_the_world_s_rate(kind: str, seed: int) -> None:
    here = world(seed, kind)
    fleet = populate(1500, START, here, np.random.default_rng(seed))
    faults, confounders = plan_hazards(fleet, 210, here, np.random.default_rng(seed + 50))
    dealt = [fault for fault in faults if fault.path != "power"]  # all but the misfires' damage
    for place in PLACES:
        chances = np.array([failing_chance(unit, place, 210, here.hazards) for unit in fleet])
        failed = sum(fault.place == place and fault.failed_day < 210 for fault in dealt)
        spread = np.sqrt((chances * (1 - chances)).sum())
        assert abs(failed - chances.sum()) < 4 * spread, place
    meters = [confounder.unit for confounder in confounders if confounder.kind in AIR_METER]
    share, count = here.hazards.confounder_share, len(confounders) - len(meters)
    assert abs(count / 1500 - share) < 4 * np.sqrt(share * (1 - share) / 1500)
    others = {confounder.unit.unit_id for confounder in confounders if confounder.kind not in AIR_METER}
    able = [unit for unit in fleet if unit.in_scope and "maf" in unit.family.reports and unit.unit_id not in others]
    assert {unit.unit_id for unit in meters} <= {unit.unit_id for unit in able}
    share = here.hazards.air_meter_share
    assert abs(len(meters) / len(able) - share) < 4 * np.sqrt(share * (1 - share) / len(able))


def test_the_demo_deals_its_faults() -> None:
    with pytest.raises(ValueError, match="deals its faults"):
        plan_hazards([], 10, DEMO, np.random.default_rng(1))


@pytest.mark.parametrize("kind", ["near", "far"])
def test_severity_is_nothing_outside_onset_and_repair(kind: str) -> None:
    _, _, faults, _, _ = _planned(kind, 4)
    assert {fault.path for fault in faults} >= set(world(4, kind).hazards.paths)
    for fault in faults:
        assert fault.onset_day <= fault.failed_day
        days = [fault.onset_day - 0.1, *np.linspace(fault.onset_day, fault.failed_day + 90, 60)]
        course = np.array([replace(fault, repaired_day=np.inf).severity(day) for day in days])
        assert course[0] == 0.0 and course.min() >= 0 and course.max() <= fault.worst
        if fault.path != "intermittent" or fault.mode in SUDDEN:
            assert (np.diff(course) >= -1e-12).all()
        if np.isfinite(fault.repaired_day):
            assert fault.severity(fault.repaired_day) == 0.0


@pytest.mark.parametrize("kind", ["near", "far"])
def test_truth_agrees_with_the_workshop(kind: str) -> None:
    here, _, faults, _, plan = _planned(kind, 4)
    repaired = [fault for fault in faults if np.isfinite(fault.repaired_day)]
    written = 0
    for fault in repaired:
        orders = [
            order
            for order in plan.histories[fault.unit.unit_id].orders
            if (order.component, order.action, order.day) == (fault.component, "replaced", fault.repaired_day)
        ]
        assert len(orders) <= 1
        written += len(orders)
    share = 1 - here.workshop.missing_order_share
    assert abs(written - share * len(repaired)) < 4 * np.sqrt(share * (1 - share) * len(repaired)) + 1
    # A finding is never confirmed on a part that was not faulty.
    ends = {(fault.unit.unit_id, fault.component, fault.repaired_day) for fault in repaired}
    for history in plan.histories.values():
        for order in history.orders:
            if order.component != "OTHER" and order.finding == "confirmed":
                assert (order.unit.unit_id, order.component, order.day) in ends


def test_drawn_workshops_leave_some_work_unwritten_and_find_parts_without_a_lamp() -> None:
    _, _, faults, _, plan = _planned("far", 4)
    silent = {f.unit.unit_id for f in faults if np.isinf(f.code_severity) and np.isfinite(f.repaired_day)}
    assert silent
    inspected = [o for h in plan.histories.values() for o in h.orders if o.finding == "no_fault_found"]
    assert len(inspected) > 10


# -- vehicles and gateways --------------------------------------------------------------------------------


def test_storage_falls_and_sensors_slow_with_distance() -> None:
    here = world(3, "near")
    fleet = [u for u in populate(900, START, here, np.random.default_rng(9)) if u.in_scope]
    for code, physics in here.by_family:
        mine = [u for u in fleet if u.family.code == code]
        if len(mine) < 60:
            continue
        distance = np.array([min(200_000.0, u.odometer_km) for u in mine])
        storage = np.array([u.banks[0]["storage_g"] for u in mine])
        slope = np.polyfit(distance / 1e5, np.log(storage), 1)[0]
        assert slope == pytest.approx(-physics.storage_ageing, abs=0.08), code


def test_missing_signals_follow_their_shares() -> None:
    telemetry = Telemetry(missing=(("odometer_km", 0.3), ("codes", 0.0)), robin_share=0.5, fill_share=0.2)
    rng = np.random.default_rng(2)
    gateways = [draw_gateway(rng, telemetry, None) for _ in range(1500)]
    assert np.mean(["odometer_km" in g.missing for g in gateways]) == pytest.approx(0.3, abs=0.05)
    assert not any("codes" in g.missing for g in gateways)
    assert np.mean([g.robin > 1 for g in gateways]) == pytest.approx(0.5, abs=0.055)
    assert np.mean([g.fills for g in gateways]) == pytest.approx(0.2, abs=0.045)


# -- end to end -------------------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=["near", "far"])
def small(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[World, Path]:
    drawn, out = world(6, request.param), tmp_path_factory.mktemp(request.param)
    here = replace(drawn, families=drawn.families[:3])  # every family is a run of its own
    simulate(out, units=24, weeks=2, seed=6, log_minutes_per_week=12, world=here, days_per_week=2)
    return here, out


def _readings(out: Path) -> pl.DataFrame:
    frames = [pl.read_parquet(path) for path in sorted((out / "exports/readings").glob("*.parquet"))]
    return pl.concat(frames, how="diagonal")


@pytest.mark.parametrize("kind", ["near", "far"])
def test_small_fleet_is_made_again_byte_for_byte(kind: str, tmp_path: Path) -> None:
    here = replace(world(7, kind), families=world(7, kind).families[:1])
    for name in ("a", "b"):
        simulate(tmp_path / name, units=4, weeks=1, seed=7, log_minutes_per_week=6, world=here)
    made = sorted(path.relative_to(tmp_path / "a") for path in (tmp_path / "a").rglob("*") if path.is_file())
    assert len(made) >= 7
    assert all((tmp_path / "a" / path).read_bytes() == (tmp_path / "b" / path).read_bytes() for path in made)


def test_no_more_days_are_logged_than_asked_for(small: tuple[World, Path]) -> None:
    days = (
        _readings(small[1])
        .group_by("unit_id", pl.col("ts").dt.truncate("1w").alias("week"))
        .agg(pl.col("ts").dt.date().n_unique())
    )
    assert days["ts"].max() <= 2


def test_narrowband_levels_are_those_drawn(small: tuple[World, Path]) -> None:
    here, out = small
    sick = set(pl.read_csv(out / "truth/components.csv")["unit_id"]) | set(
        pl.read_csv(out / "truth/confounders.csv")["unit_id"]
    )
    families = pl.read_csv(out / "exports/register.csv").select("unit_id", "engine_family", "upstream_sensor")
    warm = (
        _readings(out)
        .filter(~pl.col("unit_id").is_in(list(sick)) & (pl.col("rpm") > 1200))
        .join(families.filter(pl.col("upstream_sensor") == "narrowband"), on="unit_id")
    )
    checked = 0
    for (code,), rows in warm.group_by("engine_family"):
        physics = dict(here.by_family)[code]
        volts = rows["o2_b1s1_v"].drop_nulls()
        if len(volts) < 100:
            continue
        # Noise, coarse gateways (0.05 V) and half-finished swings blur the plateaus by up to 0.12 V.
        assert physics.lean_plateau_v[0] - 0.05 <= volts.quantile(0.05) <= physics.lean_plateau_v[1] + 0.12
        assert physics.rich_plateau_v[0] - 0.12 <= volts.quantile(0.95) <= physics.rich_plateau_v[1] + 0.05
        checked += 1
    assert checked


@pytest.mark.parametrize("bad", [0, 7])
def test_days_outside_the_working_week_are_refused(tmp_path: Path, bad: int) -> None:
    with pytest.raises(ValueError, match="days_per_week must be 1 to 6"):
        simulate(tmp_path, days_per_week=bad)


def test_a_part_renewed_before_its_time_is_no_fault() -> None:
    unit = populate(1, START, world(1, "near"), np.random.default_rng(1))[0]
    fault = Fault(unit, "B1S1", "slow", 50.0, 90.0, 1.0, 0.0, 1.2, repaired_day=20.0, path="linear")
    assert not any(fault.severity(day) or fault.present(day) for day in range(200))
