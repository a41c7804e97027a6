"""Codes and on-board tests by component: what is known of a part, and not of the one before it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.codes import (
    bank_of,
    codes_by_component,
    codes_since_fitted,
    margin_drops,
    margin_lacks,
    newest_margins,
    part_of,
    trusted_margins,
    withdrawn,
)

SEEN = datetime(2026, 3, 1, 9, tzinfo=UTC)
NO_FITS = pl.DataFrame(schema={"unit_id": pl.String, "component": pl.String, "fitted_on": pl.Date})


def fitted_on(component: str, day: date) -> pl.DataFrame:
    return pl.DataFrame({"unit_id": ["V1"], "component": [component], "fitted_on": [day]})


def active(*rows: tuple[str, str, bool]) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {"unit_id": "V1", "position": position, "code": code, "title": "slow response", "role": "sensor",
             "confirmed": confirmed, "first_seen_at": SEEN, "last_seen_at": SEEN}
            for code, position, confirmed in rows
        ]
    )


def results(*rows: tuple[int, int, datetime, float]) -> pl.DataFrame:
    return pl.DataFrame(
        [{"unit_id": "V1", "obdmid": mid, "tid": tid, "ts": ts, "margin": margin} for mid, tid, ts, margin in rows],
        schema_overrides={"obdmid": pl.Int32, "tid": pl.Int32},
    ).with_columns(seen_until="ts")


def test_confirmed_codes_come_first_and_pending_ones_say_so():
    made = codes_by_component(active(("P0133", "B1S1", False), ("P2195", "B1S1", True)), NO_FITS, "UTC")
    assert made.height == 1
    assert made["code_confirmed"].item()
    assert made["code_words"].item() == "P2195 slow response, P0133 slow response (pending)"


def test_a_code_last_seen_before_the_part_was_fitted_speaks_of_another_part():
    given = active(("P0133", "B1S1", True), ("P0136", "B1S2", True))
    assert codes_by_component(given, fitted_on("B1S1", date(2026, 3, 4)), "UTC")["component"].to_list() == ["B1S2"]
    assert codes_by_component(given, fitted_on("B1S1", date(2026, 2, 20)), "UTC").height == 2


# The part was fitted on Monday, March 2. 01:00 UTC of the 3rd is 17:00 of that Monday on the Pacific coast (UTC-8), and
# 21:00 UTC of the 2nd is 08:00 of the Tuesday in Sydney (UTC+11 in summer).
IN_ZONES = [
    ("America/Los_Angeles", datetime(2026, 3, 3, 1, tzinfo=UTC), 0), ("UTC", datetime(2026, 3, 3, 1, tzinfo=UTC), 1),
    ("Australia/Sydney", datetime(2026, 3, 2, 21, tzinfo=UTC), 1), ("UTC", datetime(2026, 3, 2, 21, tzinfo=UTC), 0),
]


@pytest.mark.parametrize(("zone", "at", "left"), IN_ZONES)
def test_the_day_a_part_was_fitted_is_one_of_the_fleets_zone(zone: str, at: datetime, left: int):
    fits = fitted_on("B1S1", date(2026, 3, 2))
    given = active(("P0133", "B1S1", True)).with_columns(first_seen_at=pl.lit(at), last_seen_at=pl.lit(at))
    assert codes_since_fitted(given, fits, zone).height == left
    assert codes_by_component(given, fits, zone).height == left
    tested = results((0x01, 0x05, at, -0.5))
    families = pl.DataFrame({"unit_id": ["V1"], "engine_family": ["F"]})
    assert newest_margins(tested, fits, zone).height == left
    assert margin_lacks(tested, fits, families, zone).height == left
    four = results(*((0x01, 0x05, at + timedelta(minutes=minute), 0.5) for minute in range(4)))
    assert margin_drops(four, fits, zone).height == left


def test_what_names_the_mixture_or_the_vehicle_outlives_an_exchange():
    given = active(("P0135", "B1S1", True), ("P0171", "BANK1", True), ("P0562", "UNIT", True), ("P0300", "", True))
    fits = pl.concat([fitted_on("B1S1", date(2026, 3, 4)), fitted_on("BANK1", date(2026, 3, 4))])
    assert codes_since_fitted(given, fits, "UTC")["code"].to_list() == ["P0171", "P0562", "P0300"]
    assert_frame_equal(codes_since_fitted(given, fitted_on("B1S1", date(2026, 2, 20)), "UTC"), given)


@pytest.mark.parametrize(
    ("obdmid", "component"),
    # Monitor ids of SAE J1979-DA: sensors 01-08, heaters 41-48, catalysts 21 and 22.
    [(0x01, "B1S1"), (0x02, "B1S2"), (0x05, "B2S1"), (0x42, "B1S2"), (0x45, "B2S1"), (0x21, "CAT1"), (0x22, "CAT2")],
)
def test_monitor_ids_name_their_component(obdmid: int, component: str):
    made = newest_margins(results((obdmid, 0x80, SEEN, 0.4)), NO_FITS, "UTC")
    assert made.row(0) == ("V1", component, 0.4)


def test_the_newest_result_of_each_test_counts_and_the_smallest_of_them():
    earlier = datetime(2026, 2, 1, tzinfo=UTC)
    made = newest_margins(
        results((0x01, 0x05, earlier, -0.5), (0x01, 0x05, SEEN, 0.6), (0x01, 0x06, earlier, 0.2)), NO_FITS, "UTC"
    )
    assert made["margin"].to_list() == [0.2]
    assert newest_margins(results((0xA2, 0x0C, SEEN, 0.1)), NO_FITS, "UTC").is_empty()


def test_a_result_from_before_the_part_was_fitted_is_not_its_own():
    given = results((0x01, 0x05, SEEN, -0.5))
    assert newest_margins(given, fitted_on("B1S1", date(2026, 3, 4)), "UTC").is_empty()


def test_bank_and_part_of_every_component():
    frame = pl.DataFrame({"component": ["B1S1", "B2S2", "CAT2", "BANK1", "UNIT"]})
    made = frame.select(bank=bank_of(pl.col("component")), part=part_of(pl.col("component")))
    assert made.rows() == [(1, "upstream"), (2, "downstream"), (2, "catalyst"), (1, ""), (0, "")]


def lacks(own: float, others: list[float], family: str | None = "F") -> float:
    """What V1 lacks whose catalyst test has this margin, among vehicles of its family with those."""
    told = {"V1": own} | {f"P{number}": margin for number, margin in enumerate(others)}
    rows = pl.DataFrame({"unit_id": list(told), "margin": list(told.values())}).with_columns(
        obdmid=pl.lit(0x21), tid=pl.lit(0x80), ts=pl.lit(SEEN), seen_until=pl.lit(SEEN)
    )
    families = rows.select("unit_id", engine_family=pl.lit(family, pl.String))
    made = margin_lacks(rows, NO_FITS, families, "UTC")
    return made.filter(pl.col("unit_id") == "V1")["margin_lack"].item()


@pytest.mark.parametrize(("margin", "lack"), [(2.0, 0), (0.5, 0), (0.25, 0.25), (0.0, 0.5), (-0.5, 1), (-9.0, 1)])
def test_a_margin_counts_from_half_of_it_down(margin: float, lack: float) -> None:
    assert lacks(margin, []) == pytest.approx(lack)
    assert lacks(margin, [1.0] * 20) == pytest.approx(lack)  # peers that pass easily change nothing


@pytest.mark.parametrize(
    ("margins", "lack"),
    [([3.0, -0.8], 0), ([0.4, -0.8], 0.1), ([-0.8, 3.0], 0), ([3.0, -0.8, -0.4], 0.9), ([3.0, 0.2], 0.3), ([-0.4], 0.9)],
)
def test_a_catalyst_that_failed_once_counts_as_the_result_before_it(margins: list[float], lack: float) -> None:
    # Domain reference, on-board monitors: those of catalysts judge over three trips or a moving average.
    families = pl.DataFrame({"unit_id": ["V1"], "engine_family": ["F"]})

    def lacks_of(monitor: int) -> list[float]:
        days = enumerate(margins)
        given = results(*((monitor, 0x80, SEEN + timedelta(days=day), margin) for day, margin in days))
        return margin_lacks(given, NO_FITS, families, "UTC")["margin_lack"].to_list()

    of_catalyst = [(0x21, 0x80, SEEN + timedelta(days=day), margin) for day, margin in enumerate(margins)]
    counts = max(margins[-2:]) if margins[-1] < 0 else margins[-1]
    assert newest_margins(results(*of_catalyst), NO_FITS, "UTC")["margin"].to_list() == [counts]
    assert lacks_of(0x21) == [pytest.approx(lack)]
    assert lacks_of(0x01) == [pytest.approx(min(max(0.5 - margins[-1], 0), 1))]


@pytest.mark.parametrize(("stood", "counts"), [(0, 2.22), (13, 2.22), (14, -0.71), (77, -0.71)])
def test_a_failure_of_a_catalyst_that_stands_is_none_that_scatters(stood: int, counts: float) -> None:
    # Raw 3300 against a minimum of 1024 passes by 2.22 (SAE J1979-DA example), 300 fails by (300 - 1024) / 1024 = -0.71. A result
    # stays until the monitor has run again; one that is still read after two weeks of driving was not put right by the next.
    failed = SEEN + timedelta(days=7)
    given = results((0x21, 0x80, SEEN, 2.22), (0x21, 0x80, failed, -0.71)).with_columns(
        seen_until=pl.Series([SEEN, failed + timedelta(days=stood)])
    )
    assert newest_margins(given, NO_FITS, "UTC")["margin"].to_list() == [counts]


def test_a_test_that_the_family_passes_narrowly_is_held_against_the_family() -> None:
    assert lacks(0.14, [0.14] * 20) == 0
    assert lacks(0.05, [0.14] * 20) == pytest.approx(0.09)
    assert lacks(-0.1, [0.14] * 20) == pytest.approx(0.6)  # failed is failed
    assert lacks(0.14, [0.14] * 7) == pytest.approx(0.36)  # too few to say what is usual
    assert lacks(0.14, [0.14] * 20, family=None) == pytest.approx(0.36)


def test_the_test_that_lacks_most_speaks_for_the_part() -> None:
    given = results((0x21, 0x80, SEEN, 0.4), (0x21, 0x81, SEEN, 0.1), (0x21, 0x82, SEEN, 3.0))
    families = pl.DataFrame({"unit_id": ["V1"], "engine_family": ["F"]})
    assert margin_lacks(given, NO_FITS, families, "UTC")["margin_lack"].to_list() == [pytest.approx(0.4)]
    assert margin_lacks(given, fitted_on("CAT1", date(2026, 3, 4)), families, "UTC").is_empty()


def results_of(margins: dict[str, list[float]], tid: int = 0x07) -> pl.DataFrame:
    """Results of a downstream sensor's test by vehicle, oldest first, a day apart."""
    rows = [
        (unit, 0x02, tid, SEEN + timedelta(days=day), margin) for unit, own in margins.items() for day, margin in enumerate(own)
    ]
    return pl.DataFrame(rows, schema=["unit_id", "obdmid", "tid", "ts", "margin"], orient="row").with_columns(seen_until="ts")


