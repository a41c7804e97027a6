"""Margins of on-board tests: given results -> the new ones and how far each lies from its limit."""

from __future__ import annotations

import polars as pl
import pytest

from tests.sql.given import at, rows, run

STEP = "66_test_margins"
TOP = 65535


def results(*raw: tuple[int, int, int], scale: float = 0.001, **shared: object) -> pl.DataFrame:
    """Results as raw (value, lower limit, upper limit), a minute apart."""
    given = {
        "unit_id": "V1",
        "obdmid": 0x21,
        "tid": 0x80,
        "uasid": 0x0A,
        "export_id": "e",
        "arrived_at": at(0),
    }
    return rows(
        "onboard_tests",
        [
            given
            | {"ts": at(60 * index), "line": index + 2, "has_run": any(numbers)}
            | dict(zip(("value_raw", "min_raw", "max_raw"), numbers, strict=True))
            | dict(zip(("value", "min", "max"), (number * scale for number in numbers), strict=True))
            | shared
            for index, numbers in enumerate(raw)
        ],
    )


def margins(frame: pl.DataFrame) -> list[float]:
    return [round(value, 6) for value in run(STEP, onboard_tests=frame)["margin"]]


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_a_catalyst_result_above_its_lower_limit():
    # SAE J1979-DA example of a catalyst result: 3300 steps of 0.000305 are 1.0065, the lower limit is
    # 0.31232.
    frame = results((3300, 1024, TOP), scale=0.000305)
    assert frame["value"].item() == pytest.approx(1.0065)
    assert frame["min"].item() == pytest.approx(0.31232)
    assert margins(frame) == pytest.approx([2.22], abs=0.005)


def test_a_failed_test_has_a_negative_margin():
    assert margins(results((50, 100, TOP), (300, 0, 200))) == [-0.5, -0.5]


@pytest.mark.parametrize("tid", [1, 2, 3, 4])
def test_a_constant_is_no_test(tid: int):
    """SAE J1979-DA: $46 01 01 0A 0E69 0E69 0E69 is the threshold voltage of B1S1, 450.06 mV, and no result at its limit."""
    told = results((0x0E69, 0x0E69, 0x0E69), scale=0.000122, obdmid=0x01, tid=tid)
    assert told["value"].item() == pytest.approx(0.45006, abs=5e-5)
    assert margins(told) == []
    assert margins(results((0x0E69, 0x0000, TOP), obdmid=0x01, tid=tid)) == []  # limits at the ends of the scale
    assert margins(results((300, 300, 300), obdmid=0x21, tid=0x80)) == []  # a constant of the maker's own
    assert len(margins(results((0x0055, 0x0000, 0x0078), obdmid=0x01, tid=5))) == 1  # a switch time is measured


def test_a_value_at_its_limit_has_none_left():
    assert margins(results((100, 100, TOP))) == [0]


def test_the_nearer_of_two_limits_counts():
    assert margins(results((150, 100, 400), (390, 100, 400))) == [0.5, 0.025]


def test_a_repeated_result_is_not_a_new_test():
    assert margins(results((150, 100, TOP), (150, 100, TOP), (160, 100, TOP), (150, 100, TOP))) == [
        0.5,
        0.6,
        0.5,
    ]


def test_the_same_value_against_another_limit_is_a_new_test():
    assert margins(results((150, 100, TOP), (150, 120, TOP))) == [0.5, 0.25]


def test_a_test_that_has_not_run_is_missing_and_not_passed():
    assert margins(results((0, 0, 0), (0, 0, 0))) == []


def test_a_clear_between_equal_results_does_not_make_the_second_new():
    assert margins(results((150, 100, TOP), (0, 0, 0), (150, 100, TOP))) == [0.5]


def test_a_test_without_limits_has_no_margin():
    assert margins(results((150, 0, TOP))) == []


def test_a_signed_scaling_ends_at_its_own_ends():
    # Unit-and-scaling ids from 0x80 on are signed (SAE J1979-DA): 0x8000 and 0x7FFF are no limits, 0 is one of them.
    shift = {"uasid": 0x84, "value": -0.1, "min": -0.25, "max": 0.25}
    assert margins(results((0xFF9C, 0xFF06, 0x00FA), **shift)) == [0.6]
    assert margins(results((0xFF9C, 0x8000, 0x7FFF), **shift)) == []
    assert margins(results((0xFF9C, 0x8000, 0x00FA), **shift)) == [1.4]


@pytest.mark.parametrize(
    ("raw", "scaled", "margin"),
    [
        # Domain reference 2 (SAE J1979): passed is min <= value <= max in scaled units, and a signed 0 is a limit as any other.
        ((0x0064, 0xFF06, 0x0000), (0.1, -0.25, 0.0), -0.4),  # a tenth above a maximum of 0, of a quarter below it
        ((0xFF9C, 0xFF06, 0x0000), (-0.1, -0.25, 0.0), 0.4),
        ((0xFED4, 0xFF06, 0x0000), (-0.3, -0.25, 0.0), -0.2),
        ((0xFF9C, 0x0000, 0x00FA), (-0.1, 0.0, 0.25), -0.4),
        ((0x0064, 0x0000, 0x00FA), (0.1, 0.0, 0.25), 0.4),
        ((0x0000, 0x0000, 0x00FA), (0.0, 0.0, 0.25), 0.0),
        # A lone limit of 0 has no size: passed or failed is all that it tells.
        ((0x0064, 0x8000, 0x0000), (0.1, -32.768, 0.0), -1.0),
        ((0xFF9C, 0x8000, 0x0000), (-0.1, -32.768, 0.0), 1.0),
        ((0xFF9C, 0x0000, 0x7FFF), (-0.1, 0.0, 32.767), -1.0),
        ((0x0000, 0x0000, 0x7FFF), (0.0, 0.0, 32.767), 0.0),
    ],
)
def test_a_signed_limit_of_nought_is_a_limit(
    raw: tuple[int, int, int], scaled: tuple[float, float, float], margin: float
):
    told = dict(zip(("value", "min", "max"), scaled, strict=True))
    assert margins(results(raw, uasid=0x84, **told)) == [margin]


def test_an_unsigned_minimum_of_nought_is_none_and_an_offset_one_is_a_limit():
    assert margins(results((50, 0, 100))) == [0.5]
    # $16 is 0.1 degC a step from -40 degC on (SAE J1979-DA): raw 400 is 0 degC, and -10 degC lie below it.
    assert margins(results((300, 400, 1400), uasid=0x16, value=-10.0, min=0.0, max=100.0)) == [-0.1]


def test_a_result_knows_until_when_it_was_read():
    frame = results((150, 100, TOP), (90, 100, TOP), (90, 100, TOP), (0, 0, 0), (90, 100, TOP), (80, 100, TOP))
    made = run(STEP, onboard_tests=frame)
    assert made["ts"].to_list() == [at(0), at(60), at(300)]
    assert made["seen_until"].to_list() == [at(0), at(240), at(300)]


def test_tests_are_kept_apart():
    same = [
        results((150, 100, TOP)),
        results((150, 100, TOP), tid=0x81),
        results((150, 100, TOP), obdmid=0x22),
    ]
    assert margins(pl.concat(same)) == [0.5, 0.5, 0.5]
