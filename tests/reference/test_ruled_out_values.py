"""What the shipped order of blame says is ruled out by the data, and what it leaves to rule out by hand.

Source: domain reference 3.3 (order of diagnosis) and 6.1 (decision table of upstream and downstream sensors): what the data
show to be so is looked at by hand, whatever else explains it.
"""

from __future__ import annotations

import polars as pl
import pytest

from models.blame import Measured, evaluate
from models.calls import ruled_out
from pipeline.facts import read_blame, read_indicators
from pipeline.settings import Settings

PARTS = ("upstream", "downstream", "catalyst")
Told = tuple[set[str], set[str]]


def told(
    part: str, levels: dict[str, tuple[float, ...]], codes: tuple[tuple[str, str], ...] = (),
    found: tuple[tuple[str, str, float], ...] = (),
) -> Told:
    """Words that are ruled out and words that are not, of a part of a vehicle with one bank whose codes are read and of which
    every indicator is known and at nought but ``levels``: indicator -> (level, change, apart from peers).

    Args:
        codes: (part, role). found: (part, mode, strength).
    """
    facts, holds, _ = read_blame(Settings())
    banks = pl.DataFrame({"unit_id": ["V1"], "bank": [1]}, schema_overrides={"bank": pl.Int32})
    quiet = dict.fromkeys(read_indicators(Settings())["indicator"], (0.0, 0.0, 0.0))
    quiet |= {"supply_v": (14.0, 0.0, 0.0), "warm_coolant_degc": (90.0, 0.0, 0.0), "warmest_coolant_degc": (90.0, 0.0, 0.0)}
    quiet |= {"down_level_v": (0.7, 0.0, 0.0), "catalyst_margin": (2.0,), "upstream_margin": (2.0,)}
    rows = [("V1", 1, name, *(*level, None, None)[:3]) for name, level in (quiet | levels).items()]
    shape = {"unit_id": pl.String, "bank": pl.Int32}
    numbers = shape | {"indicator": pl.String, "level": pl.Float64, "change": pl.Float64, "apart": pl.Float64}
    active = pl.DataFrame([("V1", 1, *code) for code in codes], shape | {"part": pl.String, "role": pl.String}, orient="row")
    loud = shape | {"part": pl.String, "mode": pl.String, "strength": pl.Float64}
    findings = pl.DataFrame([("V1", 1, *finding) for finding in found], loud, orient="row")
    measured = Measured(pl.Series(["V1"]), banks.join(pl.DataFrame({"part": PARTS}), how="cross"))
    known = evaluate(banks, facts, pl.DataFrame(rows, numbers, orient="row"), active, findings, measured)
    made = ruled_out(banks.with_columns(part=pl.lit(part)), known, holds)
    return tuple(set(made[name].item().split(", ")) - {""} for name in ("ruled_out", "not_ruled_out"))  # type: ignore[return-value]


CONTRADICTED = {"lean_bias_pct": (5.0, 5.0, 5.0)}  # the downstream sensor is rich: the upstream one reads lean


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({"trim_pct": (14.0, 14.0, 14.0)}, "fuel trims out of range"),
        ({"trim_idle_less_cruise_pct": (9.0, 0.0, 0.0)}, "false air at idle"),
        ({"trim_idle_less_cruise_pct": (3.5, 3.0, 3.2)}, "false air at idle"),
        ({"trim_load_less_cruise_pct": (3.0, 2.0, 2.0)}, "a lack of fuel under load"),
        ({"trim_purge_shift_pct": (9.0, 0.0, 0.0)}, "purge"),
    ],
)
def test_trims_that_are_off_are_left_to_look_at_though_the_downstream_sensor_speaks_for_the_upstream_one(
    levels: dict[str, tuple[float, ...]], words: str
) -> None:
    stuck = {"up_stuck_share": (0.9, 0.9, 0.9)}  # excepts the idle trim that moved
    cleared, left = told("upstream", levels | CONTRADICTED | stuck)
    assert words not in cleared and words in left
    assert words in told("upstream", CONTRADICTED)[0]  # and are ruled out where they are as they should be


def test_a_lack_of_fuel_under_load_is_not_ruled_out_by_trims_at_their_stop() -> None:
    cleared, left = told("upstream", {"trim_load_less_cruise_pct": (3.0, 2.0, 2.0), "trim_pct": (14.0, 14.0, 14.0)})
    assert "a lack of fuel under load" in left and "fuel trims out of range" not in cleared | left  # that is its reason


