"""Data checks: each file under ``sql/checks/`` returns the rows of the lake that cannot be right."""

from __future__ import annotations

import polars as pl

from pipeline.lake import Lake
from pipeline.query import Session, step
from pipeline.settings import Settings
from pipeline.tables import table

CHECKS = ("checks/keys", "checks/ranges", "checks/balance", "checks/derived", "checks/thinned")


def check(settings: Settings, lake: Lake) -> pl.DataFrame:
    """Offending rows of every check, none where the lake is sound.

    Returns:
        check (name), problem, detail (what the row says of itself), one row an offender.
    """
    found = []
    with Session({}, settings.threads, settings.memory_limit_mb) as session:
        for name in sorted({read for each in CHECKS for read in step(each).reads}):
            elsewhere = lake.dataset(name) if table(name).partition else None
            if elsewhere is not None:
                session.attach_dataset(name, elsewhere)
            elif table(name).partition:
                session.attach_files(name, lake.files(name)["uri"].to_list())
            else:
                session.attach(name, lake.read(name))
        for each in CHECKS:
            rows = session.offenders(each)
            others = [pl.col(column).cast(pl.String).fill_null("") for column in rows.columns if column != "problem"]
            found.append(
                rows.select(
                    check=pl.lit(each.removeprefix("checks/")),
                    problem=pl.col("problem").cast(pl.String),
                    detail=pl.concat_str(others, separator=" "),
                )
            )
    return pl.concat(found)
