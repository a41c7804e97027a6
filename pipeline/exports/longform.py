"""Long readings, a signal a row -> wide rows with one signal each; merging joins those of one instant."""

from __future__ import annotations

import polars as pl

from pipeline.exports.readings import Cleaned, clean_readings
from pipeline.signals import signals

# The other spelling of a unit that is written in letters only.
_SPELLINGS = {"°C": "degC"}


def clean_long(raw: pl.DataFrame, zone: str, buckets: int) -> Cleaned:
    """Readings as :func:`~pipeline.exports.readings.clean_readings` gives them, one row a line.

    Args:
        raw: ``line``, ``unit_id``, ``ts``, ``signal``, ``value`` and, where the file has it, ``unit``.
    """
    named = raw.with_columns(signal=pl.col("signal").cast(pl.String).str.strip_chars().fill_null(""))
    units = {name: signal.unit for name, signal in signals().items()}
    stated = pl.col("unit").cast(pl.String).str.strip_chars() if "unit" in raw.columns else pl.lit("")
    judged = named.with_columns(
        stated=stated.fill_null("").replace(_SPELLINGS),
        meant=pl.col("signal").replace_strict(units, default=None, return_dtype=pl.String),
    )
    unknown = judged.filter(pl.col("meant").is_null()).select(
        "line",
        column=pl.lit("signal"),
        value="signal",
        reason=pl.lit("not a signal of the readings; write its canonical name"),
    )
    other = judged.filter((pl.col("stated") != "") & (pl.col("stated") != pl.col("meant"))).select(
        "line",
        column=pl.lit("unit"),
        value="stated",
        reason=pl.format(
            "unit {} where {} is in {}; convert the values", "stated", "signal", "meant"
        ),
    )
    faults = pl.concat([unknown, other])
    rows = named.join(faults, on="line", how="anti", maintain_order="left") if faults.height else named
    present = set(rows["signal"].unique())
    wide = rows.select(
        "line",
        "unit_id",
        "ts",
        *(pl.when(pl.col("signal") == name).then("value").alias(name) for name in units if name in present),
    )
    cleaned = clean_readings(wide, zone, buckets)
    return Cleaned(cleaned.frame, pl.concat([faults, cleaned.rows]), cleaned.cells, cleaned.further)
