"""Which indicators move a row: contributions that sum exactly to the log-odds behind its probability.

Along the path of a row through a tree, each split moves the expected value; the move belongs to the feature that was
split on (A. Saabas, "Interpreting random forests", 2014; the same sums as in A. Palczewska et al., IEEE IRI 2013).
Expected values of inner nodes are means of their leaves, weighed by the training rows in them.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from sklearn.ensemble import HistGradientBoostingClassifier

from models.classifier import FamilyModel, limits_of, matrix, with_period
from models.features import KEYS, MEASURES, indicator_of

Floats = NDArray[np.float64]

WITHIN = 3  # intervals up to 28 days: what the list promises
LIMITS = "limits and trends"
SHOWN = 3


def contributions(part: FamilyModel, frame: pl.DataFrame) -> tuple[Floats, Floats]:
    """Base and contributions of the mean log-odds of the hazards up to 28 days.

    Args:
        part: model of a component family. frame: rows of that family, of :func:`models.features.features`.

    Returns:
        base, shape (rows,), and contributions, shape (rows, features + 1), the last of limits and trends as a judge of
        their own; base plus their sum is the mean over the intervals of :func:`models.classifier.join`.
    """
    values = matrix(frame, part.features)
    base = np.zeros(len(values))
    parts = np.zeros((len(values), len(part.features) + 1))
    for interval in range(WITHIN):
        level, trees, limits = part.joining[interval]
        start, moved = tree_contributions(part.trees, with_period(values, interval))
        base += level + trees * (start + moved[:, -1])  # the interval is the same for all rows
        parts[:, :-1] += trees * moved[:, :-1]
        parts[:, -1] += limits * limits_of(frame)
    return base / WITHIN, parts / WITHIN


def tree_contributions(trees: HistGradientBoostingClassifier, values: NDArray[np.float32]) -> tuple[float, Floats]:
    """Expected raw score of the trees, and what each feature adds to it in each row, shape (rows, features).

    The two sum to ``trees.decision_function(values)``. For two classes and numeric features only.
    """
    moved = np.zeros(values.shape)
    start = float(np.ravel(trees._baseline_prediction)[0])
    every = np.arange(len(values))
    for (predictor,) in trees._predictors:
        nodes = predictor.nodes
        expected = _expected(nodes)
        start += expected[0]
        at = np.zeros(len(values), dtype=np.int64)
        inner = every[nodes["is_leaf"][at] == 0]
        while inner.size:
            node = nodes[at[inner]]
            which = node["feature_idx"]
            value = values[inner, which]
            left = np.where(np.isnan(value), node["missing_go_to_left"] == 1, value <= node["num_threshold"])
            child = np.where(left, node["left"], node["right"]).astype(np.int64)
            moved[inner, which] += expected[child] - expected[at[inner]]
            at[inner] = child
            inner = inner[nodes["is_leaf"][child] == 0]
    return start, moved


def movers(part: FamilyModel, frame: pl.DataFrame) -> pl.DataFrame:
    """The three indicators that move each row most towards failing.

    Contributions of all measures of an indicator are added; those of the largest of a measure belong to the indicator
    that is the largest there. What codes, tests and neighbours add is named by their own.

    Returns:
        week_start, unit_id, component, place (1 first), mover (an indicator or the name of another feature), moves
        (log-odds); only what is known and moves by more than 0.05.
    """
    _, parts = contributions(part, frame)
    names = [*part.features, LIMITS]
    owners = [_owners(name, frame, part.features) for name in names]
    # That something is not known may move a row, too, and is no word against the part.
    known = np.column_stack([~np.isnan(matrix(frame, part.features)), np.ones(frame.height, dtype=bool)])
    pieces = [
        frame.select(KEYS).with_columns(mover=owner, moves=pl.Series(parts[:, place])).filter(pl.Series(known[:, place]))
        for place, owner in enumerate(owners)
    ]
    summed = pl.concat(pieces).group_by(*KEYS, "mover").agg(pl.col("moves").sum()).filter(pl.col("moves") > 0.05)
    return (
        summed.sort(*KEYS, "moves", "mover", descending=[False, False, False, True, False])
        .with_columns(place=pl.int_range(1, pl.len() + 1).over(KEYS))
        .filter(pl.col("place") <= SHOWN)
        .select(*KEYS, "place", "mover", "moves")
    )


def _expected(nodes: NDArray) -> Floats:
    """Expected value of every node; children stand behind their parent in the array."""
    value = nodes["value"].astype(float).copy()
    for place in np.flatnonzero(nodes["is_leaf"] == 0)[::-1]:
        left, right = int(nodes["left"][place]), int(nodes["right"][place])
        many, few = float(nodes["count"][left]), float(nodes["count"][right])
        value[place] = (many * value[left] + few * value[right]) / (many + few)
    return value


def _owners(name: str, frame: pl.DataFrame, features: list[str]) -> pl.Series:
    """Indicator, or plain name, that each row's contribution of a feature belongs to."""
    head, _, measure = name.partition(".")
    if head not in ("top", "second"):
        return pl.Series([indicator_of(name) or name] * frame.height)
    each = [other for other in features if other.partition(".")[0] == measure and measure in MEASURES]
    if not each:
        return pl.Series([name] * frame.height)
    values = np.nan_to_num(matrix(frame, each), nan=-np.inf)
    place = 0 if head == "top" or len(each) == 1 else 1
    order = np.argsort(-values, axis=1, kind="stable")[:, place]
    return pl.Series([indicator_of(each[index]) for index in order])