def test_a_test_that_most_of_a_family_fail_is_no_verdict() -> None:
    families = pl.DataFrame({"unit_id": list("ABCDEF"), "engine_family": ["F"] * 4 + ["G"] * 2})
    failing = results_of({"A": [0.6, -0.3], "B": [-0.3], "C": [0.6], "D": [0.4, -0.2], "E": [-0.3], "F": [-0.3]})
    other = results_of({"A": [-0.1], "B": [0.5], "C": [0.5], "D": [0.5]}, tid=0x08)
    made = trusted_margins(pl.concat([failing, other]), families)
    # F: three of four fail test $07 with their newest result; G has two vehicles and shows nothing common.
    assert_frame_equal(made, pl.concat([failing.filter(pl.col("unit_id").is_in(["E", "F"])), other]))
    for unknown in (None, ""):  # vehicles of no known family have nothing in common
        nobody = families.with_columns(engine_family=pl.lit(unknown, pl.String))
        assert_frame_equal(trusted_margins(failing, nobody), failing)


@pytest.mark.parametrize("unknown", [None, ""])
def test_vehicles_of_no_known_family_do_not_say_how_narrowly_a_test_is_passed(unknown: str | None) -> None:
    # 0.2 lacks 0.3 to half of the limit; a family of nine that passes with 0.2 lacks nothing.
    assert lacks(0.2, [0.2] * 9, "F") == 0
    assert lacks(0.2, [0.2] * 9, unknown) == pytest.approx(0.3)


