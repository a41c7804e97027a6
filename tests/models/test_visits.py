"""Visits: a part that is sound on its newest day waits, one that swings from day to day does not."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from models.breaks import inspected
from models.codes import codes_by_component
from models.visits import quiet_after_inspection, sound_again, sound_on_newest_day

DAY = date(2026, 3, 2)
# From healthy 45 s to the limit 180 s: 0.15 of the way is 65.25 s, the release of 0.5 is 112.5 s (worked by hand).
STANDING = {"healthy": 45.0, "limit": 180.0, "release": 0.5, "least_samples": 8}
DATES = {"sound_on": pl.Date, "code_first_at": pl.Datetime("us", "UTC")}
HELD = ("held_by", "held_why", "held_cause", "held_rule_out", "held_test")


def standing(*rows: dict) -> pl.DataFrame:
    base = {"unit_id": "V1", "component": "B1S2", "indicator": "down_active_at_s", "level": 300.0, "strength": 2.0}
    return pl.DataFrame([base | STANDING | row for row in rows])


def days(values: list[float], indicator: str = "down_active_at_s", samples: int = 2) -> pl.DataFrame:
    """One value a day."""
    return pl.DataFrame({
        "unit_id": "V1", "component": "B1S2", "indicator": indicator, "value": values, "samples": samples,
        "day": [DAY + timedelta(days=n) for n in range(len(values))],
    })


def sound_on(standing: pl.DataFrame, days: pl.DataFrame) -> date | None:
    made = sound_on_newest_day(standing, days, 0.15)
    assert made.columns == ["unit_id", "component", "sound_on"] and made.height <= 1
    return made["sound_on"].item() if made.height else None


@pytest.mark.parametrize(("values", "sound"), [
    ([300.0, 320.0, 65.0], True),
    ([300.0, 320.0, 66.0], False),
    ([300.0, 60.0, 55.0], True),  # twice in a row
    ([112.5, 60.0], True),
    ([112.0, 60.0], False),  # never was bad enough before: it swings
    ([300.0, 60.0, 300.0, 60.0], False),
    ([60.0], False),  # nothing was seen to change
    ([60.0, 300.0], False),
    ([300.0, 20.0], True),  # better than healthy
])
def test_bad_before_and_sound_on_the_newest_day(values, sound):
    assert sound_on(standing({}), days(values)) == (DAY + timedelta(days=len(values) - 1) if sound else None)


def test_all_that_speaks_against_it_must_be_gone():
    both = standing({}, {"indicator": "down_bias_share", "healthy": 0.1, "limit": 0.7, "level": 0.6})
    cold = days([300.0, 310.0, 50.0])
    assert sound_on(both, pl.concat([cold, days([0.9, 0.9, 0.12], "down_bias_share")])) == DAY + timedelta(days=2)
    assert sound_on(both, pl.concat([cold, days([0.9, 0.9, 0.6], "down_bias_share")])) is None
    # A cold start is not made every day: the newest day that shows any of it decides.
    assert sound_on(both, pl.concat([days([300.0, 310.0]), days([0.9, 0.9, 0.12], "down_bias_share")])) == DAY + timedelta(days=2)
    # What no day shows, a bias worked out of weeks, cannot be seen to go.
    assert sound_on(both, cold) is None


def test_a_thin_day_decides_nothing():
    bad, thin = days([300.0, 310.0]), days([300.0, 310.0, 50.0], samples=1)
    assert sound_on(standing({}), pl.concat([bad, thin.tail(1)])) is None  # a quarter of eight samples are two
    assert sound_on(standing({}), pl.concat([bad, days([300.0, 310.0, 50.0]).tail(1)])) == DAY + timedelta(days=2)


def test_what_is_not_notable_has_no_say():
    with_rest = standing({}, {"indicator": "down_range_v", "healthy": 0.5, "limit": 0.3, "level": 0.48, "strength": 0.1})
    assert sound_on(with_rest, pl.concat([days([300.0, 50.0]), days([0.3, 0.2], "down_range_v")])) is not None
    assert sound_on(standing({"strength": 0.49}), days([300.0, 50.0])) is None
    assert sound_on(standing({"strength": None}), days([300.0, 50.0])) is None


def test_what_falls_and_what_goes_to_either_side():
    falls = standing({"indicator": "recovery_s", "healthy": 8.0, "limit": 2.5, "level": 2.0})
    assert sound_on(falls, days([2.0, 2.2, 7.5], "recovery_s")) is not None
    assert sound_on(falls, days([2.0, 2.2, 7.0], "recovery_s")) is None  # 0.15 of 5.5 s is 0.825 s
    rich = standing({"indicator": "wide_offset", "healthy": 0.004, "limit": 0.03, "level": -0.05})
    assert sound_on(rich, days([-0.05, -0.06, -0.005], "wide_offset")) is not None
    assert sound_on(rich, days([-0.05, -0.06, -0.02], "wide_offset")) is None


@pytest.mark.parametrize(("row", "held_by"), [
    ({}, "sound_again"),
    ({"sound_on": None}, None),
    ({"held_by": "front_sensor"}, "front_sensor"),
    ({"code_first_at": pl.datetime(2026, 3, 1, time_zone="UTC")}, None),  # a code that stands was not cleared by a repair
    ({"margin": -0.1}, None),
    ({"margin": 0.1}, "sound_again"),
])
def test_sound_again_is_held_unless_a_code_or_a_failed_test_names_it(row, held_by):
    blank = {"sound_on": DAY, "code_first_at": None, "margin": None} | dict.fromkeys(HELD) | row
    frame = pl.select(**{
        name: value if isinstance(value, pl.Expr) else pl.lit(value, DATES.get(name, pl.Float64 if name == "margin" else pl.String))
        for name, value in blank.items()
    })
    made = sound_again(frame).row(0, named=True)
    assert made["held_by"] == held_by
    assert (made["held_why"] or "").startswith("bad before, and sound on 2026-03-02") == (held_by == "sound_again")


@pytest.mark.parametrize(("set_on", "held_by"), [((3,), "inspected"), ((), "inspected"), ((12,), None), ((3, 12), None)])
def test_a_code_set_after_an_inspection_ends_the_quiet_weeks_whatever_older_one_is_stored(set_on, held_by):
    # Inspected on the 10th of March; codes set on the 3rd and on the 12th, both seen to this day.
    codes = pl.DataFrame(
        [("V1", "B1S2", f"P013{day % 10}", "slow", "sensor", True, datetime(2026, 3, day, tzinfo=UTC), datetime(2026, 3, 20, tzinfo=UTC))
         for day in set_on],
        schema={"unit_id": pl.String, "position": pl.String, "code": pl.String, "title": pl.String, "role": pl.String,
                "confirmed": pl.Boolean, "first_seen_at": pl.Datetime("us", "UTC"), "last_seen_at": pl.Datetime("us", "UTC")},
        orient="row",
    )
    fits = pl.DataFrame(schema={"unit_id": pl.String, "component": pl.String, "fitted_on": pl.Date})
    part = pl.DataFrame({"unit_id": ["V1"], "component": ["B1S2"], "inspected_on": [date(2026, 3, 10)]} | dict.fromkeys(HELD, [None]),
                        schema_overrides=dict.fromkeys(HELD, pl.String))
    told = part.join(codes_by_component(codes, fits, "UTC"), on=["unit_id", "component"], how="left")
    assert quiet_after_inspection(told, timedelta(days=28), "UTC")["held_by"].item() == held_by


def test_a_part_tested_sound_waits_up_to_the_day_that_its_row_names():
    """Tested on Monday, 2 March, quiet for 28 days: the list of Monday, the 30th, still holds it back, that of the 6th does not."""
    quiet = timedelta(days=28)
    order = pl.DataFrame({
        "order_id": ["W1"], "unit_id": ["V1"], "component": ["B1S1"], "action": ["inspected"], "finding": ["no_fault_found"],
        "closed_on": [DAY],
    })
    assert [inspected(order, monday - quiet).height for monday in (date(2026, 3, 30), date(2026, 4, 6))] == [1, 0]
    held = quiet_after_inspection(inspected(order, DAY).with_columns(
        code_newest_at=pl.lit(None, pl.Datetime("us", "UTC")), **{name: pl.lit(None, pl.String) for name in HELD}
    ), quiet, "UTC")
    assert held["held_rule_out"].item() == "nothing now; judged again after 2026-03-30, or when a code is set"


@pytest.mark.parametrize(("zone", "held_by"), [("America/Los_Angeles", "inspected"), ("UTC", None)])
def test_a_code_of_the_day_of_the_test_is_none_that_was_set_since(zone: str, held_by: str | None):
    """01:00 UTC of Tuesday is 17:00 of Monday, the day of the test, on the Pacific coast (UTC-8)."""
    told = pl.DataFrame({
        "unit_id": ["V1"], "component": ["B1S1"], "inspected_on": [DAY],
        "code_newest_at": [datetime(2026, 3, 3, 1, tzinfo=UTC)],
    }).with_columns(**{name: pl.lit(None, pl.String) for name in HELD})
    assert quiet_after_inspection(told, timedelta(days=28), zone)["held_by"].item() == held_by
