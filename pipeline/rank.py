"""Rank: scores -> expected money -> the list within the bays of each depot."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from models.certainty import with_interval
from models.money import Costs, choose, expected_saving
from models.words import action_words
from pipeline.errors import ConfigError
from pipeline.facts import read_costs, read_reliability
from pipeline.lake import Lake
from pipeline.limits import read_limits
from pipeline.settings import Settings
from pipeline.tables import table


@dataclass(frozen=True)
class RankSummary:
    """What a list holds: rows on it, vehicles on it, judged components behind it."""

    week_start: date
    listed: int
    vehicles: int
    judged: int


def rank(settings: Settings, lake: Lake, week_start: date, series: str) -> RankSummary:
    """Order the components of one week by expected saving, choose those that go on the list, and store both."""
    ranked = priced_list(settings, lake, week_start, series, read_costs(settings))
    lake.replace("ranked", ranked, [{"series": series, "week_start": week_start}])
    return _summary(ranked, week_start)


def what_if(
    settings: Settings, lake: Lake, week_start: date, series: str, costs: Costs
) -> tuple[pl.DataFrame, RankSummary]:
    """The list of a week that has been judged, at other costs or bays; nothing is stored.

    Returns:
        The rows on that list in its order (table ``ranked``), and its summary.

    Raises:
        ConfigError: that week has not been judged yet.
    """
    where = (pl.col("series") == series) & (pl.col("week_start") == week_start)
    if lake.read("scores", where=where).is_empty():
        raise ConfigError(f"the week of {week_start} has not been judged yet; run `lightoff rank` for it first")
    ranked = priced_list(settings, lake, week_start, series, costs)
    listed = ranked.filter(pl.col("list_rank").is_not_null()).sort("list_rank")
    return listed, _summary(ranked, week_start)


def priced_list(settings: Settings, lake: Lake, week_start: date, series: str, costs: Costs) -> pl.DataFrame:
    """Rows of table ``ranked``: the scores of one week with money and order.

    A row is listed where waiting costs more than acting, its probability reaches ``judge.list_probability``, nothing
    holds it back, and its depot has a bay. Where a model judges that has not seen this fleet, limits and trends must reach
    it, too (``second_opinion``): a wrong part is worse than no call. Ties are broken by probability, unit and component.

    A part that is not listed though nothing holds it back is on the way from ``judge.coming_probability`` on; ``waits_for``
    says what it lacks. No vehicle is opened for such a part, so a model on trial says which they are, and limits from half-way
    to the list on. What is too unlikely yet and has always stood where it stands is not on the way.
    """
    judge = read_limits(settings)["judge"]
    least = judge["list_probability"].value
    of_list = (pl.col("series") == series) & (pl.col("week_start") == week_start)
    scores = _with_trial(lake.read("scores", where=of_list), lake.read("chances", where=of_list))
    judged = scores.filter(pl.col("status").is_in(["judged", "held"])).with_columns(
        p28=pl.col("probability").round(6), p7=pl.col("probability_7d").round(6)
    )
    sure = with_interval(judged.rename({"kind": "sensor_kind", "part": "kind"}), read_reliability(settings))
    priced = expected_saving(sure, costs)
    agreed = pl.min_horizontal("p28", pl.col("second_opinion").round(6)) >= least
    callable_ = agreed & (pl.col("status") == "judged")
    bays = {depot: settings.bays.get(depot, settings.bays_per_depot) for depot in scores["depot"].unique()}
    chosen = choose(priced.filter(callable_), bays).select(
        "unit_id", "component", "rank", "chosen", "job_saving", "bundle_saving"
    )
    # Below the line the order goes on by the same saving, so that every judged component has its place.
    ordered = (
        priced.join(chosen, on=["unit_id", "component"], how="left")
        .sort(
            [pl.col("rank").is_null(), "rank", pl.col("expected_saving").round(4), "p28", "unit_id", "component"],
            descending=[False, False, True, True, False, False],
            nulls_last=True,
        )
        .with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64))
        .with_columns(
            # A second job on a vehicle that is in the bay anyway does not pay the visit again.
            rides=pl.when(pl.col("chosen").fill_null(False)).then(pl.col("job_saving") - pl.col("expected_saving"))
            .otherwise(0.0),
        )
        .with_columns(
            pl.col(name) + pl.col("rides") for name in ("expected_saving", "saving_low", "saving_high")
        )
        .with_columns(
            act_cost=pl.col("wait_cost") - pl.col("expected_saving"),
            list_rank=pl.when(pl.col("chosen").fill_null(False)).then(pl.col("rank")),
            waits_for=_waits_for(agreed, least, judge["coming_probability"].value),
            action=pl.struct("component", "mode", "inspect_as").map_elements(
                lambda row: action_words(row["component"], row["mode"], row["inspect_as"] or ""), return_dtype=pl.String
            ),
        )
    )
    money = ordered.select(
        "unit_id", "component", "action", "rank", "list_rank", "waits_for",
        *(pl.col(name).round(2) for name in ("wait_cost", "act_cost", "expected_saving", "saving_low", "saving_high")),
    )
    return (
        scores.join(money, on=["unit_id", "component"], how="left")
        .with_columns(pl.col("action").fill_null(""))
        .select(*table("ranked").columns)
    )


def _with_trial(scores: pl.DataFrame, chances: pl.DataFrame) -> pl.DataFrame:
    """Scores with ``trial_probability``, the chance that a model gives which does not judge the row; null without one."""
    beside = chances.select("unit_id", "component", by_model="probability", model="judged_by")
    joined = scores.join(beside, on=["unit_id", "component"], how="left", maintain_order="left")
    on_trial = pl.when(pl.col("model") != pl.col("judged_by")).then(pl.col("by_model"))
    return joined.with_columns(trial_probability=on_trial).drop("by_model", "model")


def _waits_for(agreed: pl.Expr, listed_from: float, coming_from: float) -> pl.Expr:
    """What keeps a part on the way off the list; null for parts on it, held back or less likely than ``coming_from``.

    agreed: whether all who judge the part find it likely enough for the list.
    """
    unlisted = (pl.col("status") == "judged") & ~pl.col("chosen").fill_null(False)
    # What limits put half-way to the list stays in sight, whatever a model on trial says.
    by_limits = pl.coalesce("second_opinion", "p28")
    likely = (pl.coalesce("trial_probability", "p28") >= coming_from) | (by_limits >= (coming_from + listed_from) / 2)
    moving = ~pl.col("unmoved").fill_null(False)
    return (
        pl.when(~(unlisted & likely & (moving | agreed))).then(None)
        .when(~agreed).then(pl.lit("evidence"))
        # A part may pay only beside another one of its vehicle: with a bay both would be listed.
        .when((pl.col("ride_along_saving") <= 0) | (pl.col("bundle_saving").fill_null(0) <= 0)).then(pl.lit("saving"))
        .otherwise(pl.lit("bay"))
    )


def _summary(ranked: pl.DataFrame, week_start: date) -> RankSummary:
    listed = ranked.filter(pl.col("list_rank").is_not_null())
    judged = ranked.filter(pl.col("status").is_in(["judged", "held"]))
    return RankSummary(week_start, listed.height, listed["unit_id"].n_unique(), judged.height)
