"""Findings: the loudest indicator of each mode, agreement of a second, and the words."""

from __future__ import annotations

import polars as pl
import pytest

from models.findings import BASIC_FIRST, NOTABLE, findings, loudest
from models.words import mode_words

WORDS = ("unit_id", "component", "mode", "indicator", "quantity", "unit")
NUMBERS = ("level", "baseline", "peer_median", "healthy", "limit", "strength", "strength_28d")
CROSSINGS = ("crossing_weeks", "crossing_weeks_low", "crossing_weeks_high")
SCHEMA = dict.fromkeys(WORDS, pl.String) | dict.fromkeys((*NUMBERS, *CROSSINGS), pl.Float64)


def judged(*rows: dict) -> pl.DataFrame:
    """Judged indicators of one component and mode, with a limit of 1 and the strength as level."""
    defaults = {
        "unit_id": "V1",
        "component": "B1S1",
        "mode": "slow",
        "unit": "V",
        "healthy": 0.0,
        "limit": 1.0,
    }
    records = []
    for index, row in enumerate(rows):
        strength = row.get("strength", 1.0)
        given = {
            "indicator": f"i{index}",
            "quantity": f"quantity {index}",
            "strength": strength,
            "level": strength,
        }
        given["strength_28d"] = strength
        records.append(dict.fromkeys(SCHEMA) | defaults | given | row)
    return pl.DataFrame(records, schema=SCHEMA)


def only(*rows: dict) -> dict:
    made = findings(judged(*rows))
    assert made.height == 1
    return made.row(0, named=True)


def test_nothing_judged_finds_nothing():
    assert findings(judged()).height == 0


def test_one_indicator_alone_may_convince():
    made = only({"strength": 1.2})
    assert (made["indicator"], made["strength"], made["strength_28d"]) == ("i0", 1.2, 1.2)


@pytest.mark.parametrize(("second", "joint"), [(1.0, 1.125), (0.5, 1.0), (0.0, 0.875), (9.0, 1.25)])
def test_a_second_indicator_adds_or_takes_away_a_quarter_of_its_distance_from_half_way(second, joint):
    assert only({"strength": 1.0}, {"strength": second, "strength_28d": min(second, 0.99)})["strength"] == (
        pytest.approx(joint)
    )


def test_a_third_indicator_changes_nothing():
    two = only({"strength": 1.0}, {"strength": 0.8})
    three = only({"strength": 1.0}, {"strength": 0.8}, {"strength": 0.1})
    assert three["strength"] == two["strength"]


def test_the_loudest_is_the_one_that_will_stand_highest():
    made = only(
        {"strength": 0.6, "strength_28d": 0.6}, {"strength": 0.4, "strength_28d": 0.9, "crossing_weeks": 5.0}
    )
    assert made["indicator"] == "i1"
    assert made["crossing_weeks"] == 5.0


def test_what_is_not_notable_is_not_a_finding():
    assert findings(judged({"strength": NOTABLE - 0.01})).height == 0
    assert findings(judged({"strength": NOTABLE})).height == 1


def test_an_unknown_strength_is_no_evidence_either_way():
    assert only({"strength": 1.0}, {"strength": None, "strength_28d": None})["strength"] == 1.0
    assert findings(judged({"strength": None, "strength_28d": None})).height == 0


def test_modes_components_and_vehicles_are_kept_apart():
    made = findings(judged({}, {"mode": "weak"}, {"component": "B2S1"}, {"unit_id": "V2"}))
    assert made.height == 4
    assert made["strength"].to_list() == [1.0] * 4


def test_the_order_of_the_rows_does_not_matter():
    frame = judged({"strength": 1.0}, {"strength": 1.0}, {"strength": 0.7}, {"strength": 0.4, "mode": "weak"})
    assert findings(frame).equals(findings(frame.reverse()))


# -- the loudest mode ------------------------------------------------------------------------------


def test_a_flat_sensor_is_told_as_weak_and_not_as_slow():
    # 0.015 V of swing where 0.779 V were usual: 0.993 of the readings lie between the plateaus and the trim swings sevenfold.
    # Swing (0.779 - 0.015) / 0.234 = 3.26, share (0.993 - 0.154) / 0.296 = 2.83: both end at 2.5.
    flat = judged(
        {"mode": "slow", "indicator": "up_mid_share", "strength": 2.5}, {"mode": "slow", "indicator": "stft", "strength": 2.5},
        {"mode": "weak", "indicator": "up_swing_v", "strength": 2.5}, {"mode": "weak", "indicator": "up_p95_v", "strength": 2.0},
    )
    found = findings(flat)
    assert found["strength_28d"].to_list() == [2.75, 2.75]
    assert loudest(found)["mode"].to_list() == ["weak"]
    assert loudest(found.reverse()).equals(loudest(found))


def test_a_stronger_finding_comes_before_a_more_basic_one():
    found = findings(judged({"mode": "slow", "strength": 1.1}, {"mode": "stuck", "strength": 1.0}, {"unit_id": "V2"}))
    assert loudest(found).select("unit_id", "mode").rows() == [("V1", "slow"), ("V2", "slow")]


def test_every_mode_in_words_has_its_place_and_none_is_unknown():
    assert all(mode_words(mode) for mode in BASIC_FIRST)
    assert len(set(BASIC_FIRST)) == 8
    with pytest.raises(pl.exceptions.InvalidOperationError):
        loudest(findings(judged({"mode": "rusty"})))


# -- words -----------------------------------------------------------------------------------------


def test_words_give_value_unit_and_what_it_is_held_against():
    made = only(
        {"level": 0.4567, "limit": 0.45, "baseline": 0.1234, "peer_median": 12.34, "quantity": "dwell"}
    )
    assert made["evidence"] == "dwell: 0.457 V (limit 0.45, own past 0.123, peers 12.3)"


@pytest.mark.parametrize("unit", ["1", "share", "ratio"])
def test_pure_numbers_have_no_unit(unit):
    assert only({"level": 1.234, "unit": unit})["evidence"] == "quantity 0: 1.23 (limit 1.0)"


@pytest.mark.parametrize("value, said", [(-0.0004, "0.0"), (0.0, "0.0"), (-0.0, "0.0"), (-0.0006, "-0.001")])
def test_nothing_has_no_sign(value, said):
    assert only({"level": value})["evidence"] == f"quantity 0: {said} V (limit 1.0)"


@pytest.mark.parametrize(
    ("value", "said"), [(490.0, "490"), (717.24, "717"), (99.96, "100"), (99.94, "99.9"), (12.34, "12.3"), (-380.4, "-380")]
)
def test_three_digits_are_three_from_a_hundred_on(value, said):
    """490.0 s of a median of two cold starts is not known to a tenth; the card's plot says 490."""
    assert only({"level": value})["evidence"] == f"quantity 0: {said} V (limit 1.0)"


def test_words_name_the_loudest_first_and_three_at_most():
    made = only(*({"strength": strength} for strength in (0.5, 0.9, 0.7, 0.8, 0.1)))
    named = [part.split(" (")[0] for part in made["evidence"].split("; ")]
    assert named == ["quantity 1: 0.9 V", "quantity 3: 0.8 V", "quantity 2: 0.7 V"]


def test_weak_evidence_is_not_worth_a_word():
    assert "quantity 1" not in only({"strength": 1.0}, {"strength": 0.2})["evidence"]