@pytest.mark.parametrize(("failed", "kept"), [(1, True), (2, True), (3, False), (4, False)])
def test_one_that_fails_where_most_pass_has_failed(failed: int, kept: bool) -> None:
    units = ["A", "B", "C", "D"]
    given = results_of({unit: [-0.3 if place < failed else 0.5] for place, unit in enumerate(units)})
    families = pl.DataFrame({"unit_id": units, "engine_family": ["F"] * 4})
    assert trusted_margins(given, families).is_empty() is not kept


def test_a_code_whose_lamp_went_out_is_withdrawn() -> None:
    # 13 CCR 1968.2(d)(2): the lamp goes out after three driving cycles without the fault, the code stays for 40 warm-ups.
    def gone(first: int, dark: int, pending: int | None = None, lit: tuple[int, ...] = (10, 11),
             zone: str = "UTC") -> bool:
        at = datetime(2026, 3, 1, tzinfo=UTC)
        codes = pl.DataFrame(
            {"unit_id": ["V1"], "code": ["P0133"], "first_seen_at": [at + timedelta(days=first)],
             "pending_at": [at + timedelta(days=pending) if pending is not None else None]},
            schema_overrides={"pending_at": pl.Datetime("us", "UTC")},
        )
        days = [(day, 1.0) for day in lit] + [(12 + day, 0.0) for day in range(dark)]
        lamp = pl.DataFrame({
            "unit_id": ["V1"] * len(days), "day": [(at + timedelta(days=day)).date() for day, _ in days],
            "value": [value for _, value in days],
        }, schema={"unit_id": pl.String, "day": pl.Date, "value": pl.Float64})
        return withdrawn(codes, lamp, zone).height == 1

    assert gone(first=10, dark=3)
    assert gone(first=9, dark=3, pending=9)
    assert not gone(first=10, dark=2)  # two cycles are not enough
    assert not gone(first=14, dark=5)  # came after the lamp had gone out: a code that lights none, or lamps not yet read
    assert not gone(first=9, dark=5, pending=14)  # is found again
    assert not gone(first=9, dark=5, lit=())  # a lamp that was never seen lit says nothing
    assert not gone(first=9, dark=0)
    # Midnight UTC is the morning of that day in Adelaide, and in Denver the evening of the day before, the last lit one.
    assert not gone(first=9, dark=3, pending=12, zone="Australia/Adelaide")
    assert gone(first=9, dark=3, pending=12, zone="America/Denver")
