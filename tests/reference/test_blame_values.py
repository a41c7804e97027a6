"""Worked cases of the order of blame, from readings to the verdict: decision table of upstream and downstream sensors.

Sources: common practice upstream/downstream decision table (a flat downstream sensor that falls in fuel cuts is healthy; one
that repeats the upstream one points at the catalyst); enable list of a published workshop manual, model year 2000 (misfire
before catalyst); SAE J1979-DA PID $44 (the commanded ratio of a conventional system reads 1.000 in closed loop).
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from models.blame import evaluate, hold_back
from pipeline.assess import ISSUED, assess
from pipeline.derive import derive
from pipeline.facts import read_blame, read_codes
from pipeline.lake import Lake
from pipeline.report.cardfacts import read_card_facts
from pipeline.settings import Settings
from pipeline.tables import table
from tests.sql.given import rows

WEEKS = 4
START = date(2026, 1, 5)
LIST = START + timedelta(weeks=WEEKS)
SECONDS = 1200  # a 20 min cruise
SIGNALS = (
    "rpm", "speed_kmh", "coolant_degc", "load_pct", "run_time_s", "maf_gs", "fuel_status_b1", "stft_b1_pct", "ltft_b1_pct",
    "o2_b1s1_v", "o2_b1s2_v", "lambda_target", "catalyst_b1s1_degc", "mil_on",
)  # fmt: skip


def drive(day: int, seed: int) -> dict[str, np.ndarray]:
    """A warm cruise with a fuel cut of 8 s every 230 s (five), a healthy upstream sensor and a flat downstream one."""
    chance = np.random.default_rng([day, seed])
    second = np.arange(SECONDS)
    cut = (second % 230 >= 222) & (second < 1150)
    rich = np.sin(second * 2 * np.pi / 1.7 + day) > 0
    since_cut = np.array([np.min(np.append((s - second[cut])[(s - second[cut]) >= 0], 9999)) for s in second])
    rear = 0.70 + chance.normal(0, 0.004, SECONDS)
    rear[(since_cut < 14) & ~cut] = 0.08
    for began in second[cut & ~np.roll(cut, 1)]:
        rear[began : began + 8] = np.interp(np.arange(8), [0, 3], [0.70, 0.08])
    return {
        "rpm": np.where(cut, 1900, 2100) + chance.normal(0, 5, SECONDS),
        "speed_kmh": 82 + 3 * np.sin(second / 40),
        "coolant_degc": np.full(SECONDS, 88.0),
        "load_pct": np.where(cut, 12.0, 40 + 10 * np.sin(second / 30)),
        "run_time_s": 600.0 + second,
        "maf_gs": np.where(cut, 4.0, 12.0),
        "fuel_status_b1": np.where(cut, 4.0, 2.0),
        "stft_b1_pct": chance.normal(0, 1.2, SECONDS),
        "ltft_b1_pct": np.full(SECONDS, 2.0),
        "o2_b1s1_v": np.where(cut, 0.06, np.where(rich, 0.82, 0.12)) + chance.normal(0, 0.01, SECONDS),
        "o2_b1s2_v": rear,
        "lambda_target": np.where(cut, np.nan, 1.0),
        "catalyst_b1s1_degc": np.full(SECONDS, 600.0),
        "mil_on": np.zeros(SECONDS),
    }


def verdict(folder: Path, change=lambda signals, day: signals, codes: tuple[str, ...] = ()) -> dict[str, dict]:
    """Component -> its row of the scores, after four weeks of three such drives."""
    lake = Lake(str(folder))
    days, spans = [], []
    for day in (7 * week + weekday for week in range(WEEKS) for weekday in (0, 2, 4)):
        began = datetime.combine(START + timedelta(days=day), datetime.min.time(), UTC) + timedelta(hours=8)
        signals = change(drive(day, 1), day)
        days.append(pl.DataFrame({
            "unit_id": "V1", "bucket": 0, "day": began.date(),
            "ts": [began + timedelta(seconds=s) for s in range(SECONDS)],
            **{name: pl.Series(values).fill_nan(None) for name, values in signals.items()},
        }))  # fmt: skip
        spans.append({"export_id": "e", "unit_id": "V1", "day": began.date(), "first_line": 1, "last_line": SECONDS,
                      "rows": SECONDS, "first_ts": began, "last_ts": began + timedelta(seconds=SECONDS - 1),
                      "arrived_at": began})  # fmt: skip
    readings = table("readings").conform(
        pl.concat([table("readings").empty(), *days], how="diagonal_relaxed").sort("unit_id", "ts")
    )
    lake.replace("readings", readings, [{"day": d, "bucket": 0} for d in readings["day"].unique().sort()])
    source = {"export_id": "e", "line": 1, "arrived_at": began}
    car = {"unit_id": "V1", "banks": 1, "upstream_sensor": "narrowband", "fuel": "petrol"}
    lake.overwrite("export_spans", rows("export_spans", spans))
    lake.overwrite("register", rows("register", [car | source]))
    read_out = [datetime.combine(LIST - timedelta(days=ago), datetime.min.time(), UTC) for ago in (20, 13, 6, 2)]
    reports = [{"unit_id": "V1", "code": code, "state": "confirmed", "ts": ts} for code in codes for ts in read_out]
    lake.overwrite("codes", rows("codes", [report | source for report in reports]))
    settings = Settings(lake=str(folder), buckets=1)
    derive(settings, lake)
    assess(settings, lake, LIST)
    scores = lake.read("scores", where=pl.col("series") == ISSUED)
    return {row["component"]: row for row in scores.iter_rows(named=True)}


def repeats_front(signals: dict[str, np.ndarray], day: int) -> dict[str, np.ndarray]:
    """Downstream over upstream variance of 0.85, the downstream sensor two rows behind, back at once after fuel cuts."""
    front = signals["o2_b1s1_v"]
    rear = 0.45 + np.sqrt(0.85) * (np.roll(front, 1) - 0.45)
    return signals | {"o2_b1s2_v": np.clip(rear, 0.02, 1.0)}


def stands_still(signals: dict[str, np.ndarray], day: int) -> dict[str, np.ndarray]:
    """The identical word from the sensors and the trim for the whole drive while load and speed move."""
    return signals | {
        "o2_b1s1_v": np.full(SECONDS, 0.45), "o2_b1s2_v": np.full(SECONDS, 0.70), "stft_b1_pct": np.zeros(SECONDS)
    }  # fmt: skip


def test_flat_in_cruise_and_falling_in_fuel_cuts_is_healthy(tmp_path: Path):
    made = verdict(tmp_path)
    for component in ("B1S1", "B1S2", "CAT1"):
        assert made[component]["status"] == "judged" and made[component]["probability"] < 0.1, component


def test_a_downstream_sensor_that_repeats_the_upstream_one_points_at_the_catalyst(tmp_path: Path):
    made = verdict(tmp_path, repeats_front)
    assert (made["CAT1"]["status"], made["CAT1"]["mode"]) == ("judged", "storage")
    assert made["CAT1"]["probability"] > 0.5
    assert "codes of misfire" in made["CAT1"]["ruled_out"] and "the upstream sensor" in made["CAT1"]["ruled_out"]
    assert made["B1S1"]["mode"] == ""


def test_the_same_with_a_misfire_code_is_held(tmp_path: Path):
    made = verdict(tmp_path, repeats_front, codes=("P0301",))
    assert made["CAT1"]["status"] == "held" and made["CAT1"]["reason"].startswith("held back: misfire")
    assert "ignition" in made["CAT1"]["points_at"]
    assert "codes of misfire" not in made["CAT1"]["ruled_out"]


def test_an_identical_word_while_the_load_moves_is_stale_and_neither_healthy_nor_faulty(tmp_path: Path):
    made = verdict(tmp_path, stands_still)
    for component in ("B1S1", "B1S2", "CAT1"):
        assert made[component]["status"] in ("held", "not_judged"), component
        assert "gateway" in made[component]["reason"] or made[component]["status"] == "not_judged"


@pytest.mark.parametrize("commanded", [1.0])
def test_a_commanded_ratio_that_always_reads_one_is_no_frozen_sensor(tmp_path: Path, commanded: float):
    made = verdict(tmp_path, lambda signals, day: signals | {"lambda_target": np.full(SECONDS, commanded)})
    assert (made["B1S1"]["status"], made["B1S1"]["mode"]) == ("judged", "")


def held(
    levels: dict[tuple[str, int], tuple[float, ...]], part: str, mode: str, roles: tuple[str, ...] = (),
    named: str | tuple[str, ...] = "", strength: float = 0.0,
) -> str | None:
    """Which fact of the shipped table holds a part back; levels: (indicator, bank) -> (level, change, apart from peers),
    ``named``: the part that the codes name, or one a code, ``strength``: that of the finding of the mode."""
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1"], "bank": [1]}, schema_overrides={"bank": pl.Int32})
    rows = [("V1", bank, name, *(*told, None, None)[:3]) for (name, bank), told in levels.items()]
    columns = {"unit_id": pl.String, "bank": pl.Int32, "indicator": pl.String}
    columns |= {name: pl.Float64 for name in ("level", "change", "apart")}
    names = {"unit_id": pl.String, "bank": pl.Int32, "part": pl.String, "role": pl.String}
    found = {"unit_id": pl.String, "bank": pl.Int32, "part": pl.String, "mode": pl.String, "strength": pl.Float64}
    parts = (named,) * len(roles) if isinstance(named, str) else named
    codes = pl.DataFrame([("V1", 1, *each) for each in zip(parts, roles, strict=True)], names, orient="row")
    seen = pl.DataFrame([("V1", 1, part, mode, strength)] if mode else [], found, orient="row")
    truths = evaluate(banks, facts, pl.DataFrame(rows, columns, orient="row"), codes, seen)
    component = banks.with_columns(part=pl.lit(part), mode=pl.lit(mode))
    return hold_back(component, truths, holds)["held_by"][0]


@pytest.mark.parametrize(("part", "mode"), [("catalyst", "storage"), ("upstream", "slow"), ("upstream", "biased")])
def test_fuel_that_lacks_under_load_only_is_the_pump_and_no_sensor(part: str, mode: str):
    # Common practice: a weak pump lacks fuel where most is drawn; a sensor that reads off does so in every cell alike.
    lacking = {("trim_load_less_cruise_pct", 1): (3.0, 2.8)}
    assert held(lacking, part, mode) == "load_leaner"
    assert held({("trim_load_less_cruise_pct", 1): (0.8, 0.3)}, part, mode) is None
    assert held({("trim_load_less_cruise_pct", 1): (2.0, 1.6)}, part, mode) == "load_leaner"
    # A trim at its stop says nothing of load: a dead sensor drives it there.
    stop = lacking | {("trim_pct", 1): (26.0, 25.0), ("lean_bias_pct", 1): (9.0, 9.0)}
    assert held(stop, part, mode) != "load_leaner"


def test_without_closed_loop_the_downstream_sensor_waits_too() -> None:
    # Common practice: over 5 min to closed loop points at heater, coolant sensor or thermostat, before a signal fault.
    never = {("never_closed_share", 1): (0.9, 0.9)}
    assert held(never, "downstream", "stuck") == "never_closed"
    assert held(never, "downstream", "slow") is None  # how fast it falls in fuel cuts needs no loop
    assert held(never, "upstream", "stuck") == "never_closed_unexplained"


ACCUSED = ("catalyst",)


def test_a_downstream_sensor_that_comes_back_later_is_no_lost_storage() -> None:
    # Oxygen balance (domain reference): less storage is emptied sooner, so a late return is air at the sensor: a leak
    # between catalyst and sensor lets it swing like one behind a dead catalyst (common practice).
    moves = {("rear_front_variance", 1): (1.1, 1.0)}
    for late in ((25.0, 23.0), (25.0, 0.0, 23.0)):
        assert held(moves | {("recovery_s", 1): late}, "catalyst", "storage", ACCUSED) == "recovers_later"
        assert held({("recovery_s", 1): late}, "catalyst", "") is None  # much storage is no fault
    for usual in ((2.0, 0.0, 0.1), (1.0, -6.0, -6.0), (14.0, 3.5, 3.5)):
        assert held(moves | {("recovery_s", 1): usual}, "catalyst", "storage", ACCUSED) is None
    assert held({("recovery_s", 1): (25.0, 23.0)}, "downstream", "slow") is None  # it may be the slow sensor itself


def test_a_mixture_that_swings_about_another_middle_comes_before_the_catalyst() -> None:
    # Common practice: a leak ahead of the upstream sensor reads lean, and the control answers; SAE J2012 P2096 to P2099.
    assert held({("up_mean_v", 1): (0.24, -0.22)}, "catalyst", "storage", ACCUSED) == "front_moved"
    assert held({("up_mean_v", 1): (0.66, 0.14)}, "catalyst", "", ACCUSED) == "front_moved"
    assert held({("up_mean_v", 1): (0.45, -0.07)}, "catalyst", "storage", ACCUSED) is None
    assert held({("up_mean_v", 1): (0.24, -0.22)}, "catalyst", "") is None  # nobody speaks of the catalyst
    assert held({}, "catalyst", "storage", ("post_trim",)) == "post_trim_codes"
    assert held({}, "upstream", "biased", ("post_trim",)) is None


@pytest.mark.parametrize(("part", "mode"), [("upstream", "biased"), ("upstream", "erratic"), ("catalyst", "storage")])
@pytest.mark.parametrize(("sign", "fact"), [(1, "idle_off_lean"), (-1, "idle_off_rich")])
def test_a_mixture_that_is_off_at_idle_only_is_no_sensor(part: str, mode: str, sign: int, fact: str) -> None:
    # Common practice: false air (and a constant leak of fuel) weighs most at idle; a sensor that reads off does so in
    # every cell alike.
    grown = {("trim_idle_less_cruise_pct", 1): (sign * 1.8, sign * 1.6)}
    assert held(grown, part, mode) == fact
    assert held({("trim_idle_less_cruise_pct", 1): (sign * 3.4, 0.0, sign * 3.2)}, part, mode) == fact
    assert held({("trim_idle_less_cruise_pct", 1): (sign * 1.2, sign * 0.7, sign * 1.2)}, part, mode) is None
    assert held(grown | {("up_stuck_share", 1): (0.6, 0.6)}, part, mode) != fact  # open loop: the trim is not the sensor's
    assert held(grown, "upstream", "slow") is None


def test_a_downstream_sensor_that_is_lean_and_moves_is_not_stuck() -> None:
    # Common practice, decision table: a stuck sensor does not move; one that follows a lean gas does. 0.6 and 0.2 V are
    # what a working one passes when the mixture is forced.
    lean = {("down_low_share", 1): (0.7, 0.6)}
    assert held(lean | {("down_range_v", 1): (0.8, 0.0)}, "downstream", "stuck") == "rear_follows_lean"
    assert held(lean | {("down_range_v", 1): (0.05, -0.7)}, "downstream", "stuck") is None
    assert held(lean | {("down_range_v", 1): (0.8, 0.0)}, "downstream", "slow") is None
    leaner = {("down_low_share", 1): (0.43, 0.28), ("down_range_v", 1): (0.73, -0.1)}
    accused = {("downstream_margin", 1): (-0.15,)}
    assert held(leaner, "downstream", "stuck", strength=0.5) == held(leaner | accused, "downstream", "") == "rear_follows_lean"
    assert held(leaner, "downstream", "") is None  # nobody speaks of the sensor
    assert held(leaner | {("down_range_v", 1): (0.2, -0.6)}, "downstream", "stuck", strength=0.5) is None
    usual = {("down_low_share", 1): (0.1, 0.0), ("down_range_v", 1): (0.8, 0.0)}
    assert held(usual, "downstream", "stuck") is None


@pytest.mark.parametrize("role", ["stuck", "circuit"])
def test_a_code_for_a_stuck_downstream_sensor_that_moves_waits(role: str) -> None:
    # Common practice, decision table: a sensor that answers both ways is not stuck. With an upstream sensor that reads
    # rich the gas behind the catalyst is lean, and P2270 (SAE J2012-DA: biased or stuck lean) names the wrong part.
    moves, still = {("down_range_v", 1): (0.67, -0.1)}, {("down_range_v", 1): (0.05, -0.7)}
    assert held(moves, "downstream", "", (role,), "downstream") == "rear_code_contradicted"
    assert held(still, "downstream", "", (role,), "downstream") is None
    assert held({}, "downstream", "", (role,), "downstream") is None  # nobody saw it move
    assert held(moves, "downstream", "") is None
    assert held(moves, "downstream", "slow", (role,), "downstream", 0.7) is None  # something measured is against it
    assert held(moves, "downstream", "slow", (role,), "downstream", 0.2) == "rear_code_contradicted"
    assert held(moves, "downstream", "", ("heater",), "downstream") is None


def test_a_code_for_a_biased_upstream_sensor_waits_where_only_the_downstream_one_is_off() -> None:
    # Common practice, decision table; the monitor behind P2195 to P2198 (SAE J2012-DA) asks the downstream sensor.
    lost, whole = {("down_range_v", 1): (0.38, -0.1, -0.38)}, {("down_range_v", 1): (0.76, 0.0, 0.0)}
    assert held(lost, "upstream", "", ("stuck",), "upstream") == "front_code_contradicted"
    assert held(whole, "upstream", "", ("stuck",), "upstream") is None
    assert held(lost, "upstream", "") is None
    assert held(lost | {("trim_pct", 1): (-8.0,)}, "upstream", "", ("stuck",), "upstream") is None
    assert held(lost, "upstream", "biased", ("stuck",), "upstream", 0.6) is None
    # Nor does the downstream sensor wait for it, or the catalyst for anything but the downstream sensor.
    assert held(lost, "downstream", "stuck", ("stuck",), "upstream", 0.9) is None
    assert held(whole, "downstream", "stuck", ("stuck",), "upstream", 0.9) == "front_before_rear"
    assert held(whole, "catalyst", "storage", ("stuck",), "upstream") == "front_sensor"


def test_a_downstream_sensor_that_hovers_in_lean_gas_is_not_dead() -> None:
    # Common practice: an upstream sensor that never reads lean makes the mixture lean, and the one behind shows 0.1 to
    # 0.3 V; a short shows one value, all of it below 0.2 V or none.
    flat = {("down_range_v", 1): (0.08, -0.4), ("up_p05_v", 1): (0.45,)}
    assert held(flat | {("down_low_share", 1): (0.64,)}, "upstream", "weak", strength=1.2) is None
    for share in (0.0, 1.0):
        assert held(flat | {("down_low_share", 1): (share,)}, "upstream", "weak", strength=1.2) == "rear_dead"
    assert held(flat | {("down_low_share", 1): (0.64,), ("up_p05_v", 1): (0.12,)}, "upstream", "weak", strength=1.2) == "rear_dead"


def test_a_biased_upstream_sensor_takes_both_signals() -> None:
    # Common practice, decision table: whether sensor or mixture is off shows behind the catalyst.
    front, rear = {("up_p05_v", 1): (0.5,)}, {("down_range_v", 1): (0.7, 0.0)}
    assert held(front, "upstream", "biased", strength=1.2) == "front_alone"
    assert held(front | rear, "upstream", "biased", strength=1.2) is None
    assert held(front, "upstream", "weak", strength=1.2) is None
    assert held(front, "upstream", "biased", ("sensor",), "upstream", 1.2) is None  # a code names it
    assert held({("wide_offset", 1): (0.04,)}, "upstream", "biased", strength=1.2) is None  # it says itself how far off


def test_behind_a_new_catalyst_a_late_fall_is_its_storage() -> None:
    # Oxygen balance (domain reference): what the catalyst takes up does not reach the sensor behind it.
    assert held({("catalyst_age_days", 1): (41.0,)}, "downstream", "slow") == "catalyst_new"
    assert held({("catalyst_age_days", 1): (120.0,)}, "downstream", "slow") is None
    assert held({("catalyst_age_days", 1): (41.0,)}, "downstream", "stuck") is None


@pytest.mark.parametrize("off", [15.0, -15.0])
def test_a_wrong_air_mass_may_hold_the_downstream_sensor_on_one_side(off: float) -> None:
    # Common practice: the mixture is off, and the sensor behind the catalyst shows it.
    for mode, fact in (("stuck", "maf_reads_off"), ("biased", "maf_reads_off"), ("slow", None), ("heater", None)):
        assert held({("maf_off_pct", 1): (off,)}, "downstream", mode) == fact, mode
    assert held({("maf_off_pct", 1): (off / 2,)}, "downstream", "stuck") is None


def test_a_catalyst_code_that_nothing_else_bears_out_waits() -> None:
    # Common practice, decision table: behind a catalyst without storage the sensor repeats the upstream one.
    still = {("rear_activity_v", 1): (0.05, 0.0)}
    assert held(still, "catalyst", "", ("catalyst",)) == "catalyst_code_alone"
    assert held(still, "catalyst", "") is None
    assert held({("rear_activity_v", 1): (0.15, 0.1)}, "catalyst", "", ("catalyst",)) is None
    assert held(still | {("catalyst_margin", 1): (-0.3,)}, "catalyst", "", ("catalyst",)) is None
    assert held(still | {("catalyst_margin", 1): (0.3,)}, "catalyst", "", ("catalyst",)) == "catalyst_code_alone"


def test_a_catalyst_that_stores_as_its_peers_do_waits_whatever_its_code_says() -> None:
    # Oxygen balance (domain reference): what a catalyst no longer stores shows in the time until the sensor behind it is rich
    # again after fuel cuts, and in even driving. Common practice: such a code is confirmed by the on-board test first.
    like_peers = {("rear_activity_v", 1): (0.16, 0.01, 0.04), ("recovery_s", 1): (5.4, 0.1, 0.3)}
    assert held(like_peers, "catalyst", "", ("catalyst",)) == "catalyst_code_alone"
    assert held(like_peers, "catalyst", "") is None
    assert held(like_peers | {("catalyst_margin", 1): (-0.3,)}, "catalyst", "", ("catalyst",)) is None
    for other in (
        {("rear_activity_v", 1): (0.16, 0.04, 0.04)}, {("rear_activity_v", 1): (0.16, 0.01, 0.06)},
        {("recovery_s", 1): (5.4, -4.5, -3.0)},
    ):
        assert held(like_peers | other, "catalyst", "", ("catalyst",)) is None
    assert held({("rear_activity_v", 1): (0.16, 0.01, 0.04)}, "catalyst", "", ("catalyst",)) is None  # no fuel cut seen
    assert held(like_peers, "catalyst", "storage", ("catalyst",), strength=0.5) is None  # something measured does bear it out


def test_a_downstream_sensor_that_only_a_code_names_waits_for_its_upstream_one() -> None:
    # Common practice, decision table: a wrong mixture holds the downstream sensor rich or lean, and its monitor fails with it.
    both = ("upstream", "downstream")
    for role in ("circuit", "sensor", "heater"):
        assert held({}, "downstream", "", (role, "sensor"), both) == "front_before_rear_code"
        assert held({}, "downstream", "", (role,), "upstream") is None  # nothing speaks against it
        assert held({}, "downstream", "", (role,), "downstream") is None
    assert held({("downstream_margin", 1): (-0.2,)}, "downstream", "", ("circuit", "sensor"), both) is None
    assert held({}, "downstream", "slow", ("circuit", "sensor"), both) == "front_before_rear"
    # What is electrical of its own is no matter of the mixture.
    for role in ("circuit", "heater"):
        assert held({}, "downstream", "", ("circuit", role), both) is None


def test_air_behind_the_catalyst_is_not_a_lack_of_storage() -> None:
    # Domain reference, diagnostic order: an exhaust leak between the sensors before a catalyst. A catalyst without storage lets
    # the downstream sensor repeat the upstream one, both ways alike; a leak draws it lean.
    leaner = {("down_low_share", 1): (0.52, None, 0.31)}
    for levels in (leaner, {("down_low_share", 1): (0.42, 0.22, 0.1)}):
        assert held(levels, "catalyst", "storage", strength=0.9) == held(levels, "catalyst", "", ("catalyst",)) == "rear_drawn_lean"
        assert held(levels, "catalyst", "") is None  # nothing speaks of it
    both_ways = {("down_low_share", 1): (0.3, 0.1, 0.12)}
    assert held(both_ways, "catalyst", "storage", strength=0.9) is None


def test_an_upstream_sensor_is_not_off_while_the_downstream_trim_pulls_in_vain() -> None:
    # Common practice: where the upstream sensor reads rich, the trim of the downstream one sets the mixture right again.
    off, leaner = {("wide_offset", 1): (-0.033, -0.026)}, {("down_low_share", 1): (0.52, 0.22, 0.31)}
    right_again = {("down_low_share", 1): (0.2, 0.0, 0.0)}
    assert held(off | leaner, "upstream", "biased", strength=1.1) == "rear_pulls_rich"
    assert held(off | leaner, "upstream", "") is None  # nothing speaks against it
    assert held(off | right_again, "upstream", "biased", strength=1.1) is None
    assert held(off, "upstream", "biased", strength=1.1) is None
    assert held({("wide_offset", 1): (0.033, 0.03)} | leaner, "upstream", "biased", strength=1.1) is None


def test_a_downstream_sensor_that_lost_its_swing_tells_nothing_of_the_catalyst() -> None:
    # Common practice, order of blame: the downstream sensor before the catalyst.
    shrunk, whole = {("down_range_v", 1): (0.55, -0.28, -0.26)}, {("down_range_v", 1): (0.8, 0.0, -0.02)}
    assert held(shrunk, "catalyst", "", ("catalyst",)) == held(shrunk, "catalyst", "storage", strength=0.6) == "rear_shrunk"
    assert held(shrunk, "catalyst", "") is None
    assert held(whole, "catalyst", "storage", strength=0.6) is None


def test_a_cold_downstream_sensor_does_not_say_that_the_upstream_one_is_off() -> None:
    # Common practice: a cold sensor is slow and flat; circuit tests run only with no heater code (workshop manual, 2015).
    rear = {("down_range_v", 1): (0.48, -0.36)}
    assert held(rear, "upstream", "biased", ("heater",), "downstream", 0.6) == "rear_cold"
    assert held(rear, "upstream", "biased", strength=0.6) is None
    assert held(rear, "upstream", "slow", ("heater",), "downstream", 0.6) is None


def test_of_a_biased_upstream_and_a_cold_downstream_sensor_only_one_waits() -> None:
    # Common practice: the cold one first; both waiting for each other is no order.
    facts, holds, _ = read_blame(Settings())
    bank = pl.DataFrame({"unit_id": ["V1"], "bank": [1]}, schema_overrides={"bank": pl.Int32})
    nothing = {"unit_id": pl.String, "bank": pl.Int32}
    empty = pl.DataFrame(schema=nothing | {"indicator": pl.String, "level": pl.Float64, "change": pl.Float64, "apart": pl.Float64})
    codes = pl.DataFrame(schema=nothing | {"part": pl.String, "role": pl.String})
    told = (("upstream", "biased", 0.9), ("downstream", "slow", 1.0), ("downstream", "heater", 0.85))
    found = pl.concat([
        bank.with_columns(part=pl.lit(part), mode=pl.lit(mode), strength=pl.lit(strength)) for part, mode, strength in told
    ])
    truths = evaluate(bank, facts, empty, codes, found)
    held_by = hold_back(found.select("unit_id", "bank", "part", "mode").head(2), truths, holds)["held_by"]
    assert held_by.to_list() == ["rear_cold", None]


def test_half_an_upstream_sensor_is_enough_where_nothing_else_names_the_catalyst() -> None:
    # Common practice, order of blame: the sensor before the catalyst.
    facts, holds, _ = read_blame(Settings())
    bank = pl.DataFrame({"unit_id": ["V1"], "bank": [1]}, schema_overrides={"bank": pl.Int32})
    nothing = {"unit_id": pl.String, "bank": pl.Int32}
    empty = pl.DataFrame(schema=nothing | {"indicator": pl.String, "level": pl.Float64, "change": pl.Float64, "apart": pl.Float64})
    codes = pl.DataFrame([("V1", 1, "catalyst", "catalyst")], nothing | {"part": pl.String, "role": pl.String}, orient="row")
    for strength, named, by in ((0.45, False, "front_half_off"), (0.45, True, None), (0.3, False, None), (0.7, True, "front_sensor")):
        found = bank.with_columns(part=pl.lit("upstream"), mode=pl.lit("slow"), strength=pl.lit(strength))
        truths = evaluate(bank, facts, empty, codes if named else codes.clear(), found)
        part = bank.with_columns(part=pl.lit("catalyst"), mode=pl.lit("storage"))
        assert hold_back(part, truths, holds)["held_by"][0] == by, (strength, named)


def test_where_the_mixture_is_in_doubt_a_downstream_sensor_on_one_side_waits() -> None:
    # Domain reference, diagnostic order: lean and rich faults and leaks before a sensor; a wrong mixture holds it there.
    far, lean = {("trim_pct", 1): (15.0,)}, {("down_level_v", 1): (0.12,)}
    for mode in ("stuck", "biased"):
        assert held(far | lean, "downstream", mode) == "rear_by_mixture"
        assert held(lean, "downstream", mode, ("air",), "") == "rear_by_mixture"
        assert held(lean, "downstream", mode, ("purge",), "") is None  # a leaking canister is no lean mixture
        # A fuel cut is air whatever the mixture: what stays high in it is no matter of the mixture.
        high = far | {("down_level_v", 1): (0.9,)}
        assert held(high | {("down_range_v", 1): (0.5, 0.0)}, "downstream", mode) == "rear_by_mixture"
        assert held(high | {("down_range_v", 1): (0.02, -0.8)}, "downstream", mode) is None
        assert held(far | {("down_level_v", 1): (0.45,)}, "downstream", mode) is None  # open circuit: no mixture does that
        assert held(lean, "downstream", mode) is None
    assert held(far | lean, "downstream", "heater") is None


FLAT_HIGH = {("down_range_v", 1): (0.02, -0.4), ("down_level_v", 1): (0.86, 0.15)}


def test_a_downstream_sensor_that_no_longer_answers_fuel_cuts_is_dead_whatever_the_mixture() -> None:
    # Check value 6.1 of the domain reference: stuck high even in a fuel cut; a fuel cut must bring less than 0.2 V.
    mixed = FLAT_HIGH | {("trim_pct", 1): (9.0, 9.0), ("down_cut_moved_share", 1): (0.0, -1.0)}
    assert held(mixed, "downstream", "stuck") is None
    assert held(mixed, "upstream", "weak") == "rear_dead"
    # It still answers them, or never did: then the mixture that the trims tell of may hold it there.
    for moved in ((1.0, 0.0), (0.0, 0.0)):
        answers = mixed | {("down_cut_moved_share", 1): moved}
        assert held(answers, "downstream", "stuck") == "rear_held"


def test_a_downstream_sensor_that_stays_lean_in_enrichment_is_dead_whatever_the_mixture() -> None:
    # Check value 6.1 of the domain reference: stuck low (below 0.2 V) even after rich enrichment.
    low = {("down_range_v", 1): (0.02, -0.7), ("down_level_v", 1): (0.08, -0.6), ("trim_pct", 1): (-9.0, -9.0)}
    assert held(low, "downstream", "stuck") == "rear_held"
    assert held(low | {("down_enriched_low_share", 1): (1.0, 1.0)}, "downstream", "stuck") is None
    assert held(low | {("down_enriched_low_share", 1): (0.3, 0.3)}, "downstream", "stuck") == "rear_held"


def test_flat_and_lean_without_an_enrichment_is_lean_gas_or_a_dead_sensor() -> None:
    # Check value 6.1 of the domain reference: stuck low is below 0.2 V even after rich enrichment; "or truly lean".
    still = {("down_range_v", 1): (0.02, -0.7), ("down_level_v", 1): (0.08, -0.6)}
    low = still | {("trim_pct", 1): (-9.0, 0.0)}  # the control takes fuel away, as for a sensor that reads rich
    assert held(low, "downstream", "stuck") == "rear_in_lean_gas"
    assert held(still, "downstream", "stuck", ("sensor",), "upstream") == "rear_in_lean_gas"
    assert held(low, "upstream", "biased") == "rear_dead"  # nor is the other one called
    assert held(still, "downstream", "stuck") is None  # nothing speaks of a mixture that is off
    assert held(low | {("down_enriched_low_share", 1): (1.0, 1.0)}, "downstream", "stuck") is None
    assert held(low, "downstream", "stuck", ("circuit",), "downstream") is None
    assert held(low | {("downstream_margin", 1): (-0.1,)}, "downstream", "stuck") is None
    # Common practice: a cold sensor lies at the controller's 0.45 V; one that leaves it only when hot is alive, in a weak
    # enrichment too, and bears the code of the upstream one out. A short shows at once.
    wakes, short = {("down_active_at_s", 1): (38.0, 1.0)}, {("down_active_at_s", 1): (0.0, -30.0)}
    weak = {("down_enriched_low_share", 1): (1.0, 1.0)}
    assert held(still | wakes | weak, "downstream", "stuck") == "rear_in_lean_gas"
    assert held(still | short | weak, "downstream", "stuck") is None
    assert held(still | wakes, "downstream", "stuck", ("stuck",), "downstream") is None
    assert held(still | wakes, "upstream", "biased", ("sensor",), "upstream") is None
    assert held(still | short, "upstream", "biased", ("sensor",), "upstream") == "rear_dead"
    # One that used to wait and no longer does is shorted, though trims and codes speak of the mixture, too.
    fell = {("trim_pct", 1): (-13.0, -6.0), ("rich_bias_pct", 1): (12.0, 12.0)}
    shorted = still | fell | {("down_active_at_s", 1): (0.0, -25.0)}
    assert held(shorted, "downstream", "stuck") is None
    assert held(shorted, "upstream", "biased") == "rear_dead"
    assert held(still | fell | {("down_active_at_s", 1): (0.0, 0.0)}, "downstream", "stuck") == "rear_held"
    # The same on the rich side: a short to the supply stands at 0.88 V while the sensor is cold.
    high = FLAT_HIGH | {("trim_pct", 1): (9.0, 6.7), ("down_cut_moved_share", 1): (0.5, -0.5)}
    assert held(high, "downstream", "stuck") == "rear_held"
    assert held(high | {("down_active_at_s", 1): (0.0, -20.0)}, "downstream", "stuck") is None
    assert held(high | {("down_active_at_s", 1): (0.0, -20.0)}, "upstream", "", ("stuck",), "upstream") == "rear_dead"
    assert held(FLAT_HIGH | {("down_active_at_s", 1): (0.0, -20.0)}, "downstream", "stuck") is None
    assert held(FLAT_HIGH | {("down_active_at_s", 1): (0.0, 0.0)}, "downstream", "stuck") == "rear_rests_rich"
    # Where steady driving is too seldom logged for a level, the share of all warm readings stands for it.
    seldom = {("down_range_v", 1): (0.31, -0.26), ("down_low_share", 1): (0.95, 0.83)}
    assert held(seldom | wakes, "downstream", "stuck") == "rear_in_lean_gas"
    assert held(seldom, "downstream", "stuck") is None


def test_flat_and_rich_without_a_fuel_cut_is_a_good_catalyst_or_a_dead_sensor() -> None:
    # Common practice: flat alone is a good catalyst, flat in fuel cuts is a dead sensor.
    assert held(FLAT_HIGH, "downstream", "stuck") == "rear_rests_rich"
    assert held(FLAT_HIGH | {("down_cut_moved_share", 1): (0.0, 0.0)}, "downstream", "stuck") is None
    # One that moved over its whole range before has lost it; one that lies elsewhere does not rest.
    assert held(FLAT_HIGH | {("down_range_v", 1): (0.02, -0.7)}, "downstream", "stuck") is None
    assert held(FLAT_HIGH | {("down_level_v", 1): (0.45, 0.0)}, "downstream", "stuck") is None
    assert held(FLAT_HIGH, "downstream", "stuck", ("circuit",), "downstream") is None
    # A failed test counts where no codes are read that it would set.
    failed = FLAT_HIGH | {("downstream_margin", 1): (-0.1,)}
    assert held(failed, "downstream", "stuck") is None
    assert held(failed | {("codes_exported", 0): (1.0,)}, "downstream", "stuck") == "rear_rests_rich"


@pytest.mark.parametrize("name", ["up_low_share", "up_rich_share"])
def test_an_upstream_sensor_that_is_held_on_one_side_is_not_weak(name: str) -> None:
    # Common practice: the control brings a sensor that lost its top back to its switching point; only a mixture that is
    # off, or is wanted so by the downstream sensor, keeps it on one side.
    away = {(name, 1): (0.78, 0.5)}
    seen = away | {("down_range_v", 1): (0.7, 0.0)}
    assert held(seen, "upstream", "weak") is None
    assert held(away, "upstream", "weak") == "front_held_unseen"
    assert held(away | {("down_range_v", 1): (0.05, -0.2)}, "upstream", "weak") in ("rear_dead", "front_pulled")
    assert held(seen, "upstream", "weak", ("circuit",), "downstream") == "front_pulled"
    assert held(away, "upstream", "weak", ("sensor",), "upstream") is None
    # One that does not move, or stays rich in fuel cuts, is held by nothing but itself.
    pulled = away | {("down_range_v", 1): (0.13, -0.4)}
    assert held(pulled, "upstream", "biased", ("circuit",), "downstream") == "front_pulled"
    for still in ({("up_swing_v", 1): (0.05, -0.7)}, {("up_cut_floor_v", 1): (0.8, 0.7)}, {("up_stuck_share", 1): (0.9, 0.9)}):
        assert held(pulled | still, "upstream", "biased", ("circuit",), "downstream") is None


def test_a_value_that_stands_for_whole_trips_and_differs_between_them_is_the_export() -> None:
    # Common practice: a dead sensor or a broken wire shows one value in every trip.
    by_trip = {("up_activity_v", 1): (0.0,), ("up_swing_v", 1): (0.45,)}
    for mode in ("weak", "heater", "stuck"):
        assert held(by_trip, "upstream", mode) == "front_export_stands"
    assert held(by_trip | {("up_swing_v", 1): (0.0,)}, "upstream", "stuck") is None
    assert held(by_trip | {("up_activity_v", 1): (0.01,)}, "upstream", "stuck") is None
    assert held(by_trip, "upstream", "stuck", ("circuit",), "upstream") is None
    wide = {("wide_activity", 1): (0.0,), ("wide_idle_spread", 1): (0.004,)}
    assert held(wide, "upstream", "stuck") == "front_export_stands"
    # The spread about a target that moves says nothing of a sensor that does not.
    assert held(wide | {("wide_idle_spread", 1): (0.0,), ("wide_spread", 1): (0.02,)}, "upstream", "stuck") is None


def test_a_downstream_value_that_stands_for_whole_trips_and_differs_between_them_is_the_export() -> None:
    # Common practice, as for the upstream one: an open circuit lies at the controller's one voltage in every trip.
    by_trip = {("rear_activity_v", 1): (0.0,), ("down_range_v", 1): (0.11, -0.65), ("down_low_share", 1): (0.0,)}
    assert held(by_trip, "downstream", "stuck", strength=1.9) == "rear_export_stands"
    assert held(by_trip | {("down_range_v", 1): (0.0, -0.76)}, "downstream", "stuck", strength=1.9) != "rear_export_stands"
    assert held(by_trip | {("rear_activity_v", 1): (0.01,)}, "downstream", "stuck", strength=1.9) != "rear_export_stands"
    assert held(by_trip, "downstream", "stuck", ("circuit",), "downstream", 1.9) != "rear_export_stands"


def test_an_upstream_value_that_stands_while_the_trim_swings_is_the_export() -> None:
    # Common practice: the short trim swings between the switches of the upstream sensor; one that is dead ends the limit cycle.
    stands = {("up_activity_v", 1): (0.0,), ("up_swing_v", 1): (0.004, -0.68), ("stft_spread_pct", 1): (1.15, -0.06, -0.1)}
    for mode in ("weak", "heater", "stuck"):
        assert held(stands, "upstream", mode, strength=2.0) == "front_stands_alone"
    for trims in ((0.2, -1.0, -1.1), (5.4, 4.1, 4.0), (1.15, None, -0.1)):
        assert held(stands | {("stft_spread_pct", 1): trims}, "upstream", "weak", strength=2.0) != "front_stands_alone"
    assert held(stands | {("up_activity_v", 1): (0.01,)}, "upstream", "weak", strength=2.0) is None
    assert held(stands, "upstream", "weak", ("circuit",), "upstream", 2.0) is None


def test_a_downstream_sensor_is_not_stuck_for_cuts_that_were_none() -> None:
    # Common practice: hybrids and automatic gearboxes overrun without a fuel cut. Published: a good one moves more than 0.5 V.
    high = {("down_cut_floor_v", 1): (0.63, -0.01, 0.58), ("down_range_v", 1): (0.55, 0.05, 0.15), ("down_low_share", 1): (0.0,)}
    assert held(high, "downstream", "stuck", strength=1.1) == "rear_cuts_unproved"
    assert held(high | {("down_cut_floor_v", 1): (0.63, 0.5, 0.58)}, "downstream", "stuck", strength=1.1) is None
    for moves in ((0.12, 0.0, -0.5), (0.55, 0.0, -0.2)):
        assert held(high | {("down_range_v", 1): moves}, "downstream", "stuck", strength=1.1) != "rear_cuts_unproved"
    assert held(high | {("downstream_margin", 1): (-0.1,)}, "downstream", "stuck", strength=1.1) is None
    assert held(high, "downstream", "stuck", ("sensor",), "downstream", 1.1) is None


def test_a_sensor_that_always_swung_little_may_be_a_mean() -> None:
    # Mean over a part of a limit cycle (worked): the swing shrinks, the trim does not.
    little = {("up_swing_v", 1): (0.27, 0.0), ("up_p95_v", 1): (0.64, 0.0), ("stft_spread_pct", 1): (1.1, 0.0, -0.1)}
    assert held(little, "upstream", "weak", strength=1.4) == "front_averaged"
    assert held(little | {("up_swing_v", 1): (0.27, None)}, "upstream", "weak", strength=1.4) == "front_averaged"
    assert held(little | {("up_swing_v", 1): (0.27, -0.3)}, "upstream", "weak", strength=1.4) is None
    assert held(little | {("up_p95_v", 1): (0.8, 0.0)}, "upstream", "weak", strength=1.4) is None
    assert held(little, "upstream", "weak", ("sensor",), "upstream", 1.4) is None


def test_a_fall_that_always_took_so_long_is_no_slow_sensor() -> None:
    # Published rear test: 0.6 to 0.3 V within 2.0 s of the sensor itself. In driving the catalyst empties in between, so that a
    # sound sensor of one family takes 1 s and of another 5 s: only what grows is wear.
    always = {("down_fall_s", 1): (5.0, 0.4, 2.8)}
    assert held(always, "downstream", "slow", strength=1.0) == "rear_fall_as_ever"
    assert held(always, "downstream", "slow", ("slow",), "B1S2", 1.0) == "rear_fall_as_ever"
    assert held({("down_fall_s", 1): (5.0, None, 2.8)}, "downstream", "slow", strength=1.0) is None  # no past is known
    assert held({("down_fall_s", 1): (5.0, 1.2, 2.8)}, "downstream", "slow", strength=1.0) is None
    assert held(always, "downstream", "slow", strength=0.4) is None  # nobody would be called for it
    assert held(always | {("down_fall_dwell_s", 1): (6.0, 5.0)}, "downstream", "slow", strength=1.0) is None
    assert held({("down_fall_dwell_s", 1): (6.0, 5.0)}, "downstream", "slow", strength=1.0) is None  # no single fall was timed
    assert held(always, "downstream", "stuck", strength=1.0) is None


def test_two_sensors_that_become_late_at_once_are_the_gateway() -> None:
    # Common practice: a common cause before two parts. Four of the five seconds belong to neither sensor.
    late = {("wide_cut_delay_s", 1): (5.0, 4.0), ("recovery_s", 1): (7.0, 5.0)}
    assert held(late, "upstream", "slow", strength=1.0) == "all_later"
    assert held(late | {("recovery_s", 1): (2.2, 0.2)}, "upstream", "slow", strength=1.0) is None
    assert held(late, "upstream", "gain", strength=1.0) is None


def test_a_catalyst_waits_while_the_sensor_behind_it_is_as_lively_as_ever() -> None:
    # Common practice: a lost catalyst lets the swing of the upstream sensor through in even driving, not after cuts only.
    early = {("recovery_mean_s", 1): (4.6, -11.0, -2.8)}
    as_ever = early | {("rear_activity_v", 1): (0.094, -0.009, 0.018)}
    assert held(as_ever, "catalyst", "storage", strength=1.0) == "rear_no_livelier"
    for moves in ((0.20, 0.0, 0.0), (0.12, 0.04, 0.0), (0.12, 0.0, 0.06)):
        assert held(early | {("rear_activity_v", 1): moves}, "catalyst", "storage", strength=1.0) is None
    assert held(as_ever | {("catalyst_margin", 1): (-0.1,)}, "catalyst", "storage", strength=1.0) is None
    assert held(as_ever, "catalyst", "storage", ("catalyst",), "catalyst", 1.0) is None
    assert held(early, "catalyst", "storage", strength=1.0) is None  # nothing known of even driving


def test_no_mixture_makes_a_sensor_give_more_than_it_can() -> None:
    # Domain reference 4: zirconia gives about 0.9 V in rich gas; above 1.0 V it is the heater or the supply (P0132, P2231).
    rich = {("trim_pct", 1): (-20.0,)}
    assert held(rich | {("up_top_v", 1): (0.9,)}, "upstream", "stuck") == "trims_unexplained"
    assert held(rich | {("up_top_v", 1): (1.2,)}, "upstream", "stuck") is None
    # Nor does a catalyst: the downstream one is called though no fuel cut was seen, and though the mixture is in doubt.
    over = FLAT_HIGH | {("down_top_v", 1): (1.2,)}
    for doubt in ({}, {("trim_pct", 1): (9.0, 9.0)}, {("trim_pct", 1): (20.0, 20.0)}, {("lean_bias_pct", 1): (6.0,)}):
        assert held(over | doubt, "downstream", "stuck") is None
        assert held(FLAT_HIGH | doubt, "downstream", "stuck") is not None


def test_two_upstream_sensors_do_not_become_unsteady_at_once() -> None:
    # Common practice: what both banks share is a common cause.
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1", "V2", "V2"], "bank": [1, 2, 1, 2]}, schema_overrides={"bank": pl.Int32})
    nothing = {"unit_id": pl.String, "bank": pl.Int32}
    levels = pl.DataFrame(schema=nothing | {"indicator": pl.String, "level": pl.Float64, "change": pl.Float64, "apart": pl.Float64})
    codes = pl.DataFrame(schema=nothing | {"part": pl.String, "role": pl.String})
    for mode, by in (("erratic", "both_unsteady"), ("stuck", "both_unsteady"), ("slow", None)):
        found = banks.head(3).with_columns(part=pl.lit("upstream"), mode=pl.lit(mode), strength=1.2)
        parts = found.select(*banks.columns, "part", "mode")
        held_by = hold_back(parts, evaluate(banks, facts, levels, codes, found), holds)["held_by"]
        assert held_by.to_list() == [by, by, None], mode


@pytest.mark.parametrize("mode", ["slow", "weak"])
def test_means_of_a_switching_voltage_lie_between_and_accuse_no_sensor(mode: str) -> None:
    # Worked: over a whole limit cycle of 0.1 and 0.9 V the mean is 0.5 V. Common practice: a slow sensor makes the trim swing wider.
    since_ever = {("up_mid_share", 1): (0.96, 0.01, 0.8), ("stft_spread_pct", 1): (0.6, 0.0, -0.9)}
    assert held(since_ever, "upstream", mode, strength=1.5) == "front_averaged"
    assert held(since_ever | {("up_mid_share", 1): (0.96, None, 0.8)}, "upstream", mode, strength=1.5) == "front_averaged"
    assert held(since_ever | {("up_mid_share", 1): (0.7, 0.5, 0.5)}, "upstream", mode, strength=1.5) is None  # it became so
    assert held(since_ever | {("up_mid_share", 1): (0.4, 0.0, 0.2)}, "upstream", mode, strength=1.5) is None
    assert held(since_ever | {("stft_spread_pct", 1): (4.0, 0.0, 2.5)}, "upstream", mode, strength=1.5) is None
    assert held(since_ever | {("upstream_margin", 1): (-0.2,)}, "upstream", mode, strength=1.5) is None
    assert held(since_ever, "upstream", mode, ("sensor",), "upstream", 1.5) is None


@pytest.mark.parametrize(("part", "front"), [("upstream", "front"), ("downstream", "rear")])
def test_a_failed_test_that_sets_no_pending_code_and_that_nothing_bears_out_waits(part: str, front: str) -> None:
    # SAE J1979, services $06 and $07: a monitor that fails sets a pending code in the same driving cycle.
    failed = {(f"{part}_margin", 1): (-0.3,), ("codes_exported", 0): (1.0,)}
    assert held(failed, part, "") == f"{front}_test_alone"
    assert held(failed, part, "slow", strength=0.8) is None  # something measured bears it out
    assert held(failed, part, "", ("sensor",), part) is None  # a code does
    assert held({(f"{part}_margin", 1): (0.3,), ("codes_exported", 0): (1.0,)}, part, "") is None
    assert held({(f"{part}_margin", 1): (-0.3,), ("codes_exported", 0): (0.0,)}, part, "") is None  # nobody reads codes
    assert held({("catalyst_margin", 1): (-0.3,), ("codes_exported", 0): (1.0,)}, "catalyst", "") is None  # over several trips


def test_a_failed_test_that_lost_its_margin_step_by_step_is_borne_out() -> None:
    # SAE J1979, service $06: results near their limit for weeks are no result at the edge of it.
    failed = {("upstream_margin", 1): (-0.3,), ("codes_exported", 0): (1.0,)}
    assert held(failed | {("upstream_margin_gone", 1): (1.3,)}, "upstream", "") is None
    assert held(failed | {("upstream_margin_gone", 1): (0.3,)}, "upstream", "") == "front_test_alone"


def test_behind_the_catalyst_a_test_on_its_way_to_the_limit_needs_something_measured() -> None:
    # Common practice: a live downstream sensor answers fuel cuts; a catalyst that stores keeps the sensor behind it still.
    going = {("downstream_margin_gone", 1): (0.9,)}
    assert held(going, "downstream", "") == "rear_path_alone"
    assert held(going, "downstream", "slow", strength=0.5) is None
    assert held(going, "downstream", "slow", strength=0.3) == "rear_path_alone"
    assert held(going, "downstream", "", ("sensor",), "downstream") is None
    assert held({("downstream_margin_gone", 1): (0.4,)}, "downstream", "") is None
    still = {("catalyst_margin_gone", 1): (0.9,), ("rear_activity_v", 1): (0.05, 0.0)}
    assert held(still, "catalyst", "") == "catalyst_path_alone"
    # A finding after fuel cuts and the monitor's own results are two witnesses.
    assert held(still, "catalyst", "storage", strength=0.8) is None
    assert held({("rear_activity_v", 1): (0.05, 0.0)}, "catalyst", "storage", strength=0.8) == "storage_unconfirmed"
    no_livelier = {("rear_activity_v", 1): (0.12, 0.0, 0.0), ("recovery_s", 1): (1.0, -4.0, -4.0)}
    assert held(no_livelier, "catalyst", "storage", strength=0.8) == "rear_no_livelier"
    assert held(no_livelier | {("catalyst_margin_gone", 1): (0.9,)}, "catalyst", "storage", strength=0.8) is None
    assert held(still, "catalyst", "", ("catalyst",)) == "catalyst_code_alone"
    assert held(still | {("catalyst_margin", 1): (-0.3,)}, "catalyst", "") is None
    assert held({("catalyst_margin_gone", 1): (0.9,), ("rear_activity_v", 1): (0.15, 0.1)}, "catalyst", "") is None


def test_what_comes_before_a_sensor_comes_before_its_test_on_the_way_to_the_limit() -> None:
    # Common practice, order of blame: misfire and leaks before a sensor; a sensor before a catalyst.
    going = {("upstream_margin_gone", 1): (0.9,)}
    assert held(going, "upstream", "") is None
    assert held(going, "upstream", "", ("misfire",)) == "misfire_codes"
    assert held(going | {("misfire_average", 0): (60.0,)}, "upstream", "") == "misfire_counted"
    assert held(going, "upstream", "", ("leak",)) == "leak_codes_alone"
    for crept in (1.9, -1.9):  # a leak that grows with the test's results
        moved = going | {("trim_pct", 1): (3.0, crept)}
        assert held(moved, "upstream", "") == "mixture_before_test"
        assert held(moved, "upstream", "slow", strength=1.0) is None  # something measured bears it out
    assert held(going | {("trim_pct", 1): (3.0, 1.0)}, "upstream", "") is None
    assert held({("upstream_margin_gone", 1): (0.3,), ("trim_pct", 1): (3.0, 1.9)}, "upstream", "") is None


@pytest.mark.parametrize("sensor", ["upstream", "downstream"])
def test_a_sensor_whose_test_loses_margin_comes_before_a_catalyst(sensor: str) -> None:
    going = {(f"{sensor}_margin_gone", 1): (0.9,), ("catalyst_margin_gone", 1): (0.9,)}
    assert held(going, "catalyst", "") == held(going, "catalyst", "storage", strength=1.0) == "sensor_test_before_catalyst"
    assert held(going | {("catalyst_margin", 1): (-0.2,)}, "catalyst", "") is None  # its own test failed
    assert held({("catalyst_margin_gone", 1): (0.9,)}, "catalyst", "") is None
    assert held({("catalyst_margin_gone", 1): (0.9,), (f"{sensor}_margin_gone", 1): (0.4,)}, "catalyst", "") is None


def test_a_target_that_follows_the_other_bank_says_nothing_of_this_one() -> None:
    # SAE J1979, PID 44: one commanded equivalence ratio for the whole engine.
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1"], "bank": [1, 2]}, schema_overrides={"bank": pl.Int32})
    nothing = {"unit_id": pl.String, "bank": pl.Int32}
    off = banks.with_columns(
        indicator=pl.lit("wide_offset"), level=pl.Series([0.001, 0.023]), change=pl.lit(None, pl.Float64), apart=pl.lit(None, pl.Float64)
    )
    codes = pl.DataFrame(schema=nothing | {"part": pl.String, "role": pl.String})
    front = banks.tail(1).with_columns(part=pl.lit("upstream"), mode=pl.lit("biased"), strength=1.2)
    for bank in (1, 2):
        rear = banks.filter(pl.col("bank") == bank).with_columns(part=pl.lit("downstream"), mode=pl.lit("stuck"), strength=1.2)
        truths = evaluate(banks, facts, off, codes, pl.concat([front, rear]))
        held_by = hold_back(front.select("unit_id", "bank", "part", "mode"), truths, holds)["held_by"].item()
        assert (held_by == "target_of_another") == (bank == 1), held_by


def test_parts_of_two_banks_do_not_wait_for_each_other_in_a_ring() -> None:
    # The order of blame: something must be left to look at where all four sensors stand out.
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1"], "bank": [1, 2]}, schema_overrides={"bank": pl.Int32})
    nothing = {"unit_id": pl.String, "bank": pl.Int32}
    missing = pl.lit(None, pl.Float64)
    levels = pl.concat([
        banks.with_columns(indicator=pl.lit(name), level=pl.lit(level), change=missing, apart=missing)
        for name, level in (("wide_offset", 0.03), ("down_range_v", 0.2))
    ])
    codes = pl.DataFrame(schema=nothing | {"part": pl.String, "role": pl.String})
    found = pl.concat([
        banks.with_columns(part=pl.lit(part), mode=pl.lit(mode), strength=1.2)
        for part, mode in (("upstream", "biased"), ("downstream", "stuck"))
    ])
    held_by = hold_back(found.select(*banks.columns, "part", "mode"), evaluate(banks, facts, levels, codes, found), holds)["held_by"]
    assert held_by.to_list() == [None, None, "front_before_rear", "front_before_rear"]


def test_two_downstream_sensors_do_not_fail_at_once() -> None:
    # Common practice: what both banks share is a common cause.
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1", "V2", "V2"], "bank": [1, 2, 1, 2]}, schema_overrides={"bank": pl.Int32})
    floors = pl.DataFrame({
        "unit_id": ["V1", "V1", "V2", "V2"], "bank": [1, 2, 1, 2], "indicator": "down_cut_floor_v",
        "level": [0.5, 0.55, 0.5, 0.05], "change": None, "apart": None,
    }, schema_overrides={"bank": pl.Int32, "change": pl.Float64, "apart": pl.Float64})
    none = {"unit_id": pl.String, "bank": pl.Int32, "part": pl.String}
    truths = evaluate(banks, facts, floors, pl.DataFrame(schema=none | {"role": pl.String}),
                      pl.DataFrame(schema=none | {"mode": pl.String, "strength": pl.Float64}))
    parts = banks.with_columns(part=pl.lit("downstream"), mode=pl.lit("stuck"))
    assert hold_back(parts, truths, holds)["held_by"].to_list() == ["both_floors_high"] * 2 + [None] * 2


def short_trip(signals: dict[str, np.ndarray], day: int) -> dict[str, np.ndarray]:
    """Five minutes from a start with warm coolant, as a van on a round makes them, and a catalyst that lets all through."""
    off = np.arange(SECONDS) >= 300
    told = repeats_front(signals, day) | {"run_time_s": np.arange(SECONDS, dtype=float)}
    told["rpm"], told["maf_gs"] = np.where(off, 0.0, signals["rpm"]), np.where(off, 0.0, 0.4 * signals["maf_gs"])
    return told | {"catalyst_b1s1_degc": np.full(SECONDS, np.nan)}


def test_a_van_on_short_trips_is_not_judged_and_says_why(tmp_path: Path) -> None:
    # 5 g/s for 300 s is 1.5 kg of air, and light-off needs 1.6.
    found = verdict(tmp_path, short_trip)["CAT1"]
    assert found["status"] == "not_judged"
    assert found["reason"].startswith("never warm: the catalyst is hot in 0 % of the readings")


def test_a_catalyst_reported_cold_is_not_judged(tmp_path: Path) -> None:
    def cold(signals: dict[str, np.ndarray], day: int) -> dict[str, np.ndarray]:
        return repeats_front(signals, day) | {"catalyst_b1s1_degc": np.full(SECONDS, 250.0)}

    assert verdict(tmp_path / "cold", cold)["CAT1"]["status"] == "not_judged"
    hot = verdict(tmp_path / "hot", repeats_front)["CAT1"]
    assert (hot["status"], hot["mode"]) == ("judged", "storage")


@pytest.mark.parametrize("mode", ["weak", "slow", "biased"])
def test_a_misfire_comes_before_an_upstream_sensor_that_it_leads_astray(mode: str) -> None:
    # Domain reference, diagnostic order: misfire before a sensor; the unburned oxygen reads lean, so the rich side is lost.
    assert held({}, "upstream", mode, ("misfire",), "", 1.1) == "misfire_codes"
    assert held({("misfire_average", 1): (19.0,)}, "upstream", mode, strength=1.1) == "misfire_counted"  # reference, check value 39
    assert held({("misfire_average", 1): (4.0,)}, "upstream", mode, strength=1.1) is None
    assert held({}, "upstream", "heater", ("misfire",), "", 1.1) is None
    assert held({}, "upstream", mode, strength=1.1) is None


def test_a_downstream_sensor_that_reads_low_pulls_the_mixture_rich_and_the_upstream_one_with_it() -> None:
    # Common practice, decision table: an upstream sensor that reads rich makes the gas lean, and the downstream one falls.
    low = {("down_high_share", 1): (0.0, -0.3, -0.35)}
    rich = {("wide_offset", 1): (-0.019, -0.017)}
    for front in (rich, {("up_mean_v", 1): (0.69, 0.24)}):
        for mode in ("biased", "weak"):
            assert held(low | front, "upstream", mode, strength=1.1) == "rear_shifted_down"
            assert held(front, "upstream", mode, strength=1.1) is None
        assert held(low | front, "upstream", "slow", strength=1.1) is None
        # It is lean behind the catalyst: the upstream sensor is wrong, as its trims say, too.
        lean = {("down_low_share", 1): (0.55, 0.3, 0.35)}
        by = "rear_pulls_rich" if front is rich else None
        assert held(low | front | lean, "upstream", "biased", strength=1.1) == by
        assert held(low | front | {("trim_pct", 1): (-8.0, -6.0)}, "upstream", "biased", strength=1.1) is None
    assert held(low, "upstream", "biased", strength=1.1) is None
    # What the family has in common, or the part always had, is no change of the downstream sensor.
    assert held({("down_high_share", 1): (0.0, -0.3, 0.0)} | rich, "upstream", "biased", strength=1.1) is None
    assert held({("down_high_share", 1): (0.0, 0.0, -0.35)} | rich, "upstream", "biased", strength=1.1) is None


def test_a_downstream_sensor_that_stirs_more_than_it_did_bears_an_early_recovery_out() -> None:
    # Common practice: behind a catalyst that loses storage the downstream sensor begins to repeat the upstream one.
    assert held({("rear_activity_v", 1): (0.05, 0.005)}, "catalyst", "storage", strength=1.1) == "storage_unconfirmed"
    assert held({("rear_activity_v", 1): (0.07, 0.035)}, "catalyst", "storage", strength=1.1) is None


def test_a_heater_code_of_a_sensor_that_wakes_as_soon_as_ever_waits() -> None:
    # Common practice: without its heater the downstream sensor waits for the exhaust to warm it.
    soon = {("down_active_at_s", 1): (46.0, 2.0)}
    assert held(soon, "downstream", "", ("heater",), "downstream") == "rear_heater_contradicted"
    assert held(soon, "downstream", "") is None
    assert held({("down_active_at_s", 1): (80.0, 35.0)}, "downstream", "", ("heater",), "downstream") is None
    assert held({("down_active_at_s", 1): (150.0, 2.0)}, "downstream", "", ("heater",), "downstream") is None
    assert held(soon | {("downstream_margin", 1): (-0.1,)}, "downstream", "", ("heater",), "downstream") is None
    assert held({}, "downstream", "", ("heater",), "downstream") is None  # nobody saw a cold start


def test_means_that_lie_to_one_side_of_the_switch_point_are_means_all_the_same() -> None:
    # Worked: the mean of a limit cycle that is rich for two thirds of the time is 0.63 V, and no reading lies lower or higher.
    quiet = {("stft_spread_pct", 1): (0.3, 0.0, -1.4), ("up_mid_share", 1): (0.4, 0.0, 0.2)}
    means = quiet | {("up_p05_v", 1): (0.53, 0.0), ("up_p95_v", 1): (0.65, 0.0), ("up_swing_v", 1): (0.12, 0.0)}
    assert held(means, "upstream", "weak", strength=1.5) == "front_averaged"
    assert held(means | {("up_swing_v", 1): (0.12, -0.5)}, "upstream", "weak", strength=1.5) is None  # it lost its swing
    assert held(means | {("up_p95_v", 1): (0.8, 0.0)}, "upstream", "weak", strength=1.5) is None
    assert held(means | {("up_stuck_share", 1): (0.9,)}, "upstream", "weak", strength=1.5) is None


def test_an_upstream_sensor_that_is_rich_for_longer_while_the_trims_stand_is_held_there() -> None:
    # Common practice: the controller answers a sensor that drifts with its trims. Air at the downstream sensor makes its trim pull.
    longer, leaner = {("up_rich_share", 1): (0.86, 0.36)}, {("down_low_share", 1): (0.34, 0.21, 0.2)}
    assert held(longer | leaner, "upstream", "biased", strength=1.0) == "rear_pulls_rich"
    assert held(longer, "upstream", "biased", strength=1.0) is None
    assert held(leaner, "upstream", "biased", strength=1.0) is None
    assert held(longer | leaner | {("trim_pct", 1): (-4.0, -3.5)}, "upstream", "biased", strength=1.0) is None
    all_lean = {("down_low_share", 1): (0.98, 0.6, 0.7)}  # the sensor is off, and what it makes of the mixture arrives behind
    assert held(longer | all_lean, "upstream", "biased", strength=1.0) is None


def test_a_failed_test_of_a_downstream_sensor_waits_for_something_near_its_limit() -> None:
    # SAE J1979: a monitor that fails in a driving cycle sets a pending code in it (service $07).
    failed = {("downstream_margin", 1): (-0.2,), ("codes_exported", 1): (1.0,)}
    assert held(failed, "downstream", "stuck", strength=0.5) == "rear_test_alone"
    assert held(failed, "downstream", "stuck", strength=0.9) is None
    assert held(failed, "downstream", "stuck", ("sensor",), "downstream", 0.5) is None
    assert held({("downstream_margin", 1): (-0.2,)}, "downstream", "stuck", strength=0.5) is None


def test_a_downstream_sensor_that_swings_while_the_catalyst_stores_as_ever_is_no_dead_catalyst() -> None:
    # Oxygen balance: lost storage shortens the recovery after a fuel cut; a mixture that swings wide, or air, does not.
    swings = {("rear_activity_v", 1): (0.38, 0.37)}
    for stored in ((5.1, -0.2), (8.0, 0.5)):
        assert held(swings | {("recovery_s", 1): stored}, "catalyst", "storage", strength=1.9) == "stores_as_ever"
    for lost in ((2.4, -3.4), (5.4, -7.2)):
        assert held(swings | {("recovery_s", 1): lost}, "catalyst", "storage", strength=1.9) is None
    # It has always swung so, or the monitor of the catalyst failed: that is another matter.
    assert held({("rear_activity_v", 1): (0.38, 0.0), ("recovery_s", 1): (5.1, -0.2)}, "catalyst", "storage", strength=1.9) is None
    failed = swings | {("recovery_s", 1): (5.1, -0.2), ("catalyst_margin", 1): (-0.2,)}
    assert held(failed, "catalyst", "storage", strength=1.9) is None


def test_where_only_the_swing_speaks_the_data_cannot_tell_a_catalyst_from_a_slow_sensor() -> None:
    # Common practice: the sensor before the catalyst; the recovery after fuel cuts or the variance of both would tell.
    swings = {("rear_activity_v", 1): (0.26, 0.2)}
    assert held(swings, "catalyst", "storage", strength=1.3) == "rear_swings_alone"
    assert held(swings | {("recovery_s", 1): (2.1, -4.0)}, "catalyst", "storage", strength=1.3) is None
    assert held(swings | {("rear_front_variance", 1): (0.6, 0.5)}, "catalyst", "storage", strength=1.3) is None
    assert held(swings, "catalyst", "storage", ("catalyst",), "catalyst", 1.3) is None
    assert held(swings | {("catalyst_margin", 1): (-0.2,)}, "catalyst", "storage", strength=1.3) is None


def test_no_catalyst_makes_more_of_what_comes_in() -> None:
    # Path length of the downstream signal over the upstream one: 1 without storage (domain reference).
    seen = {("rear_front_variance", 1): (1.8, 1.6), ("rear_activity_v", 1): (0.32, 0.3)}
    assert held(seen | {("rear_front_path", 1): (26.0, 25.9)}, "catalyst", "storage", strength=2.0) == "rear_outdoes_front"
    assert held(seen | {("rear_front_path", 1): (1.1, 1.0)}, "catalyst", "storage", strength=2.0) is None


def test_an_upstream_sensor_that_failed_its_test_comes_before_a_catalyst_that_passed() -> None:
    seen = {("rear_front_variance", 1): (0.6, 0.5), ("upstream_margin", 1): (-0.1,)}
    assert held(seen, "catalyst", "storage", strength=1.3) == "front_half_off"
    assert held(seen | {("catalyst_margin", 1): (-0.2,)}, "catalyst", "storage", strength=1.3) is None


def test_trims_of_two_banks_at_opposite_ends_are_connectors_the_wrong_way_round() -> None:
    # Each controller then corrects the mixture of the other bank, until both trims are at their ends (common practice).
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1", "V2", "V2"], "bank": [1, 2, 1, 2]}, schema_overrides={"bank": pl.Int32})
    trims = banks.with_columns(
        indicator=pl.lit("trim_pct"), level=pl.Series([47.0, -46.0, 47.0, -3.0]), change=pl.lit(None, pl.Float64),
        apart=pl.lit(None, pl.Float64),
    )
    codes = pl.DataFrame(schema={"unit_id": pl.String, "bank": pl.Int32, "part": pl.String, "role": pl.String})
    front = banks.with_columns(part=pl.lit("upstream"), mode=pl.lit("biased"), strength=1.5)
    by = hold_back(front.select(*banks.columns, "part", "mode"), evaluate(banks, facts, trims, codes, front), holds)["held_by"]
    assert by.to_list()[:2] == ["swapped", "swapped"] and "swapped" not in by.to_list()[2:]


def test_a_downstream_sensor_that_falls_in_fuel_cuts_is_not_stuck() -> None:
    # A published rear test asks for 0.6 V to 0.3 V in a fuel cut.
    falls = {("down_cut_floor_v", 1): (0.1,), ("down_cut_moved_share", 1): (1.0,), ("down_level_v", 1): (0.7,)}
    assert held(falls, "downstream", "stuck", strength=1.9) == "rear_answers_cuts"
    assert held(falls | {("down_cut_floor_v", 1): (0.6,)}, "downstream", "stuck", strength=1.9) is None
    assert held(falls | {("down_level_v", 1): (0.1,)}, "downstream", "stuck", strength=1.9) is None  # stuck low
    assert held(falls, "downstream", "slow", strength=1.9) is None


def test_a_code_of_a_slow_sensor_that_is_as_fast_as_ever_waits() -> None:
    # The dwell between 0.30 and 0.60 V and the swing of the trim grow with the response time (domain reference).
    fast = {("up_mid_share", 1): (0.17, 0.0, 0.01), ("stft_spread_pct", 1): (2.2, 0.0, 0.1)}
    assert held(fast, "upstream", "", ("sensor",), "upstream") == "front_code_alone"
    assert held(fast, "upstream", "") is None
    assert held({}, "upstream", "", ("sensor",), "upstream") is None  # a wide-range sensor has no such dwell
    for grew in (("up_mid_share", (0.23, 0.06, 0.05)), ("stft_spread_pct", (2.9, 0.7, 0.7)), ("upstream_margin", (-0.1,))):
        assert held(fast | {(grew[0], 1): grew[1]}, "upstream", "", ("sensor",), "upstream") is None, grew
    assert held(fast, "upstream", "", ("heater",), "upstream") is None


def test_trims_that_swing_wide_on_both_banks_at_once_are_no_two_slow_sensors() -> None:
    # Common practice: a common cause before two parts; the dwell of a slow sensor would grow with it.
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1", "V2", "V2"], "bank": [1, 2, 1, 2]}, schema_overrides={"bank": pl.Int32})
    swings = banks.with_columns(
        indicator=pl.lit("stft_spread_pct"), level=pl.Series([4.5, 4.4, 4.5, 2.0]), change=pl.Series([2.5, 2.2, 2.5, 0.1]),
        apart=pl.lit(None, pl.Float64),
    )
    codes = pl.DataFrame(schema={"unit_id": pl.String, "bank": pl.Int32, "part": pl.String, "role": pl.String})
    front = banks.with_columns(part=pl.lit("upstream"), mode=pl.lit("slow"), strength=1.1)
    found = front.select(*banks.columns, "part", "mode")
    assert hold_back(found, evaluate(banks, facts, swings, codes, front), holds)["held_by"].to_list() == [
        "both_trims_swing", "both_trims_swing", None, None,
    ]
    grown = swings.with_columns(indicator=pl.lit("up_mid_share"), level=0.3, change=pl.lit(0.2))
    both = pl.concat([swings, grown])
    assert hold_back(found, evaluate(banks, facts, both, codes, front), holds)["held_by"].to_list() == [None] * 4


def test_a_circuit_code_of_a_sensor_that_moves_as_ever_points_at_its_plug() -> None:
    # Common practice: a low-voltage code with a sensor that switches is a contact that comes and goes, or air.
    for seen in (("up_mid_share", (0.17,)), ("wide_spread", (0.008,))):
        moves = {(seen[0], 1): seen[1]}
        assert held(moves, "upstream", "", ("circuit",), "upstream") == "front_circuit_alone"
        assert held(moves | {("upstream_margin", 1): (-0.1,)}, "upstream", "", ("circuit",), "upstream") is None
    assert held({}, "upstream", "", ("circuit",), "upstream") is None  # nobody saw it move
    assert held({("up_mid_share", 1): (0.9,)}, "upstream", "stuck", ("circuit",), "upstream", 1.2) is None


def test_two_heaters_do_not_fail_at_once() -> None:
    # Common practice: they share a fuse.
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1", "V2", "V2"], "bank": [1, 2, 1, 2]}, schema_overrides={"bank": pl.Int32})
    late = banks.with_columns(part=pl.lit("upstream"), mode=pl.lit("heater"), strength=pl.Series([1.2, 0.7, 1.2, 0.1]))
    levels = pl.DataFrame(schema={
        "unit_id": pl.String, "bank": pl.Int32, "indicator": pl.String, "level": pl.Float64, "change": pl.Float64, "apart": pl.Float64,
    })
    parts = late.select(*banks.columns, "part", "mode")
    # With a code the other bank is not held either: the words say that no heater code is set.
    coded = [[("V1", bank, "upstream", "heater")] for bank in (1, 2)]
    for codes, by_both in (([], "both_wake_late"), (coded[0], None), (coded[1], None), ([("V1", 1, "downstream", "heater")], "both_wake_late")):
        active = pl.DataFrame(codes, schema={"unit_id": pl.String, "bank": pl.Int32, "part": pl.String, "role": pl.String}, orient="row")
        by = hold_back(parts, evaluate(banks, facts, levels, active, late), holds)["held_by"].to_list()
        assert by == [by_both, by_both, None, None], codes


def test_heater_codes_of_two_sensors_point_at_what_they_share() -> None:
    # Common practice: the heaters share fuse and relay; one code is a heater, two at once are their supply.
    one, two = ("heater",), ("heater", "heater")
    for part in ("upstream", "downstream"):
        for mode in ("heater", ""):
            assert held({}, part, mode, two, ("upstream", "downstream"), 1.2) == "several_heaters"
            assert held({}, part, mode, one, part, 1.2) != "several_heaters"
        assert held({}, part, "slow", two, ("upstream", "downstream"), 1.2) != "several_heaters"
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1", "V1"], "bank": [1, 2]}, schema_overrides={"bank": pl.Int32})
    levels = pl.DataFrame(schema={
        "unit_id": pl.String, "bank": pl.Int32, "indicator": pl.String, "level": pl.Float64, "change": pl.Float64, "apart": pl.Float64,
    })
    names = {"unit_id": pl.String, "bank": pl.Int32, "part": pl.String, "role": pl.String}
    rear = banks.with_columns(part=pl.lit("downstream"), mode=pl.lit("heater"))
    found = rear.with_columns(strength=pl.Series([1.2, 0.0]))
    for coded, expected in (([1, 2], ["several_heaters"] * 2), ([1], [None, None])):
        codes = pl.DataFrame([("V1", bank, "downstream", "heater") for bank in coded], names, orient="row")
        assert hold_back(rear, evaluate(banks, facts, levels, codes, found), holds)["held_by"].to_list() == expected
    # Both sensors of a bank that wake late at once, without any code.
    late = pl.concat([found.head(1), found.head(1).with_columns(part=pl.lit("upstream"))])
    none = pl.DataFrame(schema=names)
    assert hold_back(rear, evaluate(banks, facts, levels, none, late), holds)["held_by"].to_list() == ["several_heaters", None]


def test_a_voltage_between_in_a_depot_whose_gateways_report_means_is_no_sensor() -> None:
    # Worked: the mean of a limit cycle between 0.1 and 0.9 V lies between; that of a whole depot is no wear.
    between = {("up_mid_share", 1): (0.98, 0.02), ("up_swing_v", 1): (0.08, -0.03), ("up_stuck_share", 1): (0.4,)}
    means = {("depot_between_share", 0): (0.9,)}
    for mode in ("stuck", "weak", "slow", "biased"):
        assert held(between | means, "upstream", mode) == "front_in_means"
        assert held(between | {("depot_between_share", 0): (0.2,)}, "upstream", mode) != "front_in_means"
    assert held({("up_mid_share", 1): (0.2,)} | means, "upstream", "slow") is None  # it swings: single readings
    assert held(between | means, "upstream", "stuck", ("sensor",), "upstream") is None  # its control unit says so
    assert held(between | means | {("upstream_margin", 1): (-0.2,)}, "upstream", "stuck") is None
    # Nor does what means make of it keep its downstream sensor and catalyst waiting, as a bad sensor does.
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1"], "bank": [1]}, schema_overrides={"bank": pl.Int32})
    columns = {"unit_id": pl.String, "bank": pl.Int32, "indicator": pl.String, **dict.fromkeys(("level", "change", "apart"), pl.Float64)}
    codes = pl.DataFrame(schema={"unit_id": pl.String, "bank": pl.Int32, "part": pl.String, "role": pl.String})
    behind = pl.DataFrame({"part": ["downstream", "catalyst"], "mode": ["weak", "storage"]})
    for mode, share, by in (
        ("weak", 0.9, [None, None]), ("weak", 0.2, ["front_before_rear", "front_sensor"]), ("erratic", 0.9, ["front_before_rear", "front_sensor"])
    ):
        rows = [("V1", bank, name, *(*told, None, None)[:3]) for (name, bank), told in (between | {("depot_between_share", 0): (share,)}).items()]
        found = banks.with_columns(part=pl.lit("upstream"), mode=pl.lit(mode), strength=pl.lit(1.2))
        truths = evaluate(banks, facts, pl.DataFrame(rows, columns, orient="row"), codes, found)
        assert hold_back(banks.join(behind, how="cross"), truths, holds)["held_by"].to_list() == by, (mode, share)


def test_trims_that_moved_while_the_downstream_sensor_stands_were_needed() -> None:
    # Common practice (upstream/downstream decision table): a sensor that reads lean makes the mixture rich, and the
    # downstream sensor shows it; a clogged injector that is trimmed away leaves that one where it was.
    off = {("lean_bias_pct", 1): (6.0, 8.5), ("trim_pct", 1): (7.1, 9.7)}
    assert held(off | {("down_level_v", 1): (0.755, 0.011, 0.11)}, "upstream", "biased") == "trims_moved_alone"
    assert held(off | {("down_level_v", 1): (0.755, 0.1, 0.11)}, "upstream", "biased") is None
    # No past, no trims that moved, or lambda off its target as well: nothing speaks for another cause.
    assert held(off | {("down_level_v", 1): (0.755,)}, "upstream", "biased") is None
    steady = {("lean_bias_pct", 1): (6.0, 0.5), ("trim_pct", 1): (7.1, 0.5), ("down_level_v", 1): (0.755, 0.011)}
    assert held(steady, "upstream", "biased") is None
    assert held(off | {("down_level_v", 1): (0.755, 0.011), ("wide_offset", 1): (0.03, 0.03)}, "upstream", "biased") is None


def test_what_lies_between_when_warm_cannot_be_seen_to_wake() -> None:
    # Common practice: a conventional sensor is active once it leaves 0.45 V.
    between = {("up_mid_share", 1): (0.92, 0.02), ("up_active_at_s", 1): (220.0, 160.0)}
    assert held(between, "upstream", "heater") == "front_wake_unclear"
    assert held(between, "upstream", "heater", ("heater",), "upstream") is None
    assert held(between | {("upstream_margin", 1): (-0.1,)}, "upstream", "heater") is None
    assert held({("up_mid_share", 1): (0.15, 0.02), ("up_active_at_s", 1): (220.0, 160.0)}, "upstream", "heater") is None
    # One that came to lie between may be cold: a heater that failed.
    assert held({("up_mid_share", 1): (0.92, 0.7), ("up_active_at_s", 1): (220.0, 160.0)}, "upstream", "heater") is None


def test_a_mean_that_wanders_is_no_sensor_that_grew_weak() -> None:
    # Mean of a limit cycle (worked): it lies between, and its swing is that of the noise.
    mean = {("stft_spread_pct", 1): (0.7, 0.05, -1.2), ("up_p05_v", 1): (0.39, 0.0), ("up_p95_v", 1): (0.52, -0.1)}
    shrank = mean | {("up_swing_v", 1): (0.12, -0.11)}
    assert held(shrank | {("up_mid_share", 1): (0.94, 0.05)}, "upstream", "slow") == "front_averaged"
    assert held(shrank | {("up_mid_share", 1): (0.91, 0.11)}, "upstream", "weak") == "front_averaged"
    # Where most readings lay between for good, the share wanders by more: 0.5 to 0.7 is the same gateway, 0.3 to 0.7 is not.
    wanders = shrank | {("up_p05_v", 1): (0.37, 0.02), ("up_p95_v", 1): (0.66, -0.03)}
    assert held(wanders | {("up_mid_share", 1): (0.71, 0.2)}, "upstream", "slow") == "front_averaged"
    assert held(wanders | {("up_mid_share", 1): (0.71, 0.35)}, "upstream", "slow") != "front_averaged"
    assert held(wanders | {("up_mid_share", 1): (0.71, 0.2)}, "upstream", "slow", ("sensor",), "upstream") != "front_averaged"
    assert held(shrank | {("up_mid_share", 1): (0.94,)}, "upstream", "slow") != "front_averaged"
    assert held(shrank | {("up_mid_share", 1): (0.94, 0.6)}, "upstream", "slow") != "front_averaged"


def test_a_mean_recovery_that_is_later_than_its_peers_is_air_and_no_lost_storage() -> None:
    # Oxygen balance of the storage (domain reference, recovery after a fuel cut): lost storage shortens it.
    swings = {("rear_activity_v", 1): (0.173, 0.0, 0.09), ("rear_front_variance", 1): (1.19,)}
    late = swings | {("recovery_mean_s", 1): (20.6, None, 16.2)}
    for roles in ((), ("catalyst",)):
        assert held(late, "catalyst", "storage", roles, "catalyst", 2.0) == "recovers_later"
    sooner = swings | {("recovery_mean_s", 1): (2.0, None, -2.4)}
    assert held(sooner, "catalyst", "storage", ("catalyst",), "catalyst", 2.0) is None


def test_a_sensor_that_came_back_to_life_is_not_told_against_its_dead_past() -> None:
    # Common practice: a new part has a past of its own, and so has one whose exchange nobody wrote down.
    alive = {("up_swing_v", 1): (0.74, 0.72), ("up_mid_share", 1): (0.28, 0.24)}
    assert held(alive, "upstream", "slow", strength=2.0) == "front_came_alive"
    assert held(alive | {("up_mid_share", 1): (0.6, 0.56)}, "upstream", "slow", strength=2.0) is None
    assert held(alive | {("upstream_margin", 1): (-0.1,)}, "upstream", "slow", strength=2.0) is None
    assert held(alive | {("up_swing_v", 1): (0.74, 0.02)}, "upstream", "slow", strength=2.0) is None


def test_a_slow_sensor_swings_about_the_target() -> None:
    # Domain reference 7 (limit cycle of a loop with delay): symmetric, its mean is the target.
    swings = {("wide_idle_spread", 1): (0.025, 0.016), ("wide_idle_offset", 1): (-0.025, -0.02)}
    assert held(swings, "upstream", "slow", strength=1.0) == "wide_idle_mixture"
    assert held(swings | {("wide_idle_offset", 1): (-0.005, 0.0)}, "upstream", "slow", strength=1.0) is None
    assert held(swings | {("wide_cut_delay_s", 1): (2.5, 2.2)}, "upstream", "slow", strength=1.0) is None
    assert held(swings | {("wide_spread", 1): (0.08, 0.05)}, "upstream", "slow", strength=1.0) is None
    assert held(swings, "upstream", "slow", ("sensor",), "upstream", 1.0) is None
    assert held(swings | {("upstream_margin", 1): (-0.1,)}, "upstream", "slow", strength=1.0) is None


LEAN = {("trim_pct", 1): (9.0,), ("down_level_v", 1): (0.30,)}
RICH = {("trim_pct", 1): (-9.0,), ("down_level_v", 1): (0.80,)}
FAR = {("trim_pct", 1): (13.0,), ("down_level_v", 1): (0.60,)}


@pytest.mark.parametrize(
    ("levels", "others", "by"),
    [(LEAN, (), "truly_lean"), (RICH, (), "truly_rich"), ({}, ("leak",), "leak_codes"), (FAR, (), "trims_unexplained")],
)
def test_what_no_mixture_can_do_to_a_sensor_does_not_wait_for_the_mixture(
    levels: dict[tuple[str, int], tuple[float, ...]], others: tuple[str, ...], by: str
) -> None:
    # Domain reference 3.3: heater and circuit codes are step 2, fuel trims step 6, an exhaust leak step 7. Heater, pump, reference
    # and common line are electrical; a low or high voltage (P0131, P0132) and no activity (P0134) may be the gas.
    def of_front(mode: str, *roles: str) -> str | None:
        return held(levels, "upstream", mode, (*others, *roles), ("",) * len(others) + ("upstream",) * len(roles), 1.2)

    assert of_front("heater", "heater") is None
    assert of_front("heater") is None
    for role in ("heater", "wiring"):
        assert of_front("", role) is None, role
    for role in ("circuit", "sensor", "stuck"):
        assert of_front("", role) == by + "_alone", role
    for mode in ("biased", "slow", "weak", "stuck", "erratic", "gain"):
        assert of_front(mode) == by, mode
        assert of_front(mode, "circuit") == by, mode
    assert held(levels, "catalyst", "storage", others, "", 1.2) == by
    # A catalyst waits all the same: for the mixture, and for the sensor ahead of it.
    named = ("",) * len(others) + ("catalyst",)
    assert held(levels, "catalyst", "", (*others, "catalyst"), named) == by + "_alone"
    assert held(levels, "catalyst", "", (*others, "catalyst", "heater"), (*named, "upstream")) == "front_sensor"


IDLE_LEAK = {("trim_idle_less_cruise_pct", 1): (10.0,), ("trim_idle_pct", 1): (11.0,)}
MOVED_LEAN = {("trim_idle_less_cruise_pct", 1): (3.4, 1.8)}
MOVED_RICH = {("trim_idle_less_cruise_pct", 1): (-3.4, -1.8)}
PUMP = {("trim_load_less_cruise_pct", 1): (3.0, 2.8)}
PURGE = {("trim_purge_shift_pct", 1): (9.0,)}


@pytest.mark.parametrize(
    ("levels", "by"),
    [(IDLE_LEAK, "idle_leak"), (MOVED_LEAN, "idle_off_lean"), (MOVED_RICH, "idle_off_rich"), (PUMP, "load_leaner"),
     (PURGE, "purge_moves")],
)  # fmt: skip
def test_a_code_that_air_or_fuel_in_some_cells_can_set_waits_as_a_measured_bias_does(
    levels: dict[tuple[str, int], tuple[float, ...]], by: str
) -> None:
    # Domain reference 3.2 and 3.3: an exhaust leak shows as P0131 and P2195; leaks, fuel and purge come before the sensor, the heater
    # and wiring of that sensor before them. The less is measured of a sensor, the less it is accused.
    assert held(levels, "upstream", "biased", strength=1.2) == by
    for role in ("stuck", "sensor", "circuit"):
        assert held(levels, "upstream", "", (role,), "upstream") == by + "_alone", role
        assert held({}, "upstream", "", (role,), "upstream") is None
    assert held(levels | {("upstream_margin", 1): (-0.2,)}, "upstream", "") == by + "_alone"
    for role in ("heater", "wiring"):
        assert held(levels, "upstream", "", (role,), "upstream") is None, role
        assert held(levels, "upstream", "", (role, "stuck"), "upstream") is None, role
    assert held(levels, "upstream", "") is None  # nothing names it: sound as far as anybody knows
    assert held(levels, "catalyst", "storage", strength=1.2) == by
    assert held(levels, "catalyst", "", ("catalyst",), "catalyst") == by + "_catalyst"
    assert held(levels | {("catalyst_margin", 1): (-0.2,)}, "catalyst", "") == by + "_catalyst"
    assert held({}, "catalyst", "", ("catalyst",), "catalyst") is None
    assert held(levels, "catalyst", "") is None


def test_a_misfire_comes_before_an_upstream_sensor_that_lies_still_and_lean() -> None:
    # Domain reference 3.3, step 5: unburned oxygen reads lean. 6.1: flat near 0.45 V is an open circuit, which no misfire makes, and
    # above 1.0 V (4.1) stands only what is shorted.
    lean = {("up_mean_v", 1): (0.08,), ("up_stuck_share", 1): (0.8,), ("lean_bias_pct", 1): (20.0,), ("trim_pct", 1): (20.0,),
            ("down_level_v", 1): (0.85,), ("down_range_v", 1): (0.5,)}  # fmt: skip
    counted = lean | {("misfire_average", 1): (19.0,)}
    for mode in ("biased", "stuck"):
        assert held(lean, "upstream", mode, ("misfire",), "", 1.2) is not None, mode
        assert held(counted, "upstream", mode, strength=1.2) is not None, mode
    assert held(lean, "upstream", "stuck", ("misfire",), "", 1.2) == held(counted, "upstream", "stuck", strength=1.2)
    assert held(lean, "upstream", "stuck", strength=1.2) is None
    assert held(lean | {("up_mean_v", 1): (0.45,)}, "upstream", "stuck", ("misfire",), "", 1.2) is None
    assert held(lean | {("up_mean_v", 1): (0.9,)}, "upstream", "stuck", ("misfire",), "", 1.2) is None
    assert held(lean | {("up_top_v", 1): (1.2,)}, "upstream", "stuck", ("misfire",), "", 1.2) is None


@pytest.mark.parametrize("role", ["air", "fuel_supply", "purge", "secondary_air"])
def test_no_slow_sensor_is_called_while_its_monitor_would_be_switched_off(role: str) -> None:
    # Published workshop manual, model year 2000: the slow-response test (P0133) runs with no code of air, fuel or purge set.
    swings = {("stft_spread_pct", 1): (4.2, 2.7)}
    assert held(swings, "upstream", "slow", (role,), "", 1.2) == "air_or_fuel_codes"
    assert held(swings, "upstream", "slow", strength=1.2) is None
    assert held(swings, "upstream", "heater", (role,), "", 1.2) is None


@pytest.mark.parametrize(
    ("code", "role"),
    [("P0030", "heater"), ("P0053", "heater"), ("P0135", "heater"), ("P2231", "wiring"), ("P2237", "wiring"), ("P2239", "wiring"),
     ("P2243", "wiring"), ("P2251", "wiring"), ("P2626", "wiring"), ("P0130", "circuit"), ("P0131", "circuit"),
     ("P0132", "circuit"), ("P0134", "sensor"), ("P2195", "stuck")],
)  # fmt: skip
def test_codes_that_a_mixture_cannot_set_are_told_from_those_it_can(code: str, role: str) -> None:
    # Domain reference 3.1 (SAE J2012-DA): heater, short to the heater, pump current, reference, common line, trim resistor.
    codes = read_codes(Settings())
    assert codes.filter(pl.col("code") == code)["role"].item() == role


def test_a_catalyst_waits_for_a_downstream_sensor_that_failed_its_on_board_test() -> None:
    # Domain reference 3.3, step 9: a lazy downstream sensor hides a dead catalyst, a leaking or oscillating one fakes it.
    failed = {("downstream_margin", 1): (-0.2,)}
    assert held(failed, "catalyst", "storage", strength=1.2) == "rear_test_before_catalyst"
    assert held({("downstream_margin", 1): (0.2,)}, "catalyst", "storage", strength=1.2) is None
    # The control unit judged the catalyst itself: its code or its failed test stands.
    assert held(failed, "catalyst", "storage", ("catalyst",), "catalyst", 1.2) is None
    assert held(failed | {("catalyst_margin", 1): (-0.2,)}, "catalyst", "storage", strength=1.2) is None
    assert held(failed, "upstream", "slow", strength=1.2) is None


def test_what_a_technician_is_told_of_forced_lean_and_of_a_new_catalyst() -> None:
    # Common practice: a leak ahead of the sensor draws air in and reads lean, so what stays high is no leak. Domain reference 4.1:
    # a signal shorted to the heater or to supply stands high. 4.3: the fall from 0.6 to 0.3 V must take no more than 2.0 s.
    check = next(check for check in read_card_facts(Settings()).checks if check.id == "lean_narrowband")
    high = next(words for words in check.expect if words.startswith("stays high"))
    assert "leak" not in high and "shorted to the heater or to supply" in high
    _, holds, _ = read_blame(Settings())
    test = next(hold.test for hold in holds if hold.fact == "catalyst_new")
    assert "from 0.6 to 0.3 V within 2.0 s" in test
