"""What the sampling of the last weeks allows: capability of every component as known for one list."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from models.capability import capabilities, sampling_of, unlocks
from models.levels import LEVEL_WEEKS
from pipeline.components import expected_components, scope_of
from pipeline.facts import read_indicators
from pipeline.known import known_at
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.signals import signals


@dataclass(frozen=True)
class Sampled:
    """``sampling``: unit_id, signal, readings, step_s, held_share, skew_s. ``capable``: one row a component and judged
    indicator, as :func:`models.capability.capabilities` gives it, with depot and engine_family."""

    sampling: pl.DataFrame
    capable: pl.DataFrame

    def of(self, depot: str = "", family: str = "", unit: str = "") -> Sampled:
        """Only these vehicles; an empty word takes all."""
        wanted = pl.lit(True)
        for column, word in (("depot", depot), ("engine_family", family), ("unit_id", unit)):
            wanted = wanted & (pl.col(column) == word if word else pl.lit(True))
        capable = self.capable.filter(wanted)
        return Sampled(self.sampling.join(capable.select("unit_id").unique(), on="unit_id", how="semi"), capable)

    def unlocks(self) -> pl.DataFrame:
        """As :func:`models.capability.unlocks`."""
        return unlocks(self.capable)


def sampled(settings: Settings, lake: Lake, week_start: date) -> Sampled:
    """Sampling and capability of the weeks that make a level, as known for the list of ``week_start``."""
    known = known_at(settings, lake, week_start)
    first = week_start - timedelta(weeks=LEVEL_WEEKS)
    days = lake.read("signal_days", where=pl.col("day").is_between(first, week_start, closed="left"))
    sampling = sampling_of(days)
    components = expected_components(scope_of(known.register, known.days)).filter(pl.col("component") != "")
    judged = read_indicators(settings).filter(pl.col("use") == "judge")
    carried = {name: signal.staleness_s for name, signal in signals().items()}
    capable = capabilities(components, judged, sampling, carried)
    places = components.select("unit_id", "depot", "engine_family").unique()
    return Sampled(sampling, capable.join(places, on="unit_id", how="left"))
