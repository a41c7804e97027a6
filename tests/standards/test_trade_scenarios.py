"""What the trade would say of plain cases, asked of the whole judging: indicator days and codes in, scores out.

The cases are common practice (upstream/downstream decision table and diagnostic order of oxygen-sensor and catalyst
work); the figures are those a technician would read off.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from models.words import action_words
from pipeline.assess import ISSUED, assess
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table

WEEK = date(2026, 3, 2)
WEEKS = 8
ARRIVED = datetime(2026, 11, 25, tzinfo=UTC)
PEERS = [f"P{number:02}" for number in range(10)]
LISTED = 0.3  # limits.toml [judge.list_probability]: the least probability of a row
# A narrowband vehicle in good order, as (component, indicator): value.
HEALTHY = {
    ("B1S1", "up_swing_v"): 0.74,
    ("B1S1", "up_p95_v"): 0.86,
    ("B1S1", "up_p05_v"): 0.12,
    ("B1S1", "up_mid_share"): 0.15,
    ("B1S1", "up_stuck_share"): 0.0,
    ("B1S1", "up_cut_floor_v"): 0.06,
    ("B1S1", "up_active_at_s"): 15.0,
    ("B1S1", "stft_spread_pct"): 1.5,
    ("B1S1", "wide_spread"): 0.03,
    ("B1S1", "wide_steady_spread"): 0.015,
    ("B1S2", "down_level_v"): 0.70,
    ("B1S2", "down_range_v"): 0.65,
    ("B1S2", "down_top_v"): 0.82,
    ("B1S2", "down_bias_share"): 0.02,
    ("B1S2", "down_low_share"): 0.08,
    ("B1S2", "down_cut_moved_share"): 1.0,
    ("B1S2", "down_cut_floor_v"): 0.08,
    ("B1S2", "down_active_at_s"): 30.0,
    ("CAT1", "sample_step_s"): 1.0,
    ("CAT1", "rear_activity_v"): 0.01,
    ("CAT1", "rear_front_variance"): 0.02,
    ("CAT1", "recovery_s"): 11.0,
    ("BANK1", "trim_pct"): 2.0,
    ("BANK1", "trim_idle_pct"): 2.0,
    ("BANK1", "trim_load_pct"): 2.0,
    ("BANK1", "closed_loop_at_s"): 30.0,
    ("BANK1", "never_closed_share"): 0.0,
    ("UNIT", "warm_coolant_degc"): 90.0,
    ("UNIT", "supply_v"): 14.1,
    ("UNIT", "frozen_share"): 0.0,
}


def scores(
    folder: Path,
    changed: dict[tuple[str, str], float | None],
    codes: tuple[str, ...] = (),
    kind: str = "narrowband",
    orders: tuple[tuple[str, str, date], ...] = (),
    tests: tuple[tuple[int, int, int, int, int], ...] = (),
    mended: bool = False,
    always: bool = False,
    lamp: tuple[tuple[date, float], ...] = (),
    read: tuple[tuple[date, str, str], ...] = (),
    zone: str = "UTC",
    hour: int = 9,
) -> dict[str, dict]:
    """Component -> score of a vehicle that differs from its ten peers by ``changed`` in the newest three weeks.

    None stands for an indicator that is not measured. ``orders`` are component, action and day, ``tests`` on-board tests
    as monitor, test, raw value, lower and upper limit in steps of 1. ``mended``: two days after the newest of them it is as its peers.
    ``always``: it has differed in every week. ``lamp``: days on which the lamp was read, 1 where it was on.
    ``read``: codes as day, code and state, beside the confirmed ones of ``codes``, all at ``hour`` of UTC. ``zone`` is the
    fleet's.
    """
    lake = Lake(str(folder / "lake"))
    days = []
    for unit in [*PEERS, "X"]:
        for week in range(WEEKS):
            values = dict(HEALTHY)
            if unit == "X" and (always or week >= WEEKS - 3):
                values |= changed
            day = WEEK - timedelta(days=7 * (WEEKS - week) - 2)
            seen = {day: values} | ({day + timedelta(days=2): HEALTHY} if mended and week == WEEKS - 1 else {})
            days += [
                {"unit_id": unit, "component": component, "day": day, "indicator": indicator, "value": value}
                for day, values in seen.items() for (component, indicator), value in values.items()
            ]
    days += [
        {"unit_id": "X", "component": "UNIT", "day": day, "indicator": "mil_on", "value": value} for day, value in lamp
    ]
    frame = pl.DataFrame(days).filter(pl.col("value").is_not_null()).with_columns(
        bucket=0, month=pl.col("day").dt.strftime("%Y-%m"), samples=500, arrived_at=pl.lit(ARRIVED)
    )
    lake.append("indicator_days", frame.select(*table("indicator_days").columns))
    register = pl.DataFrame(
        {"unit_id": [*PEERS, "X"], "engine_family": "E1", "fuel": "petrol", "banks": 1, "upstream_sensor": kind}
    )
    lake.append("register", _filled("register", register))
    reported = [*((date(2026, 2, 20), code, "confirmed") for code in codes), *read]
    if reported:
        rows = pl.DataFrame([
            {"unit_id": "X", "ts": datetime(day.year, day.month, day.day, hour, tzinfo=UTC), "code": code, "state": state}
            for day, code, state in reported
        ])
        lake.append("codes", _filled("codes", rows))
    if orders:
        names = ["component", "action", "closed_on"]
        told = pl.DataFrame(list(orders), names, orient="row").with_columns(
            unit_id=pl.lit("X"), order_id="component", finding=pl.lit("unknown")
        )
        lake.append("work_orders", _filled("work_orders", told))
    if tests:
        raw = pl.DataFrame(list(tests), ["obdmid", "tid", "value_raw", "min_raw", "max_raw"], orient="row")
        same = {name: pl.col(f"{name}_raw").cast(pl.Float64) for name in ("value", "min", "max")}
        seen = pl.lit(datetime(2026, 2, 20, 9, tzinfo=UTC))
        told = raw.with_columns(unit_id=pl.lit("X"), ts=seen, uasid=0x01, has_run=pl.lit(True), **same)
        lake.append("onboard_tests", table("onboard_tests").conform(_filled("onboard_tests", told)))
    assess(Settings(lake=str(lake.root), time_zone=zone), lake, WEEK, ISSUED)
    made = lake.read("scores").filter(pl.col("unit_id") == "X")
    return {row["component"]: row for row in made.iter_rows(named=True)}


def _filled(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    provenance = {"export_id": pl.lit("e"), "line": pl.lit(1), "arrived_at": pl.lit(ARRIVED)}
    empty = {column: pl.lit(None) for column in table(name).columns if column not in frame.columns}
    return frame.with_columns(**(empty | provenance)).select(*table(name).columns)


def test_flat_downstream_that_moves_in_fuel_cuts_is_healthy(tmp_path: Path) -> None:
    # Rear 0.70 V flat in 20 min of cruise, down to 0.08 V within 3 s in five cuts: no alarm.
    made = scores(tmp_path, {})
    assert {row["status"] for row in made.values()} == {"judged"}
    assert max(row["probability"] for row in made.values()) < 0.05
    assert {row["mode"] for row in made.values()} == {""}


FAILING_CATALYST = {
    ("CAT1", "rear_front_variance"): 0.85,
    ("CAT1", "rear_activity_v"): 0.28,
    ("CAT1", "recovery_s"): 1.5,
}


def test_downstream_that_mirrors_upstream_for_three_weeks_makes_the_catalyst_suspect(tmp_path: Path) -> None:
    # Rear/front variance ratio 0.85, trims +2 %, no leak or misfire codes, three weeks.
    made = scores(tmp_path, FAILING_CATALYST)
    assert (made["CAT1"]["status"], made["CAT1"]["mode"]) == ("judged", "storage")
    assert made["CAT1"]["probability"] > 0.5
    assert "downstream sensor and its wiring" in made["CAT1"]["rule_out_first"]


@pytest.mark.parametrize(
    ("codes", "changed", "because"),
    [
        (("P0301",), {}, "misfire codes"),
        (("P0171",), {}, "trims"),
        (("P0562",), {}, "supply"),
        (("P0128",), {}, "thermostat"),
        (("P0133",), {}, "upstream sensor"),
        (("P0141",), {}, "downstream sensor"),
        ((), {("BANK1", "trim_idle_pct"): 17.0}, "trims"),
        ((), {("UNIT", "warm_coolant_degc"): 68.0}, "thermostat"),
        ((), {("UNIT", "supply_v"): 11.6}, "supply"),
        ((), {("UNIT", "frozen_share"): 0.4}, "gateway"),
        ((), {("B1S1", "stft_spread_pct"): 8.0, ("B1S1", "up_mid_share"): 0.6}, "upstream sensor"),
        ((), {("B1S2", "down_cut_moved_share"): 0.0, ("B1S2", "down_cut_floor_v"): 0.5}, "downstream sensor"),
    ],
)
def test_catalyst_is_held_while_something_before_it_explains_the_same(
    tmp_path: Path, codes: tuple[str, ...], changed: dict, because: str
) -> None:
    made = scores(tmp_path, FAILING_CATALYST | changed, codes=codes)["CAT1"]
    assert made["status"] == "held"
    assert because in made["reason"]
    assert made["probability"] < 0.15


def test_frozen_words_are_not_health(tmp_path: Path) -> None:
    # Identical raw words while the load moves: a stale signal, neither healthy nor sick.
    made = scores(tmp_path, {("UNIT", "frozen_share"): 0.5, ("B1S1", "up_stuck_share"): 0.5})
    assert {row["status"] for row in made.values()} == {"held"}
    assert all("gateway" in row["reason"] for row in made.values())


def test_trims_far_from_zero_hold_a_flat_upstream_sensor(tmp_path: Path) -> None:
    made = scores(tmp_path, {("B1S1", "up_stuck_share"): 0.9, ("BANK1", "trim_pct"): 18.0}, codes=("P0171",))
    assert made["B1S1"]["status"] == "held"
    assert "vacuum leak" in made["B1S1"]["rule_out_first"]


def test_trims_that_the_downstream_sensor_contradicts_point_at_the_upstream_sensor(tmp_path: Path) -> None:
    # Upstream lean, trims add fuel, rear rich: the upstream sensor reads lean, the mixture does not.
    made = scores(tmp_path, {("BANK1", "trim_pct"): 9.0, ("B1S2", "down_level_v"): 0.86})
    assert (made["B1S1"]["status"], made["B1S1"]["mode"]) == ("judged", "biased")
    assert made["B1S1"]["probability"] > 0.3
    made = scores(tmp_path / "lean", {("BANK1", "trim_pct"): 9.0, ("B1S2", "down_level_v"): 0.2})
    assert made["B1S1"]["status"] == "held"
    assert "the mixture is lean" in made["B1S1"]["reason"]


def test_wide_range_sensor_at_exactly_one_is_suspect_and_its_flat_target_is_not(tmp_path: Path) -> None:
    wide = {("B1S1", "wide_exact_share"): 0.98, ("B1S1", "wide_stuck_share"): 1.0}
    made = scores(tmp_path, wide, kind="wide_range")["B1S1"]
    assert (made["status"], made["mode"]) == ("judged", "stuck")
    assert made["probability"] > 0.5


def test_never_reaching_closed_loop_points_at_heater_or_thermostat_before_a_signal_fault(tmp_path: Path) -> None:
    open_loop = {("BANK1", "never_closed_share"): 0.9, ("BANK1", "closed_loop_at_s"): 900.0}
    flat = {("B1S1", "up_stuck_share"): 0.9}
    made = scores(tmp_path, open_loop | flat)["B1S1"]
    assert made["status"] == "held"
    assert "heater" in made["rule_out_first"] and "thermostat" in made["rule_out_first"]
    # The heater itself is what it points at, so that finding goes through.
    made = scores(tmp_path / "heater", open_loop | {("B1S1", "up_active_at_s"): 300.0})["B1S1"]
    assert (made["status"], made["mode"]) == ("judged", "heater")


def test_a_flat_signal_with_its_circuit_code_sends_to_the_wiring_first(tmp_path: Path) -> None:
    # Decision table: near 0.45 V and flat is an open circuit, a cold sensor or a lost earth.
    flat = {("B1S1", "up_swing_v"): 0.015, ("B1S1", "up_p95_v"): 0.45, ("B1S1", "up_p05_v"): 0.435, ("B1S1", "up_stuck_share"): None}
    made = scores(tmp_path, flat, codes=("P0130",))["B1S1"]
    assert (made["status"], made["mode"], made["points_at"]) == ("judged", "weak", "open or shorted signal circuit")
    assert action_words("B1S1", made["mode"], made["inspect_as"]).startswith("Inspect connector and wiring of the upstream sensor")
    # The code takes no hold off: a weak signal waits for the misfire, and nothing is said of a wire.
    made = scores(tmp_path / "misfire", flat, codes=("P0130", "P0301"))["B1S1"]
    assert made["status"] == "held" and "misfire" in made["reason"] and made["inspect_as"] is None


def test_missing_signals_are_not_judged_and_name_the_signal(tmp_path: Path) -> None:
    rear = [key for key in HEALTHY if key[0] in ("B1S2", "CAT1")]
    made = scores(tmp_path, dict.fromkeys(rear))
    assert made["B1S2"]["status"] == made["CAT1"]["status"] == "not_judged"
    assert "PID 15" in made["B1S2"]["reason"]
    assert made["B1S2"]["probability"] is None
    assert made["B1S1"]["status"] == "judged"


@pytest.mark.parametrize(
    ("action", "day", "held"),
    [
        ("replaced", date(2026, 2, 10), True),
        ("replaced", date(2025, 11, 1), False),  # more than 90 days ago: a part may wear out
        ("repaired", date(2026, 2, 10), False),  # a repair that did not help says nothing of the part
    ],
)
def test_a_code_that_is_back_soon_after_the_exchange_is_not_answered_by_another_part(
    tmp_path: Path, action: str, day: date, held: bool
) -> None:
    # Common practice: a repair counts as right where its code stays away for 90 days.
    slow = {("B1S1", "up_mid_share"): 0.32}  # a code that nothing measured bears out waits anyway
    made = scores(tmp_path, slow, ("P0133",), orders=(("B1S1", action, day),))["B1S1"]
    assert ("and a code names it again" in made["reason"]) == held
    assert (made["status"] == "held") == held


def test_constants_among_the_on_board_tests_say_nothing(tmp_path: Path) -> None:
    # SAE J1979-DA: tests $01 to $04 of an oxygen-sensor monitor are its thresholds, sent as value and both limits alike.
    constants = tuple((0x01, tid, 0x0E69, 0x0E69, 0x0E69) for tid in (1, 2, 3, 4))
    assert scores(tmp_path / "a", {}, tests=constants)["B1S1"]["probability"] == pytest.approx(
        scores(tmp_path / "b", {})["B1S1"]["probability"]
    )


def test_what_an_on_board_test_has_left_is_said(tmp_path: Path) -> None:
    # Catalyst monitor $21, storage of 110 counts against a least of 100, then of 90 (SAE J1979-DA; pass is min <= value <= max).
    near = scores(tmp_path / "near", {}, tests=((0x21, 0x80, 110, 100, 65535),))["CAT1"]
    failed = scores(tmp_path / "failed", {}, tests=((0x21, 0x80, 90, 100, 65535),))["CAT1"]
    well = scores(tmp_path / "well", {}, tests=((0x21, 0x80, 300, 100, 65535),))["CAT1"]
    assert "on-board test 10 % from its limit" in near["why"]
    assert "on-board test failed" in failed["why"]
    assert "on-board test" not in well["why"]
    assert well["probability"] < near["probability"] < failed["probability"]


def test_a_failed_test_of_a_sensor_alone_waits_where_codes_are_read(tmp_path: Path) -> None:
    # SAE J1979, services $06 and $07: a monitor that fails sets a pending code in the same driving cycle.
    failed = ((0x01, 0x80, 90, 100, 65535),)
    unread = scores(tmp_path / "unread", {}, tests=failed)["B1S1"]
    assert unread["status"] == "judged" and "on-board test failed" in unread["why"]
    read = scores(tmp_path / "read", {}, codes=("P0500",), tests=failed)["B1S1"]  # a code, and of no sensor
    assert read["status"] == "held" and "neither a pending code nor anything measured" in read["reason"]
    named = scores(tmp_path / "named", {}, codes=("P0133",), tests=failed)["B1S1"]
    assert named["status"] == "judged" and named["probability"] > unread["probability"]


def test_behind_a_catalyst_just_exchanged_a_late_fall_does_not_accuse_the_sensor(tmp_path: Path) -> None:
    # Oxygen balance (domain reference): what a new catalyst takes up does not reach the sensor behind it.
    late = {("B1S2", "down_fall_s"): 8.0}
    assert scores(tmp_path / "old", late)["B1S2"]["status"] == "judged"
    exchanged = (("CAT1", "replaced", WEEK - timedelta(days=40)),)
    made = scores(tmp_path / "new", late, orders=exchanged)["B1S2"]
    assert made["status"] == "held" and "catalyst of the bank was exchanged" in made["reason"]


def test_a_part_mended_without_a_word_is_not_called_for_the_weeks_before(tmp_path: Path) -> None:
    # Work orders come days after the work, or never (common practice); a code that stands is another matter.
    dead = {("B1S2", "down_bias_share"): 0.95, ("B1S2", "down_range_v"): 0.1, ("B1S2", "down_cut_moved_share"): 0.0,
            ("B1S2", "down_cut_floor_v"): 0.45, ("B1S2", "down_active_at_s"): 900.0}
    bad = scores(tmp_path / "bad", dead)["B1S2"]
    assert bad["status"] == "judged" and bad["probability"] > 0.5
    well = scores(tmp_path / "well", dead, mended=True)["B1S2"]
    assert well["status"] == "held" and "sound on 2026-02-27, the newest day" in well["reason"]
    assert well["probability"] < 0.3  # the list's least
    named = scores(tmp_path / "named", dead, codes=("P0140",), mended=True)["B1S2"]
    assert named["status"] == "judged" and named["probability"] > 0.5


def test_what_always_stood_where_it_stands_has_not_moved(tmp_path: Path) -> None:
    # A part on its way to failing moves; one that has always been so may be made so (common practice: compare with its own past).
    stirs = {("CAT1", "rear_activity_v"): 0.1}
    assert scores(tmp_path / "rose", stirs)["CAT1"]["unmoved"] is False
    assert scores(tmp_path / "always", stirs, always=True)["CAT1"]["unmoved"] is True
    assert scores(tmp_path / "code", stirs, ("P0420",), always=True)["CAT1"]["unmoved"] is False


def test_a_voltage_that_zirconia_cannot_give_is_the_sensor_or_its_wiring(tmp_path: Path) -> None:
    # Domain reference 4.1: above 1.0 V it is a leak from the heater or a short to the supply (P0132, P0138, P2231).
    for component, name, code in (("B1S1", "up_top_v", "P0132"), ("B1S2", "down_top_v", "P0138")):
        fine = scores(tmp_path / f"{component}_fine", {(component, name): 0.9})[component]
        assert fine["status"] == "judged" and fine["probability"] < 0.1
        over = scores(tmp_path / f"{component}_over", {(component, name): 1.2})[component]
        assert (over["status"], over["mode"]) == ("judged", "stuck") and over["probability"] > LISTED
        named = scores(tmp_path / f"{component}_named", {(component, name): 1.2}, (code,))[component]
        assert named["status"] == "judged" and named["probability"] > over["probability"]


def test_a_downstream_sensor_that_no_longer_reaches_rich_is_weak_unless_its_gas_is_lean(tmp_path: Path) -> None:
    # Domain reference, 3.3 and 4.1: rich gas gives 0.8 V and more; a published downstream test begins at 0.6 V. Lean gas and a
    # false mixture come before the sensor.
    sunk = {("B1S2", "down_top_v"): 0.57, ("B1S2", "down_level_v"): 0.53}
    weak = scores(tmp_path / "weak", sunk)["B1S2"]
    assert (weak["status"], weak["mode"]) == ("judged", "weak")
    assert weak["probability"] > scores(tmp_path / "little", {("B1S2", "down_top_v"): 0.74})["B1S2"]["probability"]
    made = scores(tmp_path / "made", sunk, always=True)["B1S2"]  # has always read so: a family or a wiring of its own
    assert made["probability"] < 0.1
    lean = {("B1S2", "down_top_v"): 0.2, ("B1S2", "down_level_v"): 0.08, ("B1S2", "down_low_share"): 0.97}
    gas = scores(tmp_path / "gas", lean, codes=("P0171",))["B1S2"]
    assert gas["status"] == "held"
    between = {("B1S2", "down_top_v"): 0.57, ("B1S2", "down_level_v"): 0.3}
    assert scores(tmp_path / "between", between)["B1S2"]["status"] == "held"
    unknown = scores(tmp_path / "unknown", between | {("B1S2", "down_active_at_s"): None})["B1S2"]
    assert unknown["status"] == "held" and "on the lean side in even driving" in unknown["reason"]


def test_a_catalyst_waits_for_lambda_that_grew_unsteady_in_even_driving_not_in_any(tmp_path: Path) -> None:
    # Common practice: the sensor before the catalyst. Forced dither is 1 to 3 % of lambda; traffic spreads it as much and more.
    traffic = FAILING_CATALYST | {("B1S1", "wide_spread"): 0.06}
    made = scores(tmp_path / "traffic", traffic, kind="wide_range")["CAT1"]
    assert "spreads more than it used to" not in made["reason"]
    unsteady = traffic | {("B1S1", "wide_steady_spread"): 0.05}
    made = scores(tmp_path / "unsteady", unsteady, kind="wide_range")["CAT1"]
    assert made["status"] == "held" and "spreads more than it used to" in made["reason"]


def test_a_limit_cycle_that_grew_is_a_slow_sensor_and_one_that_doubled_is_no_call(tmp_path: Path) -> None:
    # Domain reference 7: the amplitude of the short trim grows in proportion to the lag of the sensor.
    grown = scores(tmp_path / "grown", {("B1S1", "stft_spread_pct"): 4.2})["B1S1"]
    assert (grown["status"], grown["mode"]) == ("judged", "slow") and grown["probability"] > LISTED
    doubled = scores(tmp_path / "doubled", {("B1S1", "stft_spread_pct"): 3.0})["B1S1"]
    assert doubled["probability"] < LISTED
    # As far from its limit of every vehicle, but where it always stood.
    always = scores(tmp_path / "always", {("B1S1", "stft_spread_pct"): 4.2}, always=True)["B1S1"]
    assert always["probability"] < grown["probability"]


def test_a_code_whose_lamp_went_out_names_no_part_and_holds_none_back(tmp_path: Path) -> None:
    # 13 CCR 1968.2(d)(2): the lamp goes out after three driving cycles without the fault; the code stays for 40 warm-ups.
    lit = ((date(2026, 2, 20), 1.0), (date(2026, 2, 21), 1.0))
    out = tuple((date(2026, 2, day), 0.0) for day in (24, 26, 27))
    near = {("B1S1", "up_mid_share"): 0.28}
    stands = scores(tmp_path / "lit", near, ("P0133",), lamp=lit)["B1S1"]
    assert stands["status"] == "judged" and stands["probability"] > LISTED and "P0133" in stands["why"]
    gone = scores(tmp_path / "out", near, ("P0133",), lamp=lit + out)["B1S1"]
    assert gone["status"] == "judged" and gone["probability"] < LISTED and "P0133" not in gone["why"]
    assert gone == scores(tmp_path / "never", near, lamp=lit + out)["B1S1"]
    soon = scores(tmp_path / "soon", near, ("P0133",), lamp=lit + out[:2])["B1S1"]
    assert soon["probability"] == stands["probability"]
    held = scores(tmp_path / "misfire", FAILING_CATALYST, ("P0301",), lamp=lit)["CAT1"]
    told = scores(tmp_path / "passed", FAILING_CATALYST, ("P0301",), lamp=lit + out)["CAT1"]
    assert (held["status"], told["status"]) == ("held", "judged")


def test_a_code_stays_withdrawn_when_its_lit_days_are_older_than_a_list_looks_back(tmp_path: Path) -> None:
    # As above; a code that is only stored does not come back to life because time passes. A list looks back 26 weeks.
    near = {("B1S1", "up_mid_share"): 0.28}
    read = ((date(2025, 7, 1), "P0133", "confirmed"),)
    lit = tuple((date(2025, 7, day), 1.0) for day in (1, 2, 9))
    out = ((date(2025, 7, 14), 0.0), *((date(2026, 2, day), 0.0) for day in (24, 26, 27)))
    gone = scores(tmp_path / "out", near, read=read, lamp=lit + out)["B1S1"]
    assert gone["status"] == "judged" and gone["probability"] < LISTED and "P0133" not in gone["why"]
    again = (*read, (date(2026, 2, 25), "P0133", "pending"))
    back = scores(tmp_path / "again", near, read=again, lamp=lit + out)["B1S1"]
    unlit = scores(tmp_path / "unlit", near, read=read, lamp=out)["B1S1"]  # a lamp that was never seen lit says nothing
    assert min(back["probability"], unlit["probability"]) > LISTED
    lately = scores(tmp_path / "lately", near, read=read, lamp=(*lit, *out, (date(2026, 2, 28), 1.0)))["B1S1"]
    assert lately["probability"] > LISTED


def test_a_permanent_code_left_over_from_before_a_clear_names_no_part(tmp_path: Path) -> None:
    # 13 CCR 1968.2(d): it survives the clear until its monitor has run and passed; the sensor was found sound and cleared since.
    wide = {("B1S1", "wide_spread"): 0.03}
    left = (*((date(2026, 1, 20), "P2A00", state) for state in ("confirmed", "permanent")), (date(2026, 2, 10), "", "cleared"),
            *((date(2026, 2, day), "P2A00", "permanent") for day in (11, 20)))
    made = scores(tmp_path / "left", wide, kind="wide_range", read=left)["B1S1"]
    assert (made["status"], made["why"]) == ("judged", "") and made["probability"] < LISTED
    exchanged = (("B1S1", "replaced", date(2026, 2, 9)),)
    assert "names it again" not in scores(tmp_path / "new", wide, kind="wide_range", read=left, orders=exchanged)["B1S1"]["reason"]
    back = (*left, (date(2026, 2, 21), "P2A00", "confirmed"))
    made = scores(tmp_path / "back", wide, kind="wide_range", read=back)["B1S1"]
    assert made["probability"] > LISTED and "P2A00" in made["why"]


def test_a_code_of_a_part_that_was_exchanged_since_steers_nothing(tmp_path: Path) -> None:
    # Common practice: a code last read before the part was fitted speaks of the part that is gone, cleared or not. A new sensor
    # with a heater of its own is not cold, and no catalyst waits for it.
    heater, exchanged = ((date(2026, 2, 10), "P0135", "confirmed"),), (("B1S1", "replaced", date(2026, 2, 14)),)
    stands = scores(tmp_path / "stands", FAILING_CATALYST, read=heater)["CAT1"]
    assert stands["status"] == "held" and "upstream sensor of the bank is suspect" in stands["reason"]
    made = scores(tmp_path / "exchanged", FAILING_CATALYST, read=heater, orders=exchanged)["CAT1"]
    assert made["status"] == "judged" and made["probability"] > LISTED
    slow = {("B1S1", "up_mid_share"): 0.32, ("B1S1", "stft_spread_pct"): 4.2}
    assert scores(tmp_path / "cold", slow, read=heater)["B1S1"]["mode"] == "heater"
    made = scores(tmp_path / "new", slow, read=heater, orders=exchanged)["B1S1"]
    assert made["mode"] == "slow" and "heater" not in made["points_at"]
    back = (*heater, (date(2026, 2, 20), "P0135", "confirmed"))
    assert scores(tmp_path / "back", slow, read=back, orders=exchanged)["B1S1"]["mode"] == "heater"


@pytest.mark.parametrize(("zone", "hour", "again"), [
    ("America/Los_Angeles", 1, False),  # 17:00 of the day before, UTC-8: the day of the visit
    ("America/Los_Angeles", 9, True),
    ("UTC", 1, True),
])
def test_a_code_read_on_the_day_of_the_visit_does_not_name_the_new_part(
    tmp_path: Path, zone: str, hour: int, again: bool
) -> None:
    made = scores(tmp_path, {}, read=((date(2026, 2, 17), "P0133", "confirmed"),), zone=zone, hour=hour,
                  orders=(("B1S1", "replaced", date(2026, 2, 16)),))["B1S1"]
    assert (made["status"], "P0133" in made["why"]) == (("held", True) if again else ("judged", False))


def test_a_gateway_set_to_another_rate_is_no_catalyst_that_wears(tmp_path: Path) -> None:
    """From 1 to 10 s the movement between neighbouring readings grows with the slow wander of any catalyst."""
    moved = {("CAT1", "rear_activity_v"): 0.19}
    wears = scores(tmp_path / "wears", moved)["CAT1"]
    slower = scores(tmp_path / "slower", moved | {("CAT1", "sample_step_s"): 10.0})["CAT1"]
    assert wears["window_from"] is not None and slower["window_from"] is None
    assert slower["probability"] < 0.1