def test_an_air_mass_that_reads_high_is_not_ruled_out() -> None:
    # The equation of speed and density: the meter is off to either side.
    words = "air mass flow against manifold pressure"
    assert words in told("upstream", {"maf_off_pct": (0.0,)})[0]
    for off in (-15.0, 15.0):
        cleared, _ = told("upstream", {"maf_off_pct": (off,)})
        assert words not in cleared, off


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ({"trim_pct": (9.0, 0.0, 0.0)}, "a lean mixture"),
        ({"down_level_v": (0.2, 0.0, 0.0)}, "a lean mixture"),
        ({"trim_pct": (-9.0, 0.0, 0.0)}, "a rich mixture"),
        ({"down_level_v": (0.8, 0.0, 0.0)}, "a rich mixture"),
    ],
)
def test_a_mixture_of_which_one_of_two_signs_is_there_is_not_ruled_out(levels: dict[str, tuple[float, ...]], words: str) -> None:
    # Decision table: trims that add fuel with a downstream sensor that is not lean are a fault that is trimmed away, or a sensor.
    cleared, left = told("upstream", levels)
    assert words not in cleared and words in left
    assert words in told("upstream", {})[0]


@pytest.mark.parametrize(
    ("levels", "codes", "words"),
    [
        ({"rear_activity_v": (0.05, 0.0, 0.0)}, (("catalyst", "catalyst"),), "a downstream sensor at rest"),
        ({"rear_activity_v": (0.2, 0.1, 0.1), "recovery_s": (6.0, 0.0, 0.0), "catalyst_margin": (-0.2,)}, (), "a mixture that swings"),
        ({"recovery_s": (9.0, 5.0, 5.0)}, (), "air behind the catalyst"),
        ({"down_low_share": (0.3, 0.25, 0.25)}, (), "air ahead of the downstream sensor"),
        ({"up_mean_v": (0.6, 0.15, 0.15)}, (), "an upstream signal off to one side"),
        ({"wide_steady_spread": (0.05, 0.03, 0.03)}, (), "an upstream signal that grew unsteady"),
    ],
)
def test_what_a_catalyst_waits_for_is_not_ruled_out_where_it_is_so(
    levels: dict[str, tuple[float, ...]], codes: tuple[tuple[str, str], ...], words: str
) -> None:
    cleared, left = told("catalyst", levels, codes)
    assert words not in cleared and words in left
    lively = {"rear_activity_v": (0.2, 0.0, 0.0)}
    assert words in told("catalyst", lively, codes)[0]


@pytest.mark.parametrize("part", ["downstream", "catalyst"])
@pytest.mark.parametrize(
    ("levels", "codes", "found"),
    [
        ({"upstream_margin": (-0.2,)}, (), ()),  # domain reference 3.3, step 8
        ({}, (), (("upstream", "slow", 0.5),)),
        ({"down_range_v": (0.3, -0.3, -0.4)}, (("upstream", "stuck"),), ()),  # the code is contradicted, and stands
    ],
)
def test_an_upstream_sensor_with_something_against_it_is_not_ruled_out(
    part: str, levels: dict[str, tuple[float, ...]], codes: tuple[tuple[str, str], ...], found: tuple[tuple[str, str, float], ...]
) -> None:
    named = (*codes, ("catalyst", "catalyst"))  # a code names the catalyst, too: the half-off sensor does not hold it
    cleared, left = told(part, levels, named, found)
    assert "the upstream sensor" not in cleared and "the upstream sensor" in left
    assert "the upstream sensor" in told(part, {}, (("catalyst", "catalyst"),))[0]


@pytest.mark.parametrize(
    ("levels", "found"), [({"downstream_margin": (-0.2,)}, ()), ({}, (("downstream", "slow", 0.5),))]
)
def test_a_downstream_sensor_with_something_against_it_is_not_ruled_out(
    levels: dict[str, tuple[float, ...]], found: tuple[tuple[str, str, float], ...]
) -> None:
    # Domain reference 3.3, step 9: a lazy downstream sensor hides a dead catalyst, a leaking one fakes it.
    cleared, left = told("catalyst", levels, (("catalyst", "catalyst"),), found)
    assert "the downstream sensor" not in cleared and "the downstream sensor" in left
    assert "the downstream sensor" in told("catalyst", {})[0]
