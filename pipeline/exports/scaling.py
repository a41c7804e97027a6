"""Service $06 results: raw 16 bit values -> physical units by unit-and-scaling id.

The ids are those of SAE J1979-DA (= ISO 15031-5), appendix E, as far as the monitors of oxygen sensors and
catalysts use them; from memory, cross-checked against public lists. They stand in
``config/onboard_tests.csv``.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.settings import CONFIG


@dataclass(frozen=True)
class Scaling:
    """Physical value = raw * per_bit + offset, raw a 16 bit number, two's complement where ``signed``."""

    uasid: int
    per_bit: float
    offset: float
    unit: str
    signed: bool


@cache
def scalings() -> dict[int, Scaling]:
    """Unit-and-scaling id -> scaling."""
    with (CONFIG / "onboard_tests.csv").open(encoding="utf-8", newline="") as handle:
        return {
            int(row["uasid"], 16): Scaling(
                uasid=int(row["uasid"], 16),
                per_bit=float(row["per_bit"]),
                offset=float(row["offset"]),
                unit=row["unit"],
                signed=row["signed"] == "1",
            )
            for row in csv.DictReader(handle)
        }


def scale(results: pl.DataFrame) -> pl.DataFrame:
    """The results with ``value``, ``min``, ``max`` in physical units and ``known``.

    Args:
        results: at least ``uasid`` (0 to 255) and ``value_raw``, ``min_raw``, ``max_raw`` (0 to 65535).

    Returns:
        The same rows in the same order. Where the id is not listed ``known`` is false, the values raw.
    """
    listed = pl.DataFrame(
        [(s.uasid, s.per_bit, s.offset, s.signed) for s in scalings().values()],
        schema={"uasid": pl.Int32, "_per_bit": pl.Float64, "_offset": pl.Float64, "_signed": pl.Boolean},
        orient="row",
    )
    joined = results.with_columns(pl.col("uasid").cast(pl.Int32)).join(
        listed, on="uasid", how="left", maintain_order="left"
    )

    def physical(raw: str) -> pl.Expr:
        value = pl.col(raw).cast(pl.Float64)
        value = (
            pl.when(pl.col("_signed").fill_null(False) & (value >= 32768))
            .then(value - 65536)
            .otherwise(value)
        )
        return value * pl.col("_per_bit").fill_null(1.0) + pl.col("_offset").fill_null(0.0)

    return joined.with_columns(
        value=physical("value_raw"),
        min=physical("min_raw"),
        max=physical("max_raw"),
        known=pl.col("_per_bit").is_not_null(),
    ).drop("_per_bit", "_offset", "_signed")
