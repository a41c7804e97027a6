"""Parts to stock: what the chances of all judged parts add up to, by depot, engine family and kind of part."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from scipy.stats import poisson

from pipeline.report.words import plain

LOW, HIGH = 0.05, 0.95
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

    The number that fail is a sum of independent chances, close to a Poisson number of the same mean (L. Le Cam,
    Pacific J. Math. 10 (1960) 1181-1197). Twelve weeks are taken at the hazard of the first four, 1 - (1 - p)^3, an
    assumption on the low side where wear goes on. Held parts count with their small chance.
    """
    judged = ranked.filter(pl.col("status").is_in(["judged", "held"]) & pl.col("probability").is_not_null())
    chance = pl.col("probability")
    shelves = (
        judged.group_by("depot", "engine_family", "part")
        .agg(four=chance.sum(), twelve=(1 - (1 - chance) ** 3).sum())
        .filter(pl.col("twelve") >= _LEAST)
        .sort("twelve", "depot", "engine_family", "part", descending=[True, False, False, False])
    )
    return [
        Stock(
            plain(row["depot"]) or "no depot given", plain(row["engine_family"]) or "not given",
            _KINDS.get(row["part"], row["part"]),
            row["four"], _range(row["four"]), row["twelve"], _range(row["twelve"]),
        )
        for row in shelves.iter_rows(named=True)
    ]


def _range(mean: float) -> tuple[int, int]:
    return int(poisson.ppf(LOW, mean)), int(poisson.ppf(HIGH, mean))
