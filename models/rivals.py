"""Rivals of the classifier: one set of trees for all families, and a plain logistic regression."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler
from threadpoolctl import threadpool_limits

from models.classifier import TREES, matrix
from models.features import FAMILIES, direction, feature_names

Floats = NDArray[np.float64]
_FAR = 4.0  # a standardised feature beyond this says no more


def _with_family(frame: pl.DataFrame, names: list[str]) -> Floats:
    """Features and one column a family."""
    family = frame["family"].to_numpy()
    return np.column_stack([matrix(frame, names), *((family == name).astype(np.float32) for name in FAMILIES)])


def shared_scores(train: pl.DataFrame, hit: NDArray, test: pl.DataFrame, seed: int = 0) -> Floats:
    """28-day log-odds of ``test`` by one set of trees over all families, the family being a feature."""
    names = [name for name in feature_names(train) if train[name].count() > 0]
    signs = [direction(name) for name in names] + [0] * len(FAMILIES)
    trees = HistGradientBoostingClassifier(**TREES, random_state=seed, monotonic_cst=signs)
    with threadpool_limits(1):
        return trees.fit(_with_family(train, names), hit).decision_function(_with_family(test, names))


def logistic_scores(train: pl.DataFrame, hit: NDArray, test: pl.DataFrame) -> Floats:
    """28-day log-odds of ``test`` by a logistic regression on the features that summarise a part.

    What is missing counts as unremarkable (zero), which trees need not assume.
    """
    names = [name for name in feature_names(train) if name.split(".")[0] in ("top", "second") or "." not in name]

    def values(frame: pl.DataFrame) -> Floats:
        return np.nan_to_num(_with_family(frame, names).astype(float))

    scale = StandardScaler().fit(values(train))
    model = LogisticRegression(C=0.05, max_iter=500)
    with threadpool_limits(1):
        model.fit(np.clip(scale.transform(values(train)), -_FAR, _FAR), hit)
        return model.decision_function(np.clip(scale.transform(values(test)), -_FAR, _FAR))
