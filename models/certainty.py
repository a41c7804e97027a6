"""How sure a chance is: what became of parts with such a chance on other fleets.

A chance of 0.6 is an average over fleets. On one of them fewer such parts were bad, on another more; the interval of the
observed share, resampled by fleet and vehicle, says how many. It is carried over to a single chance in log-odds, so that
near certainty little changes; within a bin the order of two chances stays.
"""

from __future__ import annotations

import polars as pl

from models.features import logit

COLUMNS = {"chance_from": pl.Float64, "said": pl.Float64, "observed": pl.Float64, "low": pl.Float64, "high": pl.Float64,
           "n": pl.Int64}


def with_interval(frame: pl.DataFrame, reliability: pl.DataFrame) -> pl.DataFrame:
    """Add p28_low, p28_high, p7_low and p7_high (0..1) to rows with p28 and p7.

    In log-odds, both chances move by what lies between the chance said and the ends of the observed share in the bin of
    p28; a bin that was observed on one side of what was said moves only to that side, so p stays within its interval.

    Args:
        reliability: chance_from (lower edge of the bin, the first 0), said (mean chance), observed, low, high (share of
            bad parts and its 90 % interval), n; in order, bins end where the next begins.
    """
    said, low, high = (logit(pl.col(name)) for name in ("said", "low", "high"))
    bins = reliability.sort("chance_from").select(
        _from="chance_from", _down=(low - said).clip(upper_bound=0), _up=(high - said).clip(lower_bound=0)
    )
    keyed = frame.with_row_index("_row").sort("p28").join_asof(bins, left_on="p28", right_on="_from").sort("_row")

    def moved(name: str, by: str) -> pl.Expr:
        odds = (pl.col(name) / (1 - pl.col(name))).log() + pl.col(by)
        inside = (pl.col(name) > 0) & (pl.col(name) < 1)
        return pl.when(inside).then(1 / (1 + (-odds).exp())).otherwise(name)

    return keyed.with_columns(
        p28_low=moved("p28", "_down"), p28_high=moved("p28", "_up"), p7_low=moved("p7", "_down"), p7_high=moved("p7", "_up")
    ).drop("_row", "_from", "_down", "_up")
