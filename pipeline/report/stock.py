"""Parts to stock: what the chances of all judged parts add up to, by depot, engine family and kind of part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.report.words import plain

LOW, HIGH = 0.05, 0.95
_ROUNDING = 1e-12  # of sums: what is worked to be 0.95 may be a bit less
_KINDS = {"upstream": "upstream sensor", "downstream": "downstream sensor", "catalyst": "catalyst"}
_LEAST = 0.3  # parts expected in twelve weeks; rarer ones are ordered when they are needed


@dataclass(frozen=True)
class Stock:
    """One shelf: parts expected within 4 and 12 weeks and the range that nine of ten such fleets stay in."""

    depot: str
    family: str
    part: str
    four: float
    four_range: tuple[int, int]
    twelve: float
    twelve_range: tuple[int, int]


def stock(ranked: pl.DataFrame) -> list[Stock]:
    """Shelves where at least a third of a part is expected within twelve weeks, the fullest first.

    The number that fail is a sum of independent chances; its range is that of their exact distribution (S. D. Poisson 1837;
    a Poisson number of the same mean is close only where all chances are small). Twelve weeks are taken at the hazard of the
    first four, 1 - (1 - p)^3, an assumption on the low side where wear goes on. Held parts count with their small chance.
    """
    judged = ranked.filter(pl.col("status").is_in(["judged", "held"]) & pl.col("probability").is_not_null())
    chance = pl.col("probability")
    shelves = (
        judged.group_by("depot", "engine_family", "part")
        .agg(four=chance, twelve=1 - (1 - chance) ** 3)
        .with_columns(in_four=pl.col("four").list.sum(), in_twelve=pl.col("twelve").list.sum())
        .filter(pl.col("in_twelve") >= _LEAST)
        .sort("in_twelve", "depot", "engine_family", "part", descending=[True, False, False, False])
    )
    return [
        Stock(
            plain(row["depot"]) or "no depot given", plain(row["engine_family"]) or "not given",
            _KINDS.get(row["part"], row["part"]),
            row["in_four"], need_range(np.array(row["four"])), row["in_twelve"], need_range(np.array(row["twelve"])),
        )
        for row in shelves.iter_rows(named=True)
    ]


def need_range(chances: NDArray[np.float64]) -> tuple[int, int]:
    """5 % and 95 % quantile of how many of independent events come true, each with its own chance (0..1), shape (n_events,).

    Raises:
        ValueError: a chance outside 0..1.
    """
    if not ((chances >= 0) & (chances <= 1)).all():
        raise ValueError(f"chances must lie in 0..1, got {chances}")
    # One-sided Chebyshev (F. P. Cantelli 1928): less than 5 % lie beyond 4.36 standard deviations above the mean.
    most = int(chances.sum() + 5 * np.sqrt((chances * (1 - chances)).sum())) + 1
    cumulated = np.cumsum(_number_that_come_true(chances, most)) + _ROUNDING
    return int(np.argmax(cumulated >= LOW)), int(np.argmax(cumulated >= HIGH))


def _number_that_come_true(chances: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    """Probability of 0, 1, .. ``most`` events, by convolution of two events, of two pairs, and so on."""
    sums = np.stack([1 - chances, chances], axis=1) if chances.size else np.ones((1, 1))
    while len(sums) > 1:
        if len(sums) % 2:
            sums = np.vstack([sums, np.eye(1, sums.shape[1])])  # none comes true of no event
        first, second = sums[::2], sums[1::2]
        width = sums.shape[1]
        both = np.zeros((len(first), 2 * width - 1))
        for number in range(width):
            both[:, number : number + width] += first * second[:, number : number + 1]
        sums = both[:, : most + 1]  # what lies beyond adds nothing to what lies below
    return sums[0]
