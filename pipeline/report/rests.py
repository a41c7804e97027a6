"""What a list rests on: vehicles, readings, newest data, who judged, and the balance of the exports."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import PurePosixPath, PureWindowsPath
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.closed import thinned_rows
from pipeline.errors import LightoffError
from pipeline.lake import Lake
from pipeline.report.words import plain
from pipeline.settings import Settings

NEWEST_EXPORTS = 10
TOP_REJECTS = 8


@dataclass(frozen=True)
class Balance:
    """One export file, or all of them: rows in against rows kept, quarantined and exact duplicates."""

    file: str
    kind: str
    arrived: str
    rows_in: int
    kept: int
    quarantined: int
    duplicates: int
    reason: str

    @property
    def off_by(self) -> int:
        """Rows that the sum does not explain; 0 unless something is wrong."""
        return self.rows_in - self.kept - self.quarantined - self.duplicates


@dataclass(frozen=True)
class Reject:
    """Rows or cells of the newest exports put in quarantine for one reason."""

    count: int
    scope: str
    column: str
    reason: str


@dataclass(frozen=True)
class Rests:
    """Ground of one list; ``readings`` counts rows of days before the list's week; ``thinned`` those of them that were
    thinned once they were measured, and what is left of those.
    """

    vehicles: int
    readings: int
    thinned: tuple[int, int]
    days: int
    first_day: date | None
    newest_day: date | None
    judged_by: list[tuple[str, int]]
    newest: list[Balance]
    total: Balance
    rejects: list[Reject]


def read_ranked(lake: Lake, series: str, week_start: date) -> pl.DataFrame:
    """Rows of ``ranked`` of one list.

    Raises:
        LightoffError: there is no list of that series and week; the message names the weeks there are.
    """
    rows = lake.read("ranked", (pl.col("series") == series) & (pl.col("week_start") == week_start))
    if rows.height:
        return rows
    weeks = lake.collect(lake.scan("ranked").filter(pl.col("series") == series).select("week_start").unique())
    known = [str(week) for week in weeks["week_start"].sort(descending=True)[:5]]
    there = (
        f"the newest there are: {', '.join(known)}"
        if known
        else f"there is no {series} list in {lake.uri} yet"
    )
    raise LightoffError(f"no {series} list of the week of {week_start}; {there}")


def what_it_rests_on(lake: Lake, settings: Settings, ranked: pl.DataFrame, week_start: date) -> Rests:
    """Ground of the list that ``ranked`` holds."""
    files = lake.files("readings").filter(pl.col("day") < week_start)
    measured, left, thinned = thinned_rows(lake, week_start)
    days = pl.concat([files["day"], thinned]).unique()
    judges = ranked.filter(pl.col("status") == "judged").group_by("judged_by").len().sort("judged_by")
    exports = lake.read("exports").sort(["arrived_at", "export_id"], descending=[True, False])
    newest = exports.head(NEWEST_EXPORTS)
    zone = ZoneInfo(settings.time_zone)
    return Rests(
        vehicles=ranked["unit_id"].n_unique(),
        readings=files["rows"].sum() + measured,
        thinned=(measured, left),
        days=days.len(),
        first_day=days.min(),
        newest_day=days.max(),
        judged_by=[(plain(name) or "not named", count) for name, count in judges.iter_rows()],
        newest=[_balance(row, zone) for row in newest.iter_rows(named=True)],
        total=Balance(
            file=f"all {exports.height}",
            kind="",
            arrived="",
            **{name: exports[name].sum() for name in ("rows_in", "kept", "quarantined", "duplicates")},
            reason="",
        ),
        rejects=_rejects(lake, newest["export_id"].to_list()),
    )


def thinned_words(rests: Rests) -> str:
    """What a reader should know of readings that are no longer whole; empty where all are."""
    measured, left = rests.thinned
    return f" ({measured:,} of them measured, then thinned to {left:,})" if measured else ""


def registered(lake: Lake, units: pl.Series) -> set[str]:
    """Those of ``units`` that the register knows."""
    known = lake.scan("register").filter(pl.col("unit_id").is_in(units.unique().implode()))
    return set(lake.collect(known.select("unit_id"))["unit_id"])


def file_name(path: str) -> str:
    """Last part of a path or URI of either style: a page need not show where a machine keeps its files."""
    return plain(PureWindowsPath(PurePosixPath(path).name).name or path)


def _balance(row: dict, zone: ZoneInfo) -> Balance:
    return Balance(
        file=file_name(row["file"]),
        kind=plain(row["kind"]),
        arrived=f"{row['arrived_at'].astimezone(zone):%Y-%m-%d %H:%M}",
        rows_in=row["rows_in"],
        kept=row["kept"],
        quarantined=row["quarantined"],
        duplicates=row["duplicates"],
        reason=plain(row["reason"] or ""),
    )


def _rejects(lake: Lake, export_ids: list[str]) -> list[Reject]:
    counted = lake.collect(
        lake.scan("quarantine")
        .filter(pl.col("export_id").is_in(export_ids))
        .group_by("scope", "column", "reason")
        .len("count")
        .sort(["count", "scope", "column", "reason"], descending=[True, False, False, False])
        .head(TOP_REJECTS)
    )
    return [
        Reject(row["count"], plain(row["scope"]), plain(row["column"]), plain(row["reason"]))
        for row in counted.iter_rows(named=True)
    ]
