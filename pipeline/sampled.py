"""What the sampling of the last weeks allows: capability of every component as known for one list."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from models.blame import cleared_by
from models.capability import capabilities, sampling_of, unlocks
from models.levels import LEVEL_WEEKS
from pipeline.components import expected_components, scope_of
from pipeline.facts import read_blame, read_indicators
from pipeline.known import known_at
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.signals import signals


@dataclass(frozen=True)
class Sampled:
    """``sampling``: unit_id, signal, readings, step_s, held_share, skew_s. ``capable``: one row a component and judged
    indicator, as :func:`models.capability.capabilities` gives it, with depot and engine_family. ``causes``: the same of
    the indicators on which the order of blame rests, a row a bank or vehicle. ``cleared``: what each of those can rule out.
    """

    sampling: pl.DataFrame
    capable: pl.DataFrame
    causes: pl.DataFrame
    cleared: dict[str, tuple[str, ...]]

    def of(self, depot: str = "", family: str = "", unit: str = "") -> Sampled:
        """Only these vehicles; an empty word takes all."""
        wanted = pl.lit(True)
        for column, word in (("depot", depot), ("engine_family", family), ("unit_id", unit)):
            wanted = wanted & (pl.col(column) == word if word else pl.lit(True))
        capable = self.capable.filter(wanted)
        sampling = self.sampling.join(capable.select("unit_id").unique(), on="unit_id", how="semi")
        return Sampled(sampling, capable, self.causes.filter(wanted), self.cleared)

    def unlocks(self) -> pl.DataFrame:
        """As :func:`models.capability.unlocks`."""
        return unlocks(self.capable)

    def rules_out(self) -> pl.DataFrame:
        """Which signals would let the data rule out more, most vehicles first: as :func:`models.capability.unlocks`."""
        return unlocks(self.causes).sort("vehicles", "indicators", "signal", descending=[True, True, False])


def sampled(settings: Settings, lake: Lake, week_start: date) -> Sampled:
    """Sampling and capability of the weeks that make a level, as known for the list of ``week_start``."""
    known = known_at(settings, lake, week_start)
    first = week_start - timedelta(weeks=LEVEL_WEEKS)
    days = lake.read("signal_days", where=pl.col("day").is_between(first, week_start, closed="left"))
    sampling = sampling_of(days)
    components = expected_components(scope_of(known.register, known.days)).filter(pl.col("component") != "")
    indicators = read_indicators(settings)
    carried = {name: signal.staleness_s for name, signal in signals().items()}
    capable = capabilities(components, indicators.filter(pl.col("use") == "judge"), sampling, carried)
    facts, holds, _ = read_blame(settings)
    cleared = cleared_by(facts, holds)
    asked = indicators.filter((pl.col("use") == "context") & pl.col("indicator").is_in(list(cleared)) & (pl.col("needs") != ""))
    causes = capabilities(_banks_and_vehicles(components), asked, sampling, carried)
    places = components.select("unit_id", "depot", "engine_family").unique()
    placed = [frame.join(places, on="unit_id", how="left") for frame in (capable, causes)]
    return Sampled(sampling, *placed, cleared)


def _banks_and_vehicles(components: pl.DataFrame) -> pl.DataFrame:
    """The places that indicators of causes belong to; what a vehicle has once is read of its first bank."""
    banks = components.select("unit_id", "bank", "kind").unique().sort("unit_id", "bank")
    vehicles = banks.filter(pl.col("bank") == 1).with_columns(component=pl.lit("UNIT"), part=pl.lit("unit"))
    return pl.concat([banks.with_columns(component=pl.format("BANK{}", "bank"), part=pl.lit("bank")), vehicles])
