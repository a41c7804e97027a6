"""Thinning: raw readings that no list reads any more -> the stretches that cards show; indicators stay for ever."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import polars as pl

from pipeline.errors import RESTORE, LakeError
from pipeline.lake import Lake
from pipeline.report.stretch import stretches_of_days
from pipeline.settings import Settings
from pipeline.tables import table

_PART = ["day", "bucket"]


@dataclass(frozen=True)
class ThinSummary:
    """Partitions (a day and bucket each) thinned by one run, and their rows before and after."""

    partitions: int = 0
    rows_before: int = 0
    rows_after: int = 0


def thin(
    settings: Settings,
    lake: Lake,
    week_start: date,
    at: datetime,
) -> ThinSummary:
    """Thin whole days older than ``keep_readings_days`` before ``week_start``, the Monday of the newest list.

    The caller holds :meth:`Lake.lock` and has derived. A month of a bucket is committed at once, with a row of
    ``thinned`` a partition; what a stopped run has not committed is whole and is thinned by the next.

    Raises:
        LakeError: a partition was not derived from the rows it has, the rows do not add up, or the lake cannot be
            written; what was not committed stays whole.
    """
    if not settings.keep_readings_days:
        return ThinSummary()
    border = week_start - timedelta(days=settings.keep_readings_days)
    files = lake.files("readings").filter(pl.col("day") < border)
    parts = files.group_by(_PART).agg(rows=pl.col("rows").sum(), bytes=pl.col("bytes").sum()).sort("bucket", "day")
    _check_derived(lake, parts, border)
    content = lake.read("shards").select(*_PART, "content")
    parts = parts.join(content, on=_PART, how="left", maintain_order="left")
    parts = parts.with_columns(month=pl.col("day").dt.strftime("%Y-%m"))
    done = before = after = 0
    for _, month in parts.group_by("bucket", "month", maintain_order=True):
        told = _thin_month(settings, lake, month, at)
        done, before, after = done + told.height, before + told["rows_before"].sum(), after + told["rows_after"].sum()
    return ThinSummary(done, before, after)


def _check_derived(lake: Lake, parts: pl.DataFrame, border: date) -> None:
    """Nothing is thinned before its indicators are in the lake."""
    derived = lake.read("shards").select(*_PART, measured="readings")
    behind = parts.join(derived, on=_PART, how="left").filter(pl.col("rows").ne_missing(pl.col("measured")))
    if behind.height:
        raise LakeError(
            f"{behind.height} partitions before {border} are not derived from the rows they have, first that of "
            f"{behind['day'].min()}; nothing was thinned: run `lightoff derive`, then `lightoff housekeep`"
        )


def _thin_month(settings: Settings, lake: Lake, month: pl.DataFrame, at: datetime) -> pl.DataFrame:
    """Thin partitions of one bucket and month in one transaction; their rows of ``thinned``."""
    bucket, name = month.select("bucket", "month").row(0)
    kept, told = [], []
    for part in month.iter_rows(named=True):
        rows = _partition(lake, part["day"], bucket)
        if rows.height != part["rows"]:
            raise LakeError(
                f"table 'readings' of {lake.uri}: the partition of {part['day']}, bucket {bucket}, has {rows.height} rows "
                f"where its log says {part['rows']}; nothing of this month was thinned"
            )
        thin_rows = stretches_of_days(rows)
        kept.append(thin_rows)
        told.append(
            {
                "day": part["day"], "bucket": bucket, "thinned_at": at.astimezone(UTC), "rows_before": rows.height,
                "rows_after": thin_rows.height, "units": rows["unit_id"].n_unique(), "bytes_before": part["bytes"],
                "content": part["content"], "keep_days": settings.keep_readings_days,
            }
        )  # fmt: skip
    ledger = pl.DataFrame(told, schema=table("thinned").schema)
    there = (pl.col("month") == name) & (pl.col("bucket") == bucket)
    with lake.transaction("readings", "readings_thin", "thinned"):
        standing = lake.read("readings_thin", where=there)
        fresh = pl.concat(kept).with_columns(month=pl.lit(name)).select(standing.columns)
        lake.replace("readings_thin", pl.concat([standing, fresh]), [{"month": name, "bucket": bucket}])
        lake.append("thinned", ledger)
        lake.remove("readings", month.select(_PART).to_dicts())
        _check_sums(lake, ledger, there)
    return ledger


def _partition(lake: Lake, day: date, bucket: int) -> pl.DataFrame:
    one = lake.scan("readings").filter((pl.col("bucket") == bucket) & (pl.col("day") == day))
    return lake.collect(one.sort("unit_id", "ts"), RESTORE)


def _check_sums(lake: Lake, ledger: pl.DataFrame, there: pl.Expr) -> None:
    """What the lake holds now is what the ledger says; an error rolls the transaction back."""
    counts = lake.collect(lake.scan("readings_thin").filter(there).group_by(_PART).len())
    found = ledger.join(counts, on=_PART, how="left").with_columns(pl.col("len").fill_null(0))
    wrong = found.filter(pl.col("len") != pl.col("rows_after"))
    left = lake.files("readings").join(ledger, on=_PART, how="semi")
    if wrong.height or left.height:
        raise LakeError(
            f"{lake.uri}: thinning {ledger.height} partitions left {wrong.height} with other rows than counted and "
            f"{left.height} files in place; it was undone"
        )
