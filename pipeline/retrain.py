"""Retrain: a challenger from the fleet's own lake, promoted only where it is shown to be better."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from models.classifier import Model, chances, folds_of, limits_of, train
from models.evaluate import average_precision
from models.features import KEYS, features
from models.labels import ORDER_DELAY, failures_known, labels, lives_of_orders
from models.resampling import Interval, bootstrap_interval
from pipeline.facts import read_codes, read_indicators
from pipeline.known import known_at
from pipeline.lake import Lake
from pipeline.settings import Settings

LEAST_FAILURES = 50.0  # the least from which a fleet's own rates are fitted at all
TEST_WEEKS = 8
_OWN = "own model of "  # and the Monday whose knowledge taught it
_WEEK = timedelta(days=7)


@dataclass(frozen=True)
class Verdict:
    """What became of a challenger: ``model`` is the one to use from now on."""

    promoted: bool
    why: str
    model: Model
    failures: float
    rows: int
    against: dict[str, Interval]


def examples(
    settings: Settings, lake: Lake, series: str, at: date
) -> tuple[pl.DataFrame, pl.DataFrame, float]:
    """Features and labels of the lists before ``at``, as known on that Monday, and the failures behind them.

    Labels rest on work orders and codes alone, closed and read before ``at``.
    """
    past = (pl.col("series") == series) & (pl.col("week_start") < at)
    evidence = lake.read("evidence", where=past)
    frame = features(lake.read("trends", where=past), evidence, read_indicators(settings))
    known = known_at(settings, lake, at)
    named = known.codes.join(read_codes(settings).select("code", "component"), on="code", how="left")
    lives = lives_of_orders(known.work_orders, named, settings.time_zone)
    made = labels(evidence.select(*KEYS, "fitted_on"), lives, at - ORDER_DELAY)
    return frame, made, failures_known(lives)


def challenge(settings: Settings, lake: Lake, incumbent: Model, at: date, series: str, seed: int = 0) -> Verdict:
    """Train a challenger on what was known at ``at`` and hold it against the incumbent and against limits alone.

    In a rolling backtest each challenger learns from other units, and from what was known on the first Monday of the
    weeks it is tested on: labels end :data:`ORDER_DELAY` before, which is the embargo. An incumbent that learnt from this
    fleet has seen the very rows of the test, so one taught anew stands in for it: from the same other units, and from what
    was known when the incumbent was taught, or on that first Monday where that is earlier. It is promoted if the 90 %
    interval of its gain in average precision (28 days), units resampled in pairs, lies above zero against both.
    """
    frame, made, failures = examples(settings, lake, series, at)
    labelled = made.select(KEYS).n_unique()  # a doubtful life gives a week two rows, with a share each

    def kept(why: str, against: dict[str, Interval] | None = None) -> Verdict:
        return Verdict(False, why, incumbent, failures, labelled, against or {})

    if failures < LEAST_FAILURES:
        return kept(
            f"orders and codes up to {at} tell of {failures:.1f} failures, {LEAST_FAILURES:.0f} are needed; "
            f"{incumbent.name} goes on judging"
        )
    tested = _rolling(settings, lake, series, frame, made, incumbent, seed)
    if tested.height == 0 or not tested["hit"].any():
        return kept(f"no weeks could be kept apart for a test with failures in them; {incumbent.name} goes on judging")
    against = _gains(tested, seed)
    worse = [f"{other} ({gain.low:+.3f} to {gain.high:+.3f})" for other, gain in against.items() if not gain.low > 0]
    if worse:
        return kept(
            "the gain in average precision (90 % interval by unit) is not above zero against " + " and ".join(worse),
            against,
        )
    own = train(frame, made, f"{_OWN}{at}", seed, threads=settings.threads)
    if not own.families:
        return kept("no component family holds enough failures of its own", against)
    model = _beside(incumbent, own)
    return Verdict(True, "better than the incumbent and than limits alone", model, failures, labelled, against)


def _beside(incumbent: Model, own: Model) -> Model:
    """What the fleet taught, and what it cannot learn by itself from the incumbent: still a stranger where that was one."""
    stranger = _taught_on(incumbent) is None
    # A model of the fleet that was written before families were lent does not say which it had from another.
    before = () if stranger else incumbent.own or incumbent.families
    return Model(
        own.name, incumbent.families | own.families, own.inputs, leaning=incumbent.leaning,
        own=tuple(sorted({*before, *own.families})), lender=incumbent.name if stranger else incumbent.lender,
    )


def verdict_text(verdict: Verdict) -> str:
    """The verdict as a short report."""
    lines = [
        f"{'promoted' if verdict.promoted else 'not promoted'}: {verdict.why}",
        f"{verdict.failures:.1f} failures and {verdict.rows} labelled component-weeks were known",
    ]
    lines += [
        f"gain in average precision against {other}: {gain.estimate:+.3f} ({gain.low:+.3f} to {gain.high:+.3f}), "
        f"{gain.units} units"
        for other, gain in verdict.against.items()
    ]
    return "\n".join(lines)


def own_card(verdict: Verdict) -> str:
    """Model card of a promoted model."""
    model = verdict.model
    families = "\n".join(
        f"- {name}: {part.failures} failures, {part.rows} component-weeks, {len(part.features)} features"
        for name, part in sorted(model.families.items()) if name in model.own
    )
    lent = [name for name in sorted(model.families) if name not in model.own]
    told = f"Lent by {model.lender}, of other fleets: {', '.join(lent)}.\n\n" if lent else ""
    return (
        f"# {verdict.model.name}\n\nLabels: this fleet's work orders and confirmed codes, which are noisy.\n"
        f"Splits of the test: other units, and labels known {ORDER_DELAY.days} days before the test weeks.\n\n"
        f"{families}\n\n{told}{verdict_text(verdict)}\n\n"
        "Limits of use: this fleet alone; a family not trained here is judged by the model before it.\n"
    )


def _rolling(
    settings: Settings, lake: Lake, series: str, frame: pl.DataFrame, made: pl.DataFrame, incumbent: Model, seed: int
) -> pl.DataFrame:
    """Rows of the test weeks with the chances of challenger, incumbent and limits, and whether they hit."""
    hits = made.filter(pl.col("fails_28").is_not_null()).sort(*KEYS, "weight", "fails_28").unique(KEYS, keep="last")
    if hits.is_empty():
        return pl.DataFrame()
    span = _WEEK * TEST_WEEKS
    end = hits["week_start"].max() + _WEEK
    parts, taught_on = [], _taught_on(incumbent)
    # What the fleet's own incumbent knew, where that is less than was known before any of the test weeks.
    less = taught_on is not None and taught_on < end - span
    seen, told = examples(settings, lake, series, taught_on)[:2] if less else (frame, made)
    for cut in (end - span, end - 2 * span):
        now = frame.filter(pl.col("week_start").is_between(cut, cut + span, closed="left"))
        before, known, _ = examples(settings, lake, series, cut)
        if known.is_empty() or now.is_empty():
            continue
        now = now.filter(pl.col("status") != "not_judged")
        units = frame["unit_id"].unique().sort()
        fold = folds_of(units.to_numpy(), 2, seed)
        for k in (0, 1):
            tested = units.filter(pl.Series(fold == k)).implode()
            of_others = ~pl.col("unit_id").is_in(tested)
            model = train(before, known.filter(of_others), "challenger", seed, threads=settings.threads)
            other = incumbent if taught_on is None else model
            if less and taught_on < cut:
                other = train(seen, told.filter(of_others), "incumbent", seed, threads=settings.threads)
            judged = _beside(incumbent, model) if taught_on is None else model
            # What neither of two models of the fleet can learn anew is left to limits.
            parts.append(_judged(now.filter(pl.col("unit_id").is_in(tested)), judged, other))
    if not parts:
        return pl.DataFrame()
    return pl.concat(parts).join(hits.select(*KEYS, hit="fails_28"), on=KEYS).sort(KEYS)


def _taught_on(model: Model) -> date | None:
    """Monday whose knowledge taught a fleet's own model; None of a model that has not seen the fleet."""
    return date.fromisoformat(model.name.removeprefix(_OWN)) if model.name.startswith(_OWN) else None


def _judged(rows: pl.DataFrame, challenger: Model, incumbent: Model) -> pl.DataFrame:
    limits = limits_of(rows)

    def likely(model: Model) -> pl.Series:
        made = chances(model, rows).by_horizon[:, 2]
        return pl.Series(np.where(np.isnan(made), 1 / (1 + np.exp(-limits)), made))

    return rows.select(KEYS).with_columns(
        challenger=likely(challenger), incumbent=likely(incumbent), limits=pl.Series(limits)
    )


def _gains(tested: pl.DataFrame, seed: int) -> dict[str, Interval]:
    hit, ours = tested["hit"].to_numpy(), tested["challenger"].to_numpy()
    gains = {}
    for other in ("incumbent", "limits"):
        theirs = tested[other].to_numpy()

        def gain(rows: np.ndarray, theirs: np.ndarray = theirs) -> float:
            return average_precision(ours[rows], hit[rows]) - average_precision(theirs[rows], hit[rows])

        gains[other] = bootstrap_interval(gain, tested["unit_id"].to_numpy(), seed=seed, n=200)
    return gains
