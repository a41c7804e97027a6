"""Probability from evidence: monotone, silent about what is missing, and a share while something is held
back.
"""

from __future__ import annotations

import math
from dataclasses import replace

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.probability import Weights, with_probability

WEIGHTS = Weights(intercept=-6.0, strength=5.0, worn=1.5, code_confirmed=3.0, code_pending=1.0, margin=2.0, margin_gone=4.0, held=0.25)
SCHEMA = {
    "status": pl.String,
    "strength": pl.Float64,
    "strength_28d": pl.Float64,
    "worn": pl.Float64,
    "code_confirmed": pl.Boolean,
    "margin_lack": pl.Float64,
    "margin_gone": pl.Float64,
    "margin_gone_28d": pl.Float64,
}


def likely(weights: Weights = WEIGHTS, **columns: object) -> tuple[float, float]:
    """Probability within 28 and within 7 days of one judged component."""
    given = dict.fromkeys(SCHEMA) | {"status": "judged"} | columns
    row = with_probability(pl.DataFrame([given], schema=SCHEMA), weights).row(0, named=True)
    return row["probability"], row["probability_7d"]


def logistic(odds: float) -> float:
    return 1 / (1 + math.exp(-odds))


def test_without_evidence_it_is_the_intercept():
    assert likely() == pytest.approx((logistic(-6), logistic(-6)))


def test_evidence_adds_in_log_odds():
    made = likely(strength=1.0, strength_28d=1.0, worn=0.5, code_confirmed=True, margin_lack=1.0)
    assert made[0] == pytest.approx(logistic(-6 + 5 + 1.5 * 0.5 + 3 + 2))


def test_nothing_is_surer_than_the_surest_share():
    capped = replace(WEIGHTS, surest=0.96)
    everything = {"strength": 2.0, "strength_28d": 2.0, "worn": 1.0, "code_confirmed": True, "margin_lack": 1.0}
    assert likely(capped, **everything)[0] == pytest.approx(0.96 * logistic(-6 + 10 + 0.75 + 3 + 2))
    assert 0.9599 < likely(capped, **everything)[0] < 0.96
    # What is unlikely stays what it is, but for the same share.
    assert likely(capped)[0] == pytest.approx(0.96 * logistic(-6))


def test_a_test_on_its_way_to_the_limit_counts_by_what_will_be_gone():
    """Half gone now, nine tenths in 28 days: in 7 days 0.5 + 0.4 / 4."""
    made = likely(margin_gone=0.5, margin_gone_28d=0.9)
    assert made == pytest.approx((logistic(-6 + 4 * 0.9), logistic(-6 + 4 * 0.6)))
    assert likely(margin_gone=None, margin_gone_28d=None) == likely()


def test_wear_that_is_sure_counts_up_to_half_the_way():
    assert likely(worn=0.25)[0] == pytest.approx(logistic(-6 + 1.5 * 0.25))
    assert likely(worn=0.5) == likely(worn=1.5) == pytest.approx((logistic(-6 + 1.5 * 0.5),) * 2)


def test_a_confirmed_code_weighs_more_than_a_pending_one_and_that_more_than_none():
    confirmed, pending, none = (likely(code_confirmed=state)[0] for state in (True, False, None))
    assert confirmed == pytest.approx(logistic(-3))
    assert pending == pytest.approx(logistic(-5))
    assert none == pytest.approx(logistic(-6))


@pytest.mark.parametrize(("lack", "added"), [(None, 0), (0.0, 0), (0.25, 0.5), (0.5, 1)])
def test_what_an_on_board_test_lacks_counts(lack, added):
    assert likely(margin_lack=lack)[0] == pytest.approx(logistic(-6 + added))


@pytest.mark.parametrize("lack", [0.51, 1.0])
def test_a_failed_on_board_test_is_a_pending_code_too(lack):
    # SAE J1979: the test whose result service $06 shows sets the pending code that service $07 shows.
    assert likely(margin_lack=lack) == likely(margin_lack=lack, code_confirmed=False)
    assert likely(margin_lack=lack)[0] == pytest.approx(logistic(-6 + 1 + 2 * lack))
    assert likely(margin_lack=lack, code_confirmed=True)[0] == pytest.approx(logistic(-6 + 3 + 2 * lack))


def test_a_week_lies_a_quarter_of_the_way_to_four():
    four, one = likely(strength=0.4, strength_28d=0.8)
    assert four == pytest.approx(logistic(-6 + 5 * 0.8))
    assert one == pytest.approx(logistic(-6 + 5 * 0.5))


def test_what_is_held_back_keeps_a_share():
    free, held = likely(strength_28d=1.0), likely(status="held", strength_28d=1.0)
    assert held == pytest.approx((free[0] * 0.25, free[1] * 0.25))


@pytest.mark.parametrize("status", ["not_judged", "out_of_scope"])
def test_what_is_not_judged_has_no_probability(status):
    assert likely(status=status, strength=1.0, strength_28d=1.0) == (None, None)


evidence = st.fixed_dictionaries(
    {
        "strength": st.one_of(st.none(), st.floats(0, 3)),
        "strength_28d": st.one_of(st.none(), st.floats(0, 3)),
        "worn": st.one_of(st.none(), st.floats(0, 1.5)),
        "code_confirmed": st.sampled_from([None, False, True]),
        "margin_lack": st.one_of(st.none(), st.floats(0, 1)),
    }
)


@settings(max_examples=100, deadline=None)
@given(known=evidence, more=st.floats(0, 2))
def test_more_evidence_never_lowers_it(known, more):
    before = likely(**known)
    assert 0 < before[1] <= before[0] < 1
    worse = [
        {"strength_28d": (known["strength_28d"] or 0) + more, "strength": (known["strength"] or 0) + more},
        {"worn": (known["worn"] or 0) + more},
        {"code_confirmed": True},
        {"margin_lack": min((known["margin_lack"] or 0) + more, 1)},
    ]
    for change in worse:
        after = likely(**(known | change))
        assert after[0] >= before[0] - 1e-12
        assert after[1] >= before[1] - 1e-12


@settings(max_examples=50, deadline=None)
@given(known=evidence)
def test_missing_evidence_adds_nothing(known):
    stand_ins = {"strength": 0.0, "strength_28d": 0.0, "worn": 0.0, "margin_lack": 0.0}
    filled = known | {name: value for name, value in stand_ins.items() if known[name] is None}
    assert likely(**filled) == pytest.approx(likely(**known))
