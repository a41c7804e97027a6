"""Where lead is lost: ``python -m tests.benchmarks.lead FLEET...``, by part and by how it goes bad.

Each FLEET is a folder with ``lightoff.toml``, a lake whose past weeks were judged (``lightoff backtest``), and the truth of the
simulation in ``truth/``. A failure counts where its part has a row 7 to 60 days before it; it was foreseen where limits and
trends then gave the judged part the chance that a list row needs, and seen where they gave a third of it.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import polars as pl

from pipeline.assess import REPLAYED
from pipeline.backtest import truth_of
from pipeline.lake import Lake
from pipeline.limits import read_limits
from pipeline.settings import read_settings

LEAD_DAYS, LOOK_BACK_DAYS = 7, 60
SUDDEN_DAYS = 21  # from the first sign to the failure


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("fleets", nargs="+", type=Path, metavar="FLEET")
    lost = pl.concat([foreseen(folder) for folder in parser.parse_args().fleets])
    figures = {
        "failures": pl.len(), "foreseen": pl.col("foreseen").sum(), "seen": pl.col("seen").sum(),
        "sudden": pl.col("sudden").sum(), "held at the last": pl.col("held").sum(),
    }
    total = lost.select(**figures).row(0, named=True)
    print("| part | mode | " + " | ".join(figures) + " |\n|" + "---|" * (len(figures) + 2))
    print("| all | | " + " | ".join(str(total[name]) for name in figures) + " |")
    for row in lost.group_by("part", "mode").agg(**figures).sort("part", "failures", "mode", descending=[False, True, False]).iter_rows():
        print("| " + " | ".join(map(str, row)) + " |")


def foreseen(folder: Path) -> pl.DataFrame:
    """Failures of a fleet: part, mode (of the truth), foreseen, seen, sudden (onset within three weeks), held at the last."""
    settings = read_settings(folder / "lightoff.toml")
    needed = read_limits(settings)["judge"]["list_probability"].value
    rows = Lake(settings.lake).read("evidence", where=pl.col("series") == REPLAYED)
    events = truth_of(folder / "truth").events
    modes = pl.read_csv(folder / "truth" / "components.csv", infer_schema=False, null_values=[""]).select(
        "unit_id", "component", "mode", pl.col("failed_on", "onset_on").str.to_date()
    )
    known = events.join(modes, on=["unit_id", "component", "failed_on"]).join(rows, on=["unit_id", "component"])
    days = (pl.col("failed_on") - pl.col("week_start")).dt.total_days()
    before = known.filter(days.is_between(LEAD_DAYS, LOOK_BACK_DAYS)).sort("week_start")
    chance = pl.col("limits_probability").filter(pl.col("status") == "judged").max().fill_null(0)
    kind = pl.when(pl.col("part") == "upstream").then(pl.format("upstream {}", "kind")).otherwise("part")
    return before.group_by("unit_id", "component", "failed_on").agg(
        kind.last().alias("part"), pl.col("mode").last(), foreseen=chance >= needed, seen=chance >= needed / 3,
        sudden=((pl.col("failed_on") - pl.col("onset_on")).dt.total_days() < SUDDEN_DAYS).last().fill_null(False),
        held=(pl.col("status") == "held").last(),
    ).drop("unit_id", "component", "failed_on")


if __name__ == "__main__":
    main()
