"""Breaks: which visit begins the history of a component anew, and which days belong to the part that is in
it.
"""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from models.breaks import fitted, replaced, since_fitted

DAY = date(2026, 3, 10)
ORDERS = {"unit_id": pl.String, "component": pl.String, "action": pl.String, "closed_on": pl.Date}


def orders(*rows: tuple[str, str, str, date]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=ORDERS, orient="row")


def fits(*rows: tuple[str, str, str, date]) -> dict[tuple[str, str], date]:
    return {(unit, component): day for unit, component, day in fitted(orders(*rows)).iter_rows()}


def test_no_orders_reset_nothing():
    made = fitted(orders())
    assert made.height == 0
    assert made.schema == {"unit_id": pl.String, "component": pl.String, "fitted_on": pl.Date}


@pytest.mark.parametrize("action", ["replaced", "repaired"])
def test_a_new_catalyst_resets_itself_only(action):
    assert fits(("V1", "CAT1", action, DAY)) == {("V1", "CAT1"): DAY}


def test_an_inspection_resets_nothing():
    assert fits(("V1", "B1S1", "inspected", DAY)) == {}


def test_work_on_something_else_resets_nothing():
    assert fits(("V1", "OTHER", "replaced", DAY)) == {}


def test_a_new_upstream_sensor_resets_all_that_is_seen_through_it():
    assert fits(("V1", "B2S1", "replaced", DAY)) == {("V1", part): DAY for part in ("B2S1", "B2S2", "BANK2", "CAT2")}


def test_a_new_downstream_sensor_resets_the_catalyst_and_not_the_upstream_sensor():
    assert fits(("V1", "B1S2", "replaced", DAY)) == {("V1", part): DAY for part in ("B1S2", "CAT1")}


def test_the_last_visit_counts():
    later = date(2026, 5, 1)
    made = fits(
        ("V1", "CAT1", "replaced", DAY), ("V1", "B1S1", "replaced", later), ("V2", "CAT1", "replaced", DAY)
    )
    assert made[("V1", "CAT1")] == later
    assert made[("V2", "CAT1")] == DAY


# -- days after it ---------------------------------------------------------------------------------


def days(*rows: tuple[str, str, date]) -> pl.DataFrame:
    return pl.DataFrame(
        list(rows), schema={"unit_id": pl.String, "component": pl.String, "day": pl.Date}, orient="row"
    )


def test_the_day_of_the_visit_belongs_to_neither_part():
    given = days(*(("V1", "CAT1", date(2026, 3, number)) for number in (9, 10, 11)))
    kept = since_fitted(given, fitted(orders(("V1", "CAT1", "replaced", DAY))))
    assert kept["day"].to_list() == [date(2026, 3, 11)]


def test_other_components_and_vehicles_keep_their_days():
    given = days(("V1", "B1S1", DAY), ("V2", "CAT1", DAY), ("V1", "BANK1", DAY))
    kept = since_fitted(given, fitted(orders(("V1", "CAT1", "replaced", DAY))))
    assert kept.equals(given)


def test_without_visits_nothing_is_lost():
    given = days(("V1", "CAT1", DAY))
    assert since_fitted(given, fitted(orders())).equals(given)


def test_only_an_exchange_of_the_part_itself_makes_it_new():
    later = date(2026, 5, 1)
    told = orders(
        ("V1", "B1S1", "replaced", DAY), ("V1", "B1S1", "replaced", later), ("V2", "CAT1", "repaired", later),
        ("V3", "OTHER", "replaced", later), ("V4", "CAT1", "replaced", DAY),
    )
    assert replaced(told, DAY).rows() == [("V1", "B1S1", later), ("V4", "CAT1", DAY)]
    assert replaced(told, date(2026, 3, 11)).rows() == [("V1", "B1S1", later)]
