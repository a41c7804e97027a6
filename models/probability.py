"""Probability of failing within 28 days from limits, trends, codes and on-board tests, before any classifier."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from models.codes import EASY_MARGIN
from models.limits import STRENGTH_MOST

# That a part has surely gone half the way to its limit says that it wears; how far it is by now is said by the strength. On
# 18 simulated fleets of seven generators what went further failed no more often within 28 days at the same strength.
WORN_ENOUGH = 0.5
_WEEK = 0.25  # of 28 days


@dataclass(frozen=True)
class Weights:
    """Log-odds of a logistic sum; ``held`` is the share of the probability that stays while a part is held back, and ``surest``
    the most that any evidence gives, since of the parts that everything speaks against some are sound.
    """

    intercept: float
    strength: float
    worn: float
    code_confirmed: float
    code_pending: float
    margin: float
    margin_gone: float
    held: float
    surest: float = 1.0


def with_probability(components: pl.DataFrame, weights: Weights) -> pl.DataFrame:
    """Add probability (28 days) and probability_7d.

    log-odds = intercept + strength * forecast strength + worn * (how far it has surely gone towards its limit since its
    own past, 0 to :data:`WORN_ENOUGH`) + code + margin * (what a newest on-board test lacks to an easy pass, 0 to 1) +
    margin_gone * (share of its margin that an on-board test will have lost against the part's own past). A test that failed
    counts as a pending code, too, where no code names the part. Missing evidence adds nothing: it is neither fault nor
    health. The forecasts of 7 days lie a quarter of the way from now to 28 days.

    Args:
        components: status, strength, strength_28d (null where nothing is notable), worn (null where nothing is judged),
            code_confirmed (null where no code names the part), margin_lack (of
            :func:`models.codes.margin_lacks`, null where no test ran), margin_gone and margin_gone_28d (of
            :func:`models.margins.margin_paths`, null where no test loses margin).
    """
    now, later = pl.col("strength").fill_null(0), pl.col("strength_28d").fill_null(0)
    soon = now + (later - now) * _WEEK
    gone, gone_later = pl.col("margin_gone").fill_null(0), pl.col("margin_gone_28d").fill_null(0)
    # A test that fails is what sets a pending code; exports may hold the one without the other (SAE J1979, $06 and $07).
    failed = pl.col("margin_lack").fill_null(0) > EASY_MARGIN
    code = (
        pl.when(pl.col("code_confirmed").is_null()).then(pl.when(failed).then(weights.code_pending).otherwise(0.0))
        .when(pl.col("code_confirmed")).then(weights.code_confirmed)
        .otherwise(weights.code_pending)
    )
    worn = weights.worn * pl.col("worn").fill_null(0).clip(upper_bound=WORN_ENOUGH)
    lacking = weights.margin * pl.col("margin_lack").fill_null(0)

    def probability(strength: pl.Expr, gone: pl.Expr) -> pl.Expr:
        odds = weights.intercept + weights.strength * strength.clip(0, STRENGTH_MOST) + worn + code + lacking
        odds += weights.margin_gone * gone
        likely = weights.surest / (1 + (-odds).exp())
        return (
            pl.when(pl.col("status") == "judged").then(likely)
            .when(pl.col("status") == "held").then(likely * weights.held)
        )

    return components.with_columns(
        probability=probability(pl.max_horizontal(later, soon), gone_later),
        probability_7d=probability(soon, gone + (gone_later - gone) * _WEEK),
    ).with_columns(probability_7d=pl.min_horizontal("probability", "probability_7d"))
