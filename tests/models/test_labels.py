"""Labels worked by hand: what an order, a code and silence say of the weeks before and after them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.labels import HORIZONS, failures_known, labels, lives_of_orders, lives_of_truth

UNTIL = date(2026, 6, 1)
ORDER = {"order_id": pl.String, "unit_id": pl.String, "closed_on": pl.Date, "component": pl.String,
         "action": pl.String, "finding": pl.String}
CODE = {"unit_id": pl.String, "component": pl.String, "code": pl.String, "ts": pl.Datetime("us", "UTC"),
        "state": pl.String}


def orders(*rows: tuple[str, date, str, str, str]) -> pl.DataFrame:
    """Rows of order, day, component, action, finding of vehicle V1."""
    return pl.DataFrame([(o, "V1", day, c, a, f) for o, day, c, a, f in rows], schema=ORDER, orient="row")


def codes(*rows: tuple[str | None, date, str]) -> pl.DataFrame:
    """Rows of component (null for a clear), day and state of vehicle V1."""
    return pl.DataFrame(
        [("V1", c, "P0133" if c else "", datetime(d.year, d.month, d.day, 9, tzinfo=UTC), s) for c, d, s in rows],
        schema=CODE, orient="row",
    )


def weeks(*mondays: date, component: str = "B1S1", fitted_on: date | None = None) -> pl.DataFrame:
    return pl.DataFrame(
        [(monday, "V1", component, fitted_on) for monday in mondays],
        schema={"week_start": pl.Date, "unit_id": pl.String, "component": pl.String, "fitted_on": pl.Date},
        orient="row",
    )


def one(made: pl.DataFrame, *names: str) -> tuple:
    assert made.height == 1, made
    return made.select(names).row(0)


def test_a_confirmed_replacement_dates_from_the_first_code_of_the_ninety_days_before():
    found = codes(("B1S1", date(2026, 3, 10), "confirmed"), ("B1S1", date(2026, 3, 20), "confirmed"))
    lives = lives_of_orders(orders(("W1", date(2026, 4, 1), "B1S1", "replaced", "confirmed")), found, "UTC")
    assert one(lives, "failed_on", "ended_on", "weight", "source") == (
        date(2026, 3, 10), date(2026, 4, 1), 1.0, "order W1"
    )
    # Monday the 23rd of February lies 15 days before the failure: in the middle horizon, not in the shortest.
    made = labels(weeks(date(2026, 2, 23)), lives, UNTIL)
    assert one(made, "days_to_failure", "fails_14", "fails_28", "fails_56") == (15, False, True, True)


def test_without_a_code_the_failure_is_dated_a_week_before_the_order():
    lives = lives_of_orders(orders(("W1", date(2026, 4, 1), "CAT1", "replaced", "confirmed")), codes(), "UTC")
    assert one(lives, "failed_on") == (date(2026, 3, 25),)


@pytest.mark.parametrize(
    ("zone", "sources"), [("America/Los_Angeles", ["order W1"]), ("UTC", ["order W1", "code P0133 of 2026-04-02"])]
)
def test_a_code_of_the_evening_before_the_order_closed_is_answered_by_it(zone: str, sources: list[str]):
    """01:00 UTC of the 2nd is 18:00 of the 1st, the day the order was closed, on the Pacific coast (UTC-7 in summer)."""
    found = codes(("B1S1", date(2026, 4, 2), "confirmed")).with_columns(
        ts=pl.lit(datetime(2026, 4, 2, 1, tzinfo=UTC)), code=pl.lit("P0133")
    )
    lives = lives_of_orders(orders(("W1", date(2026, 4, 1), "B1S1", "replaced", "confirmed")), found, zone)
    assert sorted(lives["source"], reverse=True) == sources
    # Three of five by the prior and one of one found: four of six, and half of it for a code that nobody answered.
    assert failures_known(lives) == pytest.approx(1.0 if zone != "UTC" else 1 + 4 / 6 / 2)


def test_a_code_older_than_ninety_days_is_not_answered_by_the_order():
    found = codes(("B1S1", date(2025, 12, 30), "confirmed"))  # 92 days before
    lives = lives_of_orders(orders(("W1", date(2026, 4, 1), "B1S1", "replaced", "confirmed")), found, "UTC")
    ordered = lives.filter(pl.col("source") == "order W1")
    assert one(ordered, "failed_on") == (date(2026, 3, 25),)


def test_a_code_of_the_part_before_does_not_hide_one_of_the_part_that_failed():
    found = codes(("B1S1", date(2026, 2, 20), "confirmed"), ("B1S1", date(2026, 3, 20), "confirmed"))
    lives = lives_of_orders(
        orders(("W1", date(2026, 3, 1), "B1S1", "replaced", "confirmed"),
               ("W2", date(2026, 4, 10), "B1S1", "replaced", "confirmed")), found, "UTC",
    )
    assert lives.sort("ended_on")["failed_on"].to_list() == [date(2026, 2, 20), date(2026, 3, 20)]


def test_no_fault_found_is_never_a_positive():
    found = codes(("B1S1", date(2026, 3, 10), "confirmed"))
    lives = lives_of_orders(orders(("W1", date(2026, 4, 1), "B1S1", "replaced", "no_fault_found")), found, "UTC")
    assert failures_known(lives) == 0
    made = labels(weeks(date(2026, 3, 2), date(2026, 3, 16)), lives, UNTIL)
    assert made["days_to_failure"].null_count() == made.height == 2
    # It was taken out on the first of April: nothing is known of it beyond.
    first, second = made.sort("week_start").iter_rows(named=True)
    assert (first["days_known"], first["fails_28"], first["fails_56"]) == (30, False, None)
    assert (second["days_known"], second["fails_14"], second["fails_28"]) == (16, False, None)


@pytest.mark.parametrize("finding", ["unknown", None])
def test_a_missing_finding_counts_both_ways_and_the_weights_sum_to_one(finding: str | None):
    lives = lives_of_orders(orders(("W1", date(2026, 4, 1), "B1S1", "replaced", finding)), codes(), "UTC")
    assert sorted(lives["weight"]) == pytest.approx([0.4, 0.6])  # three of five before there are findings
    made = labels(weeks(date(2026, 3, 16)), lives, UNTIL)
    failed = made.filter(pl.col("days_to_failure").is_not_null())
    assert one(failed, "weight") == pytest.approx((0.6,))
    assert made["weight"].sum() == pytest.approx(1.0)


@pytest.mark.parametrize(("own_day", "own_finding"), [
    (date(2026, 4, 1), "confirmed"), (date(2026, 4, 22), "confirmed"), (date(2026, 4, 4), "unknown"), (date(2026, 4, 4), None),
])
def test_a_card_and_the_workshops_own_order_of_that_work_are_one_failure(own_day: date, own_finding: str | None):
    """The card of the 1st and the order that the workshop closes up to three weeks later were two failures of one part."""
    both = orders(
        ("W1", own_day, "B1S1", "replaced", own_finding), ("card 20260330-V1-B1S1", date(2026, 4, 1), "B1S1", "replaced", "confirmed"),
    )
    lives = lives_of_orders(both, codes(), "UTC")
    assert lives.select("failed_on", "ended_on", "weight").rows() == [(date(2026, 3, 25), date(2026, 4, 1), 1.0)]
    assert failures_known(lives) == 1.0
    # Mended on the 1st: the Monday after it is no week of a failed part.
    made = labels(weeks(date(2026, 4, 6)), lives, UNTIL)
    assert one(made, "days_to_failure", "fails_28") == (None, False)


def test_a_card_that_says_sound_stands_for_an_order_without_a_finding():
    card = ("card 20260330-V1-B1S1", date(2026, 4, 1), "B1S1", "inspected", "no_fault_found")
    soon = lives_of_orders(orders(("W1", date(2026, 4, 10), "B1S1", "replaced", None), card), codes(), "UTC")
    assert soon.select("failed_on", "weight").rows() == [(None, 1.0)]
    # Exchanged a month after the test is another visit: three of five such orders are failures (the prior).
    later = lives_of_orders(orders(("W1", date(2026, 5, 1), "B1S1", "replaced", None), card), codes(), "UTC")
    assert failures_known(later) == pytest.approx(0.6)


def test_rows_of_one_day_and_part_are_one_visit_and_two_exchanges_are_two():
    same_day = orders(
        ("W1", date(2026, 4, 1), "B1S1", "repaired", "unknown"), ("W2", date(2026, 4, 1), "B1S1", "replaced", "confirmed")
    )
    assert failures_known(lives_of_orders(same_day, codes(), "UTC")) == 1.0
    # Two orders of the workshop's own, eight days apart: the second part did not last.
    twice = orders(
        ("W1", date(2026, 4, 1), "B1S1", "replaced", "confirmed"), ("W2", date(2026, 4, 9), "B1S1", "replaced", "confirmed")
    )
    assert failures_known(lives_of_orders(twice, codes(), "UTC")) == 2.0


def test_the_share_of_confirmed_findings_is_learnt_from_those_that_were_noted():
    noted = [(f"N{i}", date(2026, 1, 1) + timedelta(days=i), "B1S1", "replaced", "no_fault_found") for i in range(5)]
    lives = lives_of_orders(orders(*noted, ("W1", date(2026, 4, 1), "B1S1", "replaced", "unknown")), codes(), "UTC")
    assert failures_known(lives) == pytest.approx(3 / 10)  # (0 + 3) / (5 + 5)


def test_an_unanswered_confirmed_code_is_half_as_telling():
    lives = lives_of_orders(orders(), codes(("B1S1", date(2026, 4, 1), "confirmed")), "UTC")
    assert one(lives, "failed_on", "ended_on", "weight") == (date(2026, 4, 1), None, 0.3)
    made = labels(weeks(date(2026, 3, 23)), lives, UNTIL)
    assert made["weight"].sum() == pytest.approx(1.0)
    assert made.filter("fails_28")["source"].to_list() == ["code P0133 of 2026-04-01"]


@pytest.mark.parametrize("action", ["replaced", "repaired"])
def test_a_code_that_nobody_answered_in_time_says_nothing_of_the_next_part(action: str):
    # Reported every month from 92 days before the exchange on, and never cleared in the export.
    found = codes(*(("B1S1", day, "confirmed") for day in (date(2025, 12, 30), date(2026, 2, 1), date(2026, 3, 1))))
    lives = lives_of_orders(orders(("W1", date(2026, 4, 1), "B1S1", action, "confirmed")), found, "UTC")
    assert one(lives, "failed_on", "ended_on", "weight", "source") == (date(2026, 2, 1), date(2026, 4, 1), 1.0, "order W1")
    after = labels(weeks(date(2026, 5, 4), fitted_on=date(2026, 4, 1)), lives, date(2026, 7, 1))
    assert one(after, "days_to_failure", "fails_28", "weight") == (None, False, 1.0)
    assert failures_known(lives) == 1.0
    # Cleared before the exchange it is a life of its own.
    cleared = pl.concat([found, codes((None, date(2026, 1, 5), "cleared"))])
    assert set(lives_of_orders(orders(("W1", date(2026, 4, 1), "B1S1", action, "confirmed")), cleared, "UTC")["ended_on"]) == {
        date(2026, 1, 5), date(2026, 4, 1)
    }


def test_pending_codes_inspections_and_repairs_elsewhere_end_no_life():
    assert lives_of_orders(orders(), codes(("B1S1", date(2026, 4, 1), "pending")), "UTC").is_empty()
    looked = orders(("W1", date(2026, 4, 1), "B1S1", "inspected", "confirmed"),
                    ("W2", date(2026, 4, 1), "OTHER", "repaired", "confirmed"))
    assert lives_of_orders(looked, codes(), "UTC").is_empty()


def test_a_repair_elsewhere_answers_the_code():
    found = codes(("B1S1", date(2026, 4, 1), "confirmed"))
    assert lives_of_orders(orders(("W1", date(2026, 4, 9), "OTHER", "repaired", "confirmed")), found, "UTC").is_empty()


def test_silence_is_no_failure_only_until_orders_can_be_known():
    made = labels(weeks(date(2026, 3, 2), date(2026, 4, 20), date(2026, 5, 25)), lives_of_orders(orders(), codes(), "UTC"), UNTIL)
    far, near, last = made.iter_rows(named=True)
    assert [far[f"fails_{d}"] for d in HORIZONS] == [False, False, False]  # 91 days known
    assert [near[f"fails_{d}"] for d in HORIZONS] == [False, False, None]  # 42 days known
    assert [last[f"fails_{d}"] for d in HORIZONS] == [None, None, None]  # 7 days known
    assert far["source"] == "no order until 2026-06-01"
    assert labels(weeks(UNTIL), lives_of_orders(orders(), codes(), "UTC"), UNTIL).is_empty()


def test_beyond_the_day_until_which_silence_counts_nothing_is_known_of_failures_either():
    """Else the newest weeks would hold failures alone, and every judge would look good there."""
    lives = lives_of_orders(orders(("W1", date(2026, 6, 20), "B1S1", "replaced", "confirmed")), codes(), "UTC")
    made = labels(weeks(date(2026, 4, 6), date(2026, 5, 25), date(2026, 6, 8)), lives, UNTIL)
    assert made["week_start"].to_list() == [date(2026, 4, 6), date(2026, 5, 25)]
    assert made["days_to_failure"].null_count() == 2 and made["days_known"].to_list() == [56, 7]
    failed = lives_of_orders(orders(("W1", date(2026, 5, 31), "B1S1", "replaced", "confirmed")), codes(), "UTC")
    soon = labels(weeks(date(2026, 5, 11)), failed, UNTIL)  # fails in 13 days, and 21 are known
    assert one(soon, "days_to_failure", "fails_14", "fails_28", "fails_56") == (13, True, None, None)


def test_a_part_that_has_failed_is_a_positive_until_it_is_repaired():
    lives = lives_of_truth(pl.DataFrame(
        {"unit_id": ["V1"], "component": ["B1S1"], "failed_on": [date(2026, 3, 4)], "repaired_on": [date(2026, 3, 25)]}
    ))
    made = labels(weeks(date(2026, 3, 2), date(2026, 3, 9), date(2026, 3, 23), date(2026, 3, 30)), lives, UNTIL)
    assert made["days_to_failure"].to_list() == [2, 0, 0, None]
    assert made["source"].to_list()[:3] == ["truth V1 B1S1"] * 3


def test_weeks_after_a_repair_have_no_label():
    fitted = date(2026, 3, 25)
    mondays = [date(2026, 3, 23) + timedelta(weeks=k) for k in range(7)]
    given = pl.concat([weeks(mondays[0]), weeks(*mondays[1:], fitted_on=fitted)])
    made = labels(given, lives_of_orders(orders(), codes(), "UTC"), UNTIL)
    # The 20th of April is 26 days after the visit, the 27th 33.
    assert made["week_start"].to_list() == [mondays[0], *mondays[5:]]


def test_every_label_says_which_row_it_came_from():
    lives = lives_of_orders(
        orders(("W1", date(2026, 4, 1), "B1S1", "replaced", "confirmed"), ("W2", date(2026, 5, 1), "B1S1", "repaired", None)),
        codes(("B1S1", date(2026, 5, 20), "confirmed"), (None, date(2026, 5, 25), "cleared")), "UTC",
    )
    made = labels(weeks(*[date(2026, 3, 2) + timedelta(weeks=k) for k in range(12)]), lives, UNTIL)
    assert made["source"].null_count() == 0
    assert set(made["source"]) <= {"order W1", "order W2", "code P0133 of 2026-05-20", "no order until 2026-06-01"}
    assert made.filter("fails_28")["source"].str.contains("^(order|code)").all()
    share = made.group_by("week_start").agg(pl.col("weight").sum())["weight"]
    assert share.to_list() == pytest.approx([1.0] * share.len())


def test_a_cleared_code_without_an_answer_ends_with_the_clear():
    lives = lives_of_orders(orders(), codes(("B1S1", date(2026, 4, 1), "confirmed"), (None, date(2026, 4, 15), "cleared")), "UTC")
    assert one(lives, "ended_on") == (date(2026, 4, 15),)
    made = labels(weeks(date(2026, 4, 20)), lives, UNTIL)
    assert made["days_to_failure"].to_list() == [None]


def test_a_permanent_code_left_over_from_before_a_clear_is_no_failure():
    # 13 CCR 1968.2(d): it survives the clear until its monitor has run and passed. The part was found sound on the day of the clear.
    tested = orders(("W1", date(2026, 4, 14), "B1S1", "inspected", "no_fault_found"))
    read = [("B1S1", date(2026, 3, 20), "confirmed"), ("B1S1", date(2026, 3, 20), "permanent"), (None, date(2026, 4, 14), "cleared"),
            ("B1S1", date(2026, 4, 15), "permanent")]
    assert lives_of_orders(tested, codes(*read), "UTC").is_empty()
    assert one(lives_of_orders(tested, codes(*read, ("B1S1", date(2026, 5, 2), "confirmed")), "UTC"), "failed_on") == (date(2026, 5, 2),)
    assert one(lives_of_orders(orders(), codes(("B1S1", date(2026, 4, 15), "permanent")), "UTC"), "failed_on") == (date(2026, 4, 15),)


def test_horizons_of_a_label_never_contradict_and_order_of_rows_does_not_matter():
    lives = lives_of_orders(
        orders(*[(f"W{k}", date(2026, 2, 1) + timedelta(days=11 * k), "B1S1", "replaced", f)
                 for k, f in enumerate(["confirmed", None, "no_fault_found", "unknown", "confirmed"])]),
        codes(("B1S1", date(2026, 5, 1), "confirmed")), "UTC",
    )
    given = weeks(*[date(2026, 1, 5) + timedelta(weeks=k) for k in range(20)])
    made = labels(given, lives, UNTIL)
    for short, long in zip(HORIZONS, HORIZONS[1:], strict=False):
        assert not made.filter(pl.col(f"fails_{short}") & ~pl.col(f"fails_{long}")).height
    assert_frame_equal(made, labels(given.reverse(), lives.reverse(), UNTIL))
