"""What if: the list of a judged week at other bays or costs, without storing anything."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import polars as pl

from models.words import component_words
from pipeline.errors import ConfigError
from pipeline.facts import read_costs
from pipeline.lake import Lake
from pipeline.rank import what_if
from pipeline.report.words import count, percent
from pipeline.settings import Settings
from pipeline.strangers import depots, families, strange_depots, strange_families

SHOWN = 20


def what_if_lines(
    settings: Settings, lake: Lake, week_start: date, series: str, bays: list[str], costs: Path | None
) -> Iterator[str]:
    """Lines for a console: what the list would be and how it differs from the one that stands.

    Args:
        bays: ``6`` for every depot, ``North=2`` for one; later ones come before earlier ones.
        costs: a costs file in place of the settings' own.

    Raises:
        ConfigError: bays that cannot be read or of a depot that is not there, a costs file that is wrong, or a week that
            has not been judged.
    """
    paid = read_costs(settings, costs)
    changed = with_bays(settings, bays)
    listed, summary = what_if(changed, lake, week_start, series, paid)
    known = depots(lake, series, week_start)
    asked = with_bays(settings.model_copy(update={"bays": {}}), bays).bays
    strange, there = strange_depots(asked, known)
    if strange:
        raise ConfigError(f"--bays: no vehicle has {strange} as its depot; {there}")
    strange, there = strange_depots(changed.bays, known)
    if strange:
        yield f"the settings name bays of {strange}, which is no vehicle's depot: they count for nothing; {there}"
    strange, there = strange_families(paid.families, families(lake, series, week_start))
    if strange:
        yield f"the costs name {strange}, which is no vehicle's engine family: its amounts count for nothing; {there}"
    standing = lake.read(
        "ranked",
        where=(pl.col("series") == series) & (pl.col("week_start") == week_start) & pl.col("list_rank").is_not_null(),
    )
    saving, before = listed["expected_saving"].sum(), standing["expected_saving"].sum()
    # Two lists are compared by their rows; amounts at two sets of costs are not.
    priced = ", at the costs it was made with" if costs else ""
    yield (
        f"what if, list of {week_start}: {_rows(summary.listed, summary.vehicles)}, expected saving "
        f"{saving:,.0f} {paid.currency}; the list that stands has "
        f"{_rows(standing.height, standing['unit_id'].n_unique())}, {before:,.0f}{priced}; nothing was written"
    )
    key = ["unit_id", "component"]
    for row in listed.head(SHOWN).iter_rows(named=True):
        new = standing.filter((pl.col("unit_id") == row["unit_id"]) & (pl.col("component") == row["component"]))
        mark = "" if new.height else "  (not on the list that stands)"
        yield (
            f"{row['list_rank']:>4}  {row['unit_id']}  {component_words(row['component'])}  "
            f"{percent(row['probability'])}  saving {row['expected_saving']:,.0f}{mark}"
        )
    if listed.height > SHOWN:
        yield f"... and {listed.height - SHOWN} more rows"
    gone = standing.join(listed, on=key, how="anti")
    if gone.height:
        names = ", ".join(f"{row['unit_id']} {row['component']}" for row in gone.head(SHOWN).iter_rows(named=True))
        yield f"no longer on it: {names}" + (f" and {gone.height - SHOWN} more" if gone.height > SHOWN else "")


def with_bays(settings: Settings, bays: list[str]) -> Settings:
    """The settings with other bays.

    Raises:
        ConfigError: an entry that is neither a number nor ``DEPOT=NUMBER``.
    """
    everywhere, single = settings.bays_per_depot, dict(settings.bays)
    for entry in bays:
        depot, _, number = entry.rpartition("=")
        if not number.strip().isdecimal():
            raise ConfigError(f"--bays {entry!r}: write a number such as 6, or DEPOT=NUMBER such as North=2")
        if depot:
            single[depot.strip()] = int(number)
        else:
            everywhere, single = int(number), {}
    return settings.model_copy(update={"bays_per_depot": everywhere, "bays": single})


def _rows(rows: int, vehicles: int) -> str:
    return f"{count(rows, 'row', 'rows')} on {count(vehicles, 'vehicle', 'vehicles')}"
