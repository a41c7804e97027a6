"""Backtest: replayed lists against what failed, beside the policies a fleet has without them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from models.evaluate import (
    HORIZON_DAYS,
    evaluate_lists,
    first_listing,
    lead_days,
    recall_with_lead,
    reliability_curve,
)
from models.labels import BOOKED_DAYS, ORDER_DELAY, lives_of_orders
from models.money import Costs, saved_by_acting
from models.resampling import Interval, bootstrap_interval
from pipeline.errors import ConfigError
from pipeline.facts import read_codes, read_costs
from pipeline.lake import Lake
from pipeline.limits import read_limits
from pipeline.report.proof import Proof
from pipeline.settings import Settings

LIGHTOFF, LAMP, MILEAGE, LIMITS = "lightoff", "wait for the lamp", "replace by kilometres", "limits alone"
KEY = ["week_start", "unit_id", "component"]
WARM_UP_WEEKS = 2  # no part has a past in the first lists
FORESEEN_DAYS = 14  # a fault that begins less than this before it fails cannot be on a weekly list 7 days ahead
UNREPAIRED_DAYS = 56  # a failed part that nobody repaired is taken to be found after so long (assumption)
JUDGED_FROM_DAYS = HORIZON_DAYS + 7 * WARM_UP_WEEKS  # against a truth; orders come later (Outcome.delay)
_ORDER = ["week_start", "rank", "unit_id", "component"]
_NO_PROBABILITY = ("brier", "expected_calibration_error")


@dataclass(frozen=True)
class Outcome:
    """What really happened: ``events`` (unit_id, component, failed_on, repaired_on, foreseeable or null) and
    ``others`` (unit_id, from_on, to_on): other defects that look like a bad part. ``source`` says how it is known.
    ``faults`` (unit_id, component, onset_on, repaired_on), failed or not yet, are known of a simulation only.
    ``delay`` is how long after a day it is known what failed on it.
    """

    events: pl.DataFrame
    others: pl.DataFrame
    source: str
    faults: pl.DataFrame | None = None
    delay: timedelta = timedelta(0)


def truth_of(folder: Path) -> Outcome:
    """The truth of a simulated fleet: ``components.csv`` and ``confounders.csv``.

    Raises:
        ConfigError: a file or column is missing.
    """
    try:
        parts, others = (
            pl.read_csv(folder / f"{name}.csv", infer_schema=False, null_values=[""]) for name in ("components", "confounders")
        )
        dated = parts.select(
            "unit_id", "component", *(pl.col(n).str.to_date(strict=True) for n in ("onset_on", "failed_on", "repaired_on"))
        )
        events = dated.filter(pl.col("failed_on").is_not_null())
        spans = others.select("unit_id", *(pl.col(n).str.to_date(strict=True) for n in ("from_on", "to_on")))
    except (OSError, pl.exceptions.PolarsError) as error:
        raise ConfigError(f"{folder}: no truth of a simulated fleet: {str(error).splitlines()[0]}") from error
    early = (pl.col("failed_on") - pl.col("onset_on")).dt.total_days() >= FORESEEN_DAYS
    return Outcome(
        events.with_columns(foreseeable=early).drop("onset_on"), spans, "the truth of the simulation",
        dated.drop("failed_on"),
    )


def orders_of(settings: Settings, lake: Lake) -> Outcome:
    """What later work orders and codes tell; a failure counts where it is more likely than not."""
    orders, codes = lake.read("work_orders"), lake.read("codes")
    named = codes.join(read_codes(settings).select("code", "component"), on="code", how="left")
    lives = lives_of_orders(orders, named, settings.time_zone)
    lives = lives.filter(pl.col("failed_on").is_not_null() & (pl.col("weight") > 0.5))
    events = lives.select("unit_id", "component", "failed_on", repaired_on="ended_on").unique(
        ["unit_id", "component", "failed_on"], keep="first", maintain_order=True
    )
    elsewhere = orders.filter(
        (pl.col("component") == "OTHER") & (pl.col("action") == "repaired") & (pl.col("finding") == "confirmed")
    )
    others = elsewhere.select("unit_id", from_on=pl.col("closed_on") - timedelta(days=56), to_on="closed_on")
    unforeseen = events.with_columns(foreseeable=pl.lit(None, pl.Boolean))
    dated = f"a failure is dated by its first code, without one {BOOKED_DAYS} days before its order closed"
    return Outcome(unforeseen, others, f"later work orders and codes ({dated})", delay=ORDER_DELAY)


def prove(
    settings: Settings, lake: Lake, series: str, first: date, last: date, outcome: Outcome, resamples: int = 200
) -> Proof:
    """Figures of the lists from ``first`` to ``last`` whose 28 days lie inside the replayed span and are known.

    Raises:
        ConfigError: no list is old enough to be judged.
    """
    begin, end = first + timedelta(weeks=WARM_UP_WEEKS), last - timedelta(days=HORIZON_DAYS) - outcome.delay
    span = (pl.col("series") == series) & pl.col("week_start").is_between(begin, end)
    ranked = lake.read("ranked", where=span & pl.col("status").is_in(["judged", "held"]))
    if ranked.is_empty():
        raise ConfigError(
            f"the lists from {first} to {last} are too few: {WARM_UP_WEEKS} weeks of warming up and "
            f"{HORIZON_DAYS + outcome.delay.days} days of outlook lie outside; give a longer --from and --to"
        )
    evidence, trends = lake.read("evidence", where=span), lake.read("trends", where=span)
    costs = read_costs(settings)
    events = outcome.events.select("unit_id", "component", "failed_on", "repaired_on")
    figures = {}
    for name, (listed, scored) in _policies(settings, ranked, evidence, trends).items():
        made = evaluate_lists(listed.select(_ORDER), scored.select(*KEY, "probability"), events, resamples=resamples)
        if name in (LAMP, MILEAGE):
            for figure in _NO_PROBABILITY:  # an order of its own is no probability
                made[figure] = {"value": None, "low": None, "high": None, "n": 0}
        made |= _more(listed, ranked["week_start"], outcome, costs, resamples)
        if name == LIGHTOFF:
            made |= _seen_coming(ranked, outcome, resamples)
        figures[name] = made
    return Proof(figures, _reliability(ranked, events), begin, end, outcome.source)


def _policies(
    settings: Settings, ranked: pl.DataFrame, evidence: pl.DataFrame, trends: pl.DataFrame
) -> dict[str, tuple[pl.DataFrame, pl.DataFrame]]:
    """(listed rows with rank, scored rows with probability) of each policy, on the same judged components."""
    least = read_limits(settings)["judge"]["list_probability"].value
    ours = ranked.filter(pl.col("list_rank").is_not_null()).with_columns(
        rank=pl.col("list_rank").rank("ordinal").over("week_start").cast(pl.Int64)
    )
    known = ranked.select(*KEY, "status", "part", "engine_family").join(
        evidence.select(*KEY, "code_confirmed", "code_age_days", "fitted_on", "limits_probability"), on=KEY
    )
    lengths = ours.group_by("week_start").agg(length=pl.len())
    odometer = trends.filter(pl.col("indicator") == "odometer_km").select("week_start", "unit_id", km="level")
    known = known.join(odometer, on=["week_start", "unit_id"], how="left").join(lengths, on="week_start", how="left")
    lit = pl.when(pl.col("code_confirmed").fill_null(False)).then(1 / (1 + pl.col("code_age_days"))).otherwise(0.0)
    # A part that was changed begins its kilometres anew; how many it has run since then is at most a few thousand.
    run = pl.when(pl.col("fitted_on").is_null()).then(pl.col("km")).otherwise(0.0).fill_null(0.0)
    limits = pl.col("limits_probability").fill_null(0.0)
    scores = {
        LAMP: (lit, pl.col("probability") > 0),
        MILEAGE: ((run / 1e6).clip(0, 1), pl.col("place") <= pl.col("length").fill_null(0)),
        LIMITS: (limits, (pl.col("probability") >= least) & (pl.col("status") == "judged")),
    }
    made = {LIGHTOFF: (ours, ranked)}
    for name, (score, taken) in scores.items():
        scored = known.with_columns(probability=score).sort(
            "week_start", "probability", "unit_id", "component", descending=[False, True, False, False]
        ).with_columns(place=pl.int_range(1, pl.len() + 1).over("week_start"))
        listed = scored.filter(taken).with_columns(rank=pl.int_range(1, pl.len() + 1).over("week_start"))
        made[name] = (listed, scored)
    return made


def blamed_for_others(listed: pl.DataFrame, outcome: Outcome) -> pl.Series:
    """Whether each row of ``listed`` (week_start, unit_id, component) stands for another defect of the vehicle: it has one
    that week, and none of its sensors and catalysts has failed or fails within 28 days.
    """
    week, rows = pl.col("week_start"), listed.select(KEY).with_row_index("row")
    sick = _failing(rows, outcome.events.drop("component"), ["unit_id"])
    other = rows.join(outcome.others, on="unit_id").filter(
        (pl.col("from_on") <= week) & (pl.col("to_on").is_null() | (pl.col("to_on") >= week))
    )
    return rows["row"].is_in(other["row"].implode()) & ~rows["row"].is_in(sick["row"].implode())


def _failing(rows: pl.DataFrame, events: pl.DataFrame, keys: list[str]) -> pl.DataFrame:
    """Rows of lists with each failure of ``events`` that lies within the 28 days or is not repaired before the week."""
    week = pl.col("week_start")
    return rows.join(events, on=keys).filter(
        (pl.col("failed_on") < week + timedelta(days=HORIZON_DAYS))
        & (pl.col("repaired_on").is_null() | (pl.col("repaired_on") >= week))
    )


def _more(
    listed: pl.DataFrame, mondays: pl.Series, outcome: Outcome, costs: Costs, resamples: int
) -> dict[str, dict]:
    """Confounders blamed, recall of what begins early enough, and money saved against what the workshop did without the list."""
    week = pl.col("week_start")
    rows = listed.select(*KEY, "part", "engine_family").with_row_index("row")
    own = _failing(rows, outcome.events, ["unit_id", "component"])
    values = blamed_for_others(listed, outcome).cast(pl.Float64).to_numpy()
    found = {"confounder_rate": _share(values, rows["unit_id"], resamples)}
    if outcome.faults is not None:
        begun = _begun(rows, outcome.faults, outcome.events)
        found["begun_rate"] = _share(begun, rows["unit_id"], resamples)
        found["confounder_of_sound_rate"] = _share(values * (1 - begun), rows["unit_id"], resamples)
    if outcome.events["foreseeable"].any():
        found["recall_of_slow_faults"] = _recall(listed, mondays, outcome.events.filter("foreseeable"), resamples)
    # A row that stays from list to list is one visit: only its first list costs or saves. In weeks without a list nothing
    # ends, unless another failure is met after them.
    places = pl.DataFrame({"week_start": mondays.unique().sort()}).with_row_index("place").cast({"place": pl.Int64})
    part = ["unit_id", "component"]
    mine = own.select("row", "failed_on", "repaired_on").unique("row", keep="first", maintain_order=True)
    in_order = rows.join(places, on="week_start").join(mine, on="row", how="left").sort(*part, "week_start")
    another = pl.col("failed_on").ne_missing(pl.col("failed_on").shift(1).over(part))
    paused = (week.diff() > pl.duration(days=7)).over(part) & another
    firsts = in_order.filter((pl.col("place").diff().over(part) > 1).fill_null(True) | paused)
    ahead = firsts.sort("row").with_columns(
        # A part that is listed anew after a pause is mended once.
        again=pl.col("failed_on").is_not_null() & ~pl.struct("unit_id", "component", "failed_on").is_first_distinct()
    )
    # Of one visit the bay is paid once, and not at all where a part is mended in it: the repair would have paid it as well.
    visit, wrong = ["unit_id", "week_start"], pl.col("failed_on").is_null()
    ahead = ahead.with_columns(
        pays_bay=wrong & ~(~wrong & ~pl.col("again")).any().over(visit) & (wrong.cum_sum().over(visit) == 1)
    )
    # A listed vehicle is in the bay within the week. Nobody knows when a part would be repaired that never was.
    until_acting = (week + timedelta(days=7) - pl.col("failed_on")).dt.total_days()
    until_repair = (pl.col("repaired_on") - pl.col("failed_on")).dt.total_days().fill_null(UNREPAIRED_DAYS)
    saved = np.array([
        0.0 if again else -costs.inspection - bay * costs.bay_cost if failed is None
        else saved_by_acting(costs, part, acting, repair, family)
        for again, bay, part, family, failed, acting, repair in ahead.select(
            "again", "pays_bay", "part", pl.col("engine_family").fill_null(""), "failed_on",
            acting=until_acting, repair=until_repair,
        ).iter_rows()
    ])
    total = bootstrap_interval(lambda at: float(saved[at].sum()), ahead["unit_id"].to_numpy(), n=resamples)
    found["money_saved"] = _entry(total, firsts.height)
    return found


def _seen_coming(ranked: pl.DataFrame, outcome: Outcome, resamples: int) -> dict[str, dict]:
    """Recall with lead of the list and of what it shows as on the way, together, and what those rows are worth."""
    waits = pl.col("waits_for").is_not_null()
    named = ranked.filter(pl.col("list_rank").is_not_null() | waits)
    events = {"recall_seen_coming": outcome.events}
    if outcome.events["foreseeable"].any():
        events["recall_of_slow_faults_seen_coming"] = outcome.events.filter("foreseeable")
    found = {name: _recall(named, ranked["week_start"], those, resamples) for name, those in events.items()}
    coming = ranked.filter(waits).select(*KEY).with_row_index("row")
    found["coming_rows"] = {"value": coming.height, "low": None, "high": None, "n": ranked["week_start"].n_unique()}
    if outcome.faults is not None:
        found["coming_begun_rate"] = _share(_begun(coming, outcome.faults, outcome.events), coming["unit_id"], resamples)
    return found


def _recall(named: pl.DataFrame, mondays: pl.Series, events: pl.DataFrame, resamples: int) -> dict:
    """Share of failures named at least 7 days ahead, of those that a list of ``mondays`` could have named in time."""
    failures = first_listing(named.select(KEY), mondays, events)
    leads = lead_days(failures["failed_on"].to_numpy(), failures["first_listed"].to_numpy())
    units = failures["unit_id"].to_numpy()
    made = bootstrap_interval(lambda rows: recall_with_lead(leads[rows]), units, n=resamples, share=True)
    return _entry(made, failures.height)


def _begun(rows: pl.DataFrame, faults: pl.DataFrame, events: pl.DataFrame) -> np.ndarray:
    """1 for rows whose part is failing, has failed or fails within 28 days, else 0; ``rows`` are numbered by ``row``."""
    week, part = pl.col("week_start"), ["unit_id", "component"]
    unmended = pl.col("repaired_on").is_null() | (pl.col("repaired_on") >= week)
    begun = rows.join(faults, on=part).filter((pl.col("onset_on") <= week) & unmended)
    soon = rows.join(events, on=part).filter((pl.col("failed_on") < week + timedelta(days=HORIZON_DAYS)) & unmended)
    in_truth = rows["row"].is_in(begun["row"].implode()) | rows["row"].is_in(soon["row"].implode())
    return in_truth.cast(pl.Float64).to_numpy()


def _share(values: np.ndarray, units: pl.Series, resamples: int) -> dict:
    return _entry(bootstrap_interval(
        lambda rows: float(values[rows].mean()) if rows.size else float("nan"), units.to_numpy(), n=resamples, share=True
    ), len(values))


def _entry(made: Interval, n: int) -> dict:
    numbers = {"value": made.estimate, "low": made.low, "high": made.high}
    return {name: None if value != value else value for name, value in numbers.items()} | {"n": n}


def _reliability(ranked: pl.DataFrame, events: pl.DataFrame) -> dict[str, list[float]]:
    rows = ranked.select(*KEY, "probability").with_row_index("row")
    sick = rows.join(events, on=["unit_id", "component"]).filter(
        (pl.col("failed_on") < pl.col("week_start") + timedelta(days=HORIZON_DAYS))
        & (pl.col("repaired_on").is_null() | (pl.col("repaired_on") >= pl.col("week_start")))
    )
    hit = rows["row"].is_in(sick["row"].implode()).to_numpy()
    curve = reliability_curve(rows["probability"].to_numpy(), hit, bins=20)
    return {name: getattr(curve, name).tolist() for name in ("predicted", "observed", "low", "high", "n")}
