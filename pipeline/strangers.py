"""Names in the settings and the costs that no vehicle has: misspelt, renamed or closed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import polars as pl

from pipeline.lake import Lake
from pipeline.report.words import plain

_MOST = 20  # names that a sentence lists


def depots(lake: Lake, series: str, week_start: date) -> set[str]:
    """Depots that the register or the list of that week has; empty text where vehicles have none.

    Raises:
        LakeError: a table cannot be read.
    """
    return _known(lake, "depot", series, week_start)


def families(lake: Lake, series: str, week_start: date) -> set[str]:
    """Engine families that the register or the list of that week has; empty text where vehicles have none.

    Raises:
        LakeError: a table cannot be read.
    """
    return _known(lake, "engine_family", series, week_start)


def strange_depots(named: Iterable[str], known: set[str]) -> tuple[str, str]:
    """Depots of ``named`` that are not known, in words, empty where all are; and a sentence that lists those known."""
    return _strange(named, known, "the depots known are", "no vehicle has a depot")


def strange_families(named: Iterable[str], known: set[str]) -> tuple[str, str]:
    """The same of engine families."""
    return _strange(named, known, "the engine families known are", "no vehicle has an engine family")


def _known(lake: Lake, column: str, series: str, week_start: date) -> set[str]:
    of_list = (pl.col("series") == series) & (pl.col("week_start") == week_start)
    names = (lake.scan("register").select(column), lake.scan("scores").filter(of_list).select(column))
    return {name for frame in names for name in lake.collect(frame.drop_nulls().unique())[column]}


def _strange(named: Iterable[str], known: set[str], these: str, none: str) -> tuple[str, str]:
    there = [plain(name) for name in sorted(known) if name]
    more = f" and {len(there) - _MOST} more" if len(there) > _MOST else ""
    listed = f"{these} {', '.join(there[:_MOST])}{more}" if there else none
    return ", ".join(plain(name) or "''" for name in named if name not in known), listed
