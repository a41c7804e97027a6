"""Watch on the inputs of a classifier: do this week's features still look like those it was trained on?"""

from __future__ import annotations

import numpy as np
import polars as pl

from models.classifier import Model

LEAST_ROWS = 200  # below, ten bins differ by chance alone
SHIFTED = 0.25  # population stability index above which a shift is taken as large (common practice in credit scoring)
_LEAST_SHARE = 0.001  # an empty bin counts as this: the logarithm has no zero


def input_shift(model: Model, frame: pl.DataFrame) -> pl.DataFrame:
    """Population stability index of each feature against the deciles of the training rows.

    Sum over ten bins of (share - expected) * ln(share / expected), expected being the share that the training rows
    have in the bin (the symmetric Kullback-Leibler divergence, S. Kullback, R. A. Leibler, Ann. Math. Stat. 22 (1951)
    79-86).

    Args:
        model: with ``inputs``. frame: features of one week.

    Returns:
        feature, rows (with a value), shift (0 is alike); features with fewer than 200 values are left out.
    """
    judged = frame.filter(pl.col("status") != "not_judged")
    found: list[tuple[str, int, float]] = []
    for name, deciles in sorted(model.inputs.items()):
        if name not in judged.columns:
            continue
        values = judged[name].drop_nulls().drop_nans().to_numpy().astype(float)
        edges, up_to = deciles
        if values.size < LEAST_ROWS:
            continue
        # Equal deciles share a bin, so bins need not hold a tenth each.
        expected = np.maximum(np.diff([0.0, *up_to, 1.0]), _LEAST_SHARE)
        counted = np.bincount(np.searchsorted(edges, values, side="left"), minlength=edges.size + 1)
        share = np.maximum(counted / values.size, _LEAST_SHARE)
        found.append((name, values.size, float(np.sum((share - expected) * np.log(share / expected)))))
    return pl.DataFrame(found, schema={"feature": pl.String, "rows": pl.Int64, "shift": pl.Float64}, orient="row")


def share_shifted(inputs: pl.DataFrame) -> float:
    """Share of the watched features, as :func:`input_shift` gives them, that lie far from the training rows."""
    return float((inputs["shift"] > SHIFTED).mean() or 0.0) if inputs.height else 0.0
