"""How good a ranked list was: ranking, calibration and lead time, and the fleet-level summary of a backtest.

The unit of evidence is the vehicle, not the row: weeks of one vehicle resemble each other, so intervals of
the summary come from resampling whole vehicles. A figure with an empty base is NaN (None in the summary).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from models.resampling import bootstrap_interval, checked_confidence

Floats = NDArray[np.float64]

HORIZON_DAYS = 28  # a row promises "fails within 28 days, or has failed"
MIN_LEAD_DAYS = 7  # one weekly list ahead: the least that lets a workshop plan the visit
LIST_DAYS = 7
DEPTHS = (10, 20)
DATES = {"week_start", "failed_on", "repaired_on"}


@dataclass(frozen=True)
class Reliability:
    """One entry a bin, (n_bins,): mean predicted, observed share with its interval, number of items."""

    predicted: Floats
    observed: Floats
    low: Floats
    high: Floats
    n: NDArray[np.int64]


def precision_at(k: int, scores_order: ArrayLike, hits: ArrayLike) -> float:
    """Share of hits among the first k items (k >= 1); the base is min(k, items): no penalty for a short list.

    scores_order : (n_items,) rank of each item, smallest first, no two alike. hits : (n_items,) 0/1 or bool.
    """
    order = np.asarray(scores_order)
    hits = _flags(hits, "hits", order.shape)
    if k < 1 or np.unique(order).size != order.size:
        raise ValueError(f"k must be 1 or more and scores_order without ties, got k={k}, order {order}")
    return _mean(hits[np.argsort(order)][:k])


def average_precision(scores: ArrayLike, hits: ArrayLike) -> float:
    """Sum over thresholds of (gain in recall) x precision; tied scores share one threshold.

    scores : (n_items,) higher is more suspect, any finite scale. hits : (n_items,) 0/1 or bool.
    NaN without a hit; the chance level is the share of hits. Not interpolated, defined as in
    ``sklearn.metrics.average_precision_score``.
    """
    scores = np.asarray(scores, dtype=float)
    hits = _flags(hits, "hits", scores.shape)
    if not np.isfinite(scores).all():
        raise ValueError("scores must be finite, got NaN or infinity")
    if not hits.any():
        return float("nan")
    order = np.argsort(-scores, kind="stable")
    last = np.append(np.diff(scores[order]) != 0, True)  # last item of each tied group
    found = np.cumsum(hits[order])[last]
    precision = found / (np.flatnonzero(last) + 1)
    return float(np.sum(np.diff(found, prepend=0) * precision) / found[-1])


def brier(p: ArrayLike, y: ArrayLike) -> float:
    """Mean of (p - y)^2, 0 best: half the two-class score of G. W. Brier, Mon. Weather Rev. 78 (1950) 1-3.

    p : (n_items,) probability 0..1. y : (n_items,) 0/1 or bool.
    """
    p, y = _forecasts(p, y)
    return _mean((p - y) ** 2)


def reliability_curve(p: ArrayLike, y: ArrayLike, bins: int = 10, confidence: float = 0.90) -> Reliability:
    """Predicted against observed share in bins of (nearly) equal count.

    Equal count, not equal width: at a base rate below 1 % equal width puts nearly all items in the first bin.
    Edges are quantiles of p and equal values stay together, so few distinct values give fewer bins.
    Interval: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212; it takes items as independent.

    p : (n_items,) probability 0..1. y : (n_items,) 0/1 or bool. bins : 1 or more.
    """
    p, y = _forecasts(p, y)
    if bins < 1:
        raise ValueError(f"bins must be 1 or more, got {bins}")
    z = ndtri(0.5 + checked_confidence(confidence) / 2)
    if p.size == 0:
        return Reliability(*[np.empty(0)] * 4, n=np.empty(0, dtype=np.int64))
    edges = np.quantile(p, np.linspace(0, 1, bins + 1))
    index = np.searchsorted(edges[1:-1], p)
    n = np.bincount(index, minlength=bins)
    used = n > 0
    predicted, observed = (np.bincount(index, weights=v, minlength=bins)[used] / n[used] for v in (p, y))
    n = n[used]
    centre = (observed + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z / (1 + z**2 / n) * np.sqrt(observed * (1 - observed) / n + z**2 / (4 * n**2))
    return Reliability(predicted, observed, np.maximum(centre - half, 0), np.minimum(centre + half, 1), n)


def expected_calibration_error(p: ArrayLike, y: ArrayLike, bins: int = 10) -> float:
    """Mean over items of |predicted - observed| in their bin, 0 best; equal-count bins (`reliability_curve`).

    M. P. Naeini, G. F. Cooper, M. Hauskrecht, AAAI 2015. Perfect probabilities give more than 0 too, by
    chance, and the more so the fewer items: compare like sizes only.
    """
    curve = reliability_curve(p, y, bins)
    if curve.n.size == 0:
        return float("nan")
    return float(np.average(np.abs(curve.predicted - curve.observed), weights=curve.n))


def lead_days(failed_on: ArrayLike, first_listed: ArrayLike) -> Floats:
    """Days from first listing to failure, (n_failures,); NaN where never listed (NaT) or only after failing.

    failed_on, first_listed : (n_failures,) dates, as datetime64[D].
    """
    failed, listed = np.asarray(failed_on, "datetime64[D]"), np.asarray(first_listed, "datetime64[D]")
    if failed.shape != listed.shape:
        raise ValueError(f"first_listed must have the shape {failed.shape} of failed_on, got {listed.shape}")
    days = (failed - listed) / np.timedelta64(1, "D")
    return np.where(days >= 0, days, np.nan)


def recall_with_lead(leads: ArrayLike, min_days: float = MIN_LEAD_DAYS) -> float:
    """Share of failures listed at least ``min_days`` ahead; leads as of `lead_days`, NaN counts as missed."""
    return _mean(np.asarray(leads, dtype=float) >= min_days)


def positive_predictive_value(
    prevalence: ArrayLike, sensitivity: ArrayLike, specificity: ArrayLike
) -> Floats:
    """Share of calls that are right (Bayes); arguments and result are shares 0..1 of one broadcast shape.

    Why a rare fault needs a very specific list: at a prevalence of 0.46 %, 80 % and 99 % give 27 %.
    """
    shares = {"prevalence": prevalence, "sensitivity": sensitivity, "specificity": specificity}
    for name, value in shares.items():
        value = np.asarray(value, dtype=float)
        if not ((value >= 0) & (value <= 1)).all():
            raise ValueError(f"{name} must lie in 0..1, got {value}")
    prevalence, sensitivity, specificity = (np.asarray(v, dtype=float) for v in shares.values())
    right = prevalence * sensitivity
    called = right + (1 - prevalence) * (1 - specificity)
    return np.divide(right, called, out=np.full(called.shape, np.nan), where=called > 0)[()]


def evaluate_lists(
    lists: pl.DataFrame,
    scores: pl.DataFrame,
    events: pl.DataFrame,
    *,
    max_lead_days: int = HORIZON_DAYS,
    confidence: float = 0.90,
    resamples: int = 200,
    seed: int = 0,
) -> dict[str, dict[str, float | int | None]]:
    """Summary of weekly lists against what failed: name -> {value, low, high, n}.

    lists : week_start (date), rank (integer, 1 = first, each once a week), unit_id, component.
    scores : week_start, unit_id, component, probability (0..1); every judged component, listed ones included.
        Leave out weeks whose 28 days are not fully known yet: their alarms cannot be called false.
    events : unit_id, component, failed_on (date), repaired_on (date or null).
    max_lead_days : how long before a failure a listing counts as having foreseen it. The default is the
        promise of a row, so no row is a false alarm and a success at once; the lead then stays below 28 days.
    confidence, resamples, seed : of the intervals; units are resampled, ``resamples=0`` for no intervals.

    A row is a *hit* if its component fails within [week_start, week_start + 28 d), or has failed before and
    is not repaired before week_start. A value is None where n is 0; low and high where there is no interval.

    precision_at_10, precision_at_20 : mean over weeks of hits / min(k, rows listed). n weeks with a list.
    listed_rows : their number. n weeks with a list.
    recall_with_lead : share of failures first listed at least 7 days ahead. n failures from first week in ``scores``
        + 7 d to before the last + 7 d, judged or not: each had a list, if an empty one, that could have foreseen it.
    median_lead_days : of those failures, first listing to failure. n those listed before they failed.
    false_alarms_per_100_unit_weeks : listed rows that are no hit (a wrong component is one too) per 100 pairs
        of unit and week in ``scores``. n such pairs.
    wrong_component_rate : share of listed rows that are no hit while another component of the same unit is
        one by the same rule. n listed rows.
    average_precision, brier, expected_calibration_error, prevalence : on all scores; prevalence is the chance
        level of average precision. n scored rows. Calibration error without interval: resampling inflates it.

    ValueError names the table: missing column, wrong type, null, duplicate key, probability outside 0..1, a
    listed row that was never scored, a repair before its failure.
    """
    key = ["week_start", "unit_id", "component"]
    lists = _table(lists, "lists", [*key, "rank"], key)
    scores = _table(scores, "scores", [*key, "probability"], key)
    events = _events(events)
    _no_rows(lists.filter(pl.struct("week_start", "rank").is_duplicated()), "lists: rank twice in a week")
    _no_rows(lists.join(scores, on=key, how="anti"), "lists: row is not among the scores")
    lists = with_hits(lists, events).sort("week_start", "rank")
    scores = with_hits(scores, events).sort(key)

    def summary(statistic: Callable, groups: pl.Series, n: int, share: bool = False) -> dict[str, float | int | None]:
        units = groups.to_numpy()
        result = bootstrap_interval(statistic, units, confidence=confidence, seed=seed, n=resamples, share=share)
        return _entry(result.estimate, result.low, result.high, n)

    out: dict[str, dict[str, float | int | None]] = {}
    weeks = lists["week_start"].n_unique()
    for k in DEPTHS:
        top = lists.filter(pl.int_range(pl.len()).over("week_start") < k)
        week, hit = top["week_start"].rank("dense").to_numpy(), top["hit"].to_numpy()

        def weekly_mean(rows: NDArray[np.int64], week: NDArray = week, hit: NDArray = hit) -> float:
            n = np.bincount(week[rows])
            return _mean(np.bincount(week[rows], weights=hit[rows])[n > 0] / n[n > 0])

        out[f"precision_at_{k}"] = summary(weekly_mean, top["unit_id"], weeks, share=True)
    out["listed_rows"] = {"value": lists.height, "low": None, "high": None, "n": weeks}

    failures = first_listing(lists, scores["week_start"], events, max_lead_days)
    leads = lead_days(failures["failed_on"].to_numpy(), failures["first_listed"].to_numpy())
    units, listed = failures["unit_id"], ~np.isnan(leads)
    out["recall_with_lead"] = summary(lambda rows: recall_with_lead(leads[rows]), units, failures.height, share=True)
    ahead, units = leads[listed], units.filter(pl.Series(listed))
    out["median_lead_days"] = summary(lambda rows: float(np.median(ahead[rows])), units, ahead.size)

    alarms = lists.filter(~pl.col("hit")).group_by("week_start", "unit_id").agg(false=pl.len())
    weekly = scores.select("week_start", "unit_id").unique(maintain_order=True)
    weekly = weekly.join(alarms, on=["week_start", "unit_id"], how="left", maintain_order="left")
    units, false = weekly["unit_id"], weekly["false"].fill_null(0).to_numpy()
    rate = summary(lambda rows: 100.0 * _mean(false[rows]), units, weekly.height)
    out["false_alarms_per_100_unit_weeks"] = rate
    wrong = (~lists["hit"] & lists["other_hit"]).to_numpy()
    out["wrong_component_rate"] = summary(lambda rows: _mean(wrong[rows]), lists["unit_id"], lists.height, share=True)

    p, y = scores["probability"].to_numpy(), scores["hit"].to_numpy()
    units, n = scores["unit_id"], scores.height
    out["average_precision"] = summary(lambda rows: average_precision(p[rows], y[rows]), units, n)
    out["brier"] = summary(lambda rows: brier(p[rows], y[rows]), units, n)
    out["expected_calibration_error"] = _entry(expected_calibration_error(p, y), np.nan, np.nan, n)
    out["prevalence"] = summary(lambda rows: _mean(y[rows]), units, n, share=True)
    return out


def with_hits(rows: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """Adds hit (this component) and other_hit (another one of the unit) by the 28-day rule."""
    rows = rows.with_row_index("row")
    sick = (
        rows.select("row", "week_start", "unit_id", "component")
        .join(events.rename({"component": "failed"}), on="unit_id")
        .filter(
            pl.col("failed_on") < pl.col("week_start") + timedelta(days=HORIZON_DAYS),
            (pl.col("failed_on") >= pl.col("week_start"))
            | pl.col("repaired_on").is_null()
            | (pl.col("repaired_on") >= pl.col("week_start")),
        )
    )
    same = pl.col("component") == pl.col("failed")
    return rows.with_columns(
        hit=pl.col("row").is_in(sick.filter(same)["row"].implode()),
        other_hit=pl.col("row").is_in(sick.filter(~same)["row"].implode()),
    ).drop("row")


def first_listing(
    lists: pl.DataFrame, mondays: pl.Series, events: pl.DataFrame, max_lead_days: int = HORIZON_DAYS
) -> pl.DataFrame:
    """Failures that a list could have foreseen in time, with the first listing that may count for each (else null).

    lists, events : as of `evaluate_lists`. mondays : weeks in which a list was made, empty ones too: a policy that lists
        nothing has foreseen nothing, and all policies are held against the same failures.
    """
    part, first, last = ["unit_id", "component"], mondays.min(), mondays.max()
    events = events.sort(*part, "failed_on").with_columns(
        repaired_before=pl.col("repaired_on").shift(1).over(part)
    )
    week = pl.duration(days=LIST_DAYS)
    failures = events.filter(pl.col("failed_on").is_between(pl.lit(first, pl.Date) + week, pl.lit(last, pl.Date) + week, closed="left"))
    foreseen = (
        failures.join(lists.select(*part, "week_start"), on=part)
        .filter(
            pl.col("week_start") > pl.col("failed_on") - timedelta(days=max_lead_days),
            # a listing up to the last repair belongs to the failure before
            pl.col("repaired_before").is_null() | (pl.col("week_start") > pl.col("repaired_before")),
        )
        .group_by(*part, "failed_on").agg(first_listed=pl.col("week_start").min())
    )
    return failures.join(foreseen, on=[*part, "failed_on"], how="left", maintain_order="left")


def _entry(value: float, low: float, high: float, n: int) -> dict[str, float | int | None]:
    figures = {"value": value, "low": low, "high": high}
    return {name: None if np.isnan(v) else float(v) for name, v in figures.items()} | {"n": n}


def _events(events: pl.DataFrame) -> pl.DataFrame:
    key = ["unit_id", "component", "failed_on"]
    if events.schema.get("repaired_on") == pl.Null:  # nothing repaired yet
        events = events.cast({"repaired_on": pl.Date})
    events = _table(events, "events", [*key, "repaired_on"], key)
    _no_rows(events.filter(pl.col("repaired_on") < pl.col("failed_on")), "events: repaired before it failed")
    return events


def _table(frame: pl.DataFrame, name: str, columns: list[str], key: list[str]) -> pl.DataFrame:
    """The named columns, checked: present, dates are dates, no null but an open repair, key unique."""
    missing = [c for c in columns if c not in frame.columns]
    if missing:
        raise ValueError(f"{name}: columns {missing} are missing, got {frame.columns}")
    frame = frame.select(columns)
    for column in sorted(DATES.intersection(columns)):
        if frame.schema[column] != pl.Date:
            raise ValueError(f"{name}: {column} must be of type Date, got {frame.schema[column]}")
    filled = [c for c in columns if c != "repaired_on"]
    _no_rows(frame.filter(pl.any_horizontal(pl.col(filled).is_null())), f"{name}: null in one of {filled}")
    _no_rows(frame.filter(pl.struct(key).is_duplicated()), f"{name}: the same {key} twice")
    if "probability" in columns:
        _no_rows(frame.filter(~pl.col("probability").is_between(0, 1)), f"{name}: probability outside 0..1")
    return frame


def _no_rows(offenders: pl.DataFrame, message: str) -> None:
    if offenders.height:
        raise ValueError(f"{message}; {offenders.height} rows, first: {offenders.row(0, named=True)}")


def _forecasts(p: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    p = np.asarray(p, dtype=float)
    if p.ndim != 1 or not ((p >= 0) & (p <= 1)).all():
        raise ValueError(f"p must be one-dimensional with values in 0..1, got shape {p.shape}, values {p}")
    return p, _flags(y, "y", p.shape).astype(float)


def _flags(values: ArrayLike, name: str, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    values = np.asarray(values)
    if values.shape != shape or len(shape) != 1:
        raise ValueError(f"{name} must be one-dimensional, one a scored item, got {values.shape} for {shape}")
    if not np.isin(values, (0, 1)).all():
        raise ValueError(f"{name} must be 0/1 or bool, got {np.setdiff1d(values, (0, 1))[:3]}")
    return values.astype(bool)


def _mean(values: NDArray) -> float:
    return float(np.mean(values)) if values.size else float("nan")
