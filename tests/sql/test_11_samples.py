"""Samples: given context -> the fuel cut that each row belongs to. Closed loop and windows: test_20_banks."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl

from tests.sql.given import at, context, run


def began(frame: pl.DataFrame) -> list[float | None]:
    """Seconds at which the cut of each row began."""
    made = run("11_samples", context=frame)
    return [None if instant is None else (instant - at(0)).total_seconds() for instant in made["cut_began_at"]]


def test_no_context_makes_no_samples():
    assert run("11_samples").height == 0


def test_rows_from_the_first_of_a_cut_on_belong_to_it_until_the_next():
    cut = [False, True, True, False, False, True, False]
    assert began(context(list(range(7)), cut=cut)) == [None, 1, 1, 1, 1, 5, 5]


def test_a_cut_and_what_follows_end_with_the_trip():
    first = context([0, 1, 2], cut=[False, True, False])
    second = context([3, 4, 5], cut=[True, False, False])
    third = context([6, 7])
    assert began(pl.concat([first, second, third])) == [None, 1, 1, 3, 3, 3, None, None]


def test_a_cut_of_another_vehicle_does_not_go_on():
    trip = {"started_at": at(0), "cut": True}
    frame = pl.concat([context([0, 1], **trip), context([0, 1], unit_id="V2", **trip)])
    assert began(frame) == [0, 0, 0, 0]
    silent = context([0, 1], unit_id="V2", started_at=at(0))
    assert began(pl.concat([context([0, 1], **trip), silent])) == [0, 0, None, None]


def test_a_cut_ends_at_midnight_and_does_not_begin_again_by_going_on():
    midnight = datetime(2026, 1, 6, tzinfo=UTC)
    seconds = list(range(-3, 5))
    frame = context(seconds, start=midnight, cut=[True] * 5 + [False, True, False])
    made = run("11_samples", context=frame)
    assert made["cut_began_at"].to_list() == [at(-3, midnight)] * 3 + [None] * 3 + [at(3, midnight)] * 2
    # The same, whether the day before is derived together with it or not: only a cut that goes on needs it.
    assert made.filter(pl.col("ts") < midnight).equals(run("11_samples", context=frame.filter(pl.col("ts") < midnight)))
