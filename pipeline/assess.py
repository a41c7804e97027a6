"""Assess: indicator days -> trends -> findings -> what is held back -> a probability for every component."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import polars as pl

from models.airmass import with_air_mass
from models.beside import WARMEST, codes_exported, depot_between, warmest_day
from models.bias import Stands, rear_references, with_bias, with_rear_moved
from models.blame import Hold, Measured, evaluate, hold_back
from models.breaks import fitted, inspected, replaced, since_fitted
from models.calls import Call, ruled_out, with_calls
from models.capability import JITTER, comparable
from models.classifier import Model
from models.codes import (
    bank_of,
    codes_by_component,
    codes_since_fitted,
    margin_drops,
    margin_lacks,
    newest_margins,
    part_of,
    trusted_margins,
    withdrawn,
)
from models.cuts import with_cuts_checked
from models.drift import drift
from models.findings import findings as find
from models.findings import loudest
from models.levels import LEVEL_WEEKS, Grid, levels_of, series_grid
from models.limits import with_kin, with_peers, with_standing, with_strength
from models.margins import margin_paths, margin_words
from models.past import louder_twin, with_own_past
from models.probability import Weights, with_probability
from models.proposals import proposed_breaks
from models.visits import code_back, quiet_after_inspection, sound_again, sound_on_newest_day
from pipeline.components import expected_components, gone_quiet, never_hot, scope_of
from pipeline.facts import read_blame, read_codes, read_indicators
from pipeline.known import Known, known_at, lamp_days, midnight_of
from pipeline.lake import Lake
from pipeline.limits import qualify_params, read_limits
from pipeline.prognosis import chosen_model, prognosis, stamp, with_agreed_window, with_prognosis
from pipeline.query import Session
from pipeline.settings import Settings
from pipeline.tables import table

ISSUED, REPLAYED = "issued", "replayed"
_WEEK = timedelta(days=7)
_AMBIENT_BAND_K = 10.0
_GOING = 0.5  # of its own margin: a test that will have lost half of it in 28 days is spoken of
_NEAR_LIMIT, _LACKS = 0.25, 0.05  # of the limit: what an on-board test has left is said from here on, where it is not usual
_NEW_PART = timedelta(weeks=LEVEL_WEEKS)
_FITTED = "a part of this bank was fitted less than three weeks ago: too few usable readings since"


@dataclass(frozen=True)
class AssessSummary:
    """Components by status for one list."""

    week_start: date
    judged: int
    held: int
    not_judged: int
    out_of_scope: int
    shifted: float = 0.0  # share of the classifier's inputs that lie far from those it was trained on
    kept: bool = False  # nothing had changed since it was judged before
    passed_over: str = ""  # why the fleet's own model did not judge, in words


def assess(
    settings: Settings, lake: Lake, week_start: date, series: str = ISSUED, model: Model | None = None
) -> AssessSummary:
    """Judge every component as known at the midnight before ``week_start`` and store trends, findings and scores.

    Args:
        week_start: Monday on which the list is issued; nothing dated on it or later, and nothing that arrived
            later, is used.
        series: ``issued`` for lists that go out, ``replayed`` for a backtest.
        model: the classifier to judge with; the fleet's own or the starter if left out.
    """
    indicators = read_indicators(settings)
    judge = {name: limit.value for name, limit in read_limits(settings)["judge"].items()}
    known = known_at(settings, lake, week_start, series == ISSUED)
    weeks, codes, margins = _measured(settings, known)
    lit = lamp_days(settings, lake, known, codes, week_start)
    codes = codes.join(withdrawn(codes, lit, settings.time_zone), on=["unit_id", "code"], how="anti")
    units = scope_of(known.register, known.days)
    weeks = comparable(_worked_out(weeks, known, units, judge, indicators), indicators)
    grid = series_grid(
        weeks, indicators.select("indicator", "least_samples"), week_start - _WEEK, settings.history_weeks
    )
    yardsticks = _trends(grid, indicators, units)
    standing = with_standing(yardsticks, weeks, judge["finding_strength"])
    found = find(louder_twin(standing.filter(pl.col("use") == "judge")))
    fits = fitted(known.work_orders)
    fresh = fits.filter(pl.col("fitted_on") >= week_start - _NEW_PART)
    quiet = timedelta(days=judge["quiet_after_inspection_days"])
    tested = inspected(known.work_orders, week_start - quiet)
    exchanged = replaced(known.work_orders, week_start - timedelta(days=judge["code_back_days"]))
    components = gone_quiet(expected_components(units), known.days, week_start - _NEW_PART)
    newest = known.days.filter(pl.col("day") >= week_start - _NEW_PART)
    # A day of a catalyst rests on a handful of fuel cuts, and catalysts do not mend.
    sensors = standing.filter((pl.col("use") == "judge") & ~pl.col("component").str.starts_with("CAT"))
    shown = with_own_past(since_fitted(newest, fits), indicators)
    sound = sound_on_newest_day(sensors, shown, judge["sound_share"])
    for told in (fresh, tested, exchanged, sound):
        components = components.join(told, on=["unit_id", "component"], how="left")
    components = never_hot(components, standing, judge["catalyst_hot_share"])
    # Nobody says "no codes": a vehicle that reports its lamp, its tests or any code is one whose codes are read.
    lamp = standing.filter(pl.col("indicator") == "mil_on")["unit_id"]
    read_out = pl.concat([lamp, known.codes["unit_id"], known.onboard_tests["unit_id"]])
    blame = read_blame(settings)
    beside = _beside(known, newest, standing, pl.concat([lamp, known.codes["unit_id"]]), blame[0])
    scored = _scored(
        settings, judge, blame, components, standing, beside, found, codes, margins, fits, read_out, week_start
    )

    partition = [{"series": series, "week_start": week_start}]

    def keep(name: str, frame: pl.DataFrame) -> pl.DataFrame:
        rows = stamp(frame, series, week_start).select(*table(name).columns)
        lake.replace(name, rows, partition)
        return rows

    trends = keep("trends", standing)
    keep("proposed_breaks", proposed_breaks(grid, indicators))
    keep("findings", found.with_columns(**_window(week_start)))
    evidence = keep("evidence", _evidence(scored, fits))
    judge_by = model or chosen_model(lake)
    made = prognosis(judge_by, trends, evidence, indicators)
    keep("chances", made.chances)
    keep("input_shift", made.inputs)
    judged = with_prognosis(scored, made) if judge_by.ranks else scored
    scores = keep("scores", with_agreed_window(judged, week_start))
    return counted(scores, week_start, made.shifted)


def counted(scores: pl.DataFrame, week_start: date, shifted: float, kept: bool = False) -> AssessSummary:
    """The summary of one list's rows of table ``scores``."""
    counts = dict(scores.group_by("status").len().iter_rows())
    by_status = (counts.get(status, 0) for status in ("judged", "held", "not_judged", "out_of_scope"))
    return AssessSummary(week_start, *by_status, shifted=shifted, kept=kept)


def weekly_indicators(settings: Settings, lake: Lake, week_start: date, series: str = REPLAYED) -> pl.DataFrame:
    """Indicators by week as the list of ``week_start`` knew them (table ``indicator_weeks``)."""
    judge = {name: limit.value for name, limit in read_limits(settings)["judge"].items()}
    known = known_at(settings, lake, week_start, series == ISSUED)
    units = scope_of(known.register, known.days)
    return _worked_out(_measured(settings, known)[0], known, units, judge, read_indicators(settings))


def _worked_out(
    weeks: pl.DataFrame, known: Known, units: pl.DataFrame, judge: dict[str, float], indicators: pl.DataFrame
) -> pl.DataFrame:
    """Weekly indicators with those that follow from several others, and without cuts that others show to be none."""
    usual = dict(indicators.select("indicator", "healthy").iter_rows())
    weeks = with_cuts_checked(weeks, judge["rear_lean_share"], usual)
    references = rear_references(
        weeks, units, judge["rear_reference_v"], judge["rear_target_least_v"], judge["rear_target_most_v"]
    )
    biased = with_bias(weeks, references, judge["rear_rich_pct_per_v"], judge["rear_lean_pct_per_v"])
    stands = Stands(
        judge["rear_ceiling_lost_v"], judge["rear_spread_grown_v"], judge["rear_fuel_added_pct"], judge["rear_fuel_uneven_pct"]
    )
    witnessed = with_rear_moved(biased, fitted(known.work_orders), stands)
    air = with_air_mass(witnessed, known.register, int(judge["air_peers"]), judge["air_scatter_pct"])
    return with_own_past(air, indicators)


def _measured(settings: Settings, known: Known) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    days = since_fitted(known.days, fitted(known.work_orders))
    with Session(qualify_params(settings), settings.threads, settings.memory_limit_mb) as session:
        session.attach("indicator_days", days)
        session.attach("codes", known.codes)
        session.attach("onboard_tests", known.onboard_tests)
        for name in ("60_indicator_weeks", "65_active_codes", "66_test_margins", "67_misfire_weeks"):
            session.run(name)
        weeks = pl.concat([session.fetch("indicator_weeks"), session.fetch("misfire_weeks")])
        return weeks, session.fetch("active_codes"), session.fetch("test_margins")


def _trends(grid: Grid, indicators: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Level, peers, trend and strength of every indicator, with the columns of ``indicators.csv``."""
    standing = drift(grid, levels_of(grid)).filter(pl.col("level").is_not_null())
    ambient = standing.filter(pl.col("indicator") == "ambient_degc").select(
        "unit_id", ambient_band=(pl.col("level") / _AMBIENT_BAND_K).floor().cast(pl.Int64)
    )
    families = units.select("unit_id", "engine_family", "kind").join(ambient, on="unit_id", how="left")
    compared = with_peers(standing, families).join(
        indicators.rename({"kind": "meant_for"}).drop("component"), on="indicator"
    )
    fits = (pl.col("meant_for") == "any") | (pl.col("meant_for") == pl.col("kind"))
    sampling = standing.filter(pl.col("indicator") == "sample_step_s").select(
        "unit_id", "component", sampled_every_s="level"
    )
    # A fifth of tolerance for jitter of the polls; what is sampled more slowly than the indicator allows is not used.
    fast_enough = (pl.col("sampled_every_s") <= JITTER * pl.col("slowest_s")).fill_null(True)
    compared = compared.join(sampling, on=["unit_id", "component"], how="left")
    return with_strength(with_kin(compared.filter(fits.fill_null(True) & fast_enough)))


def _beside(known: Known, newest: pl.DataFrame, standing: pl.DataFrame, told: pl.Series, facts: dict[str, dict]) -> pl.DataFrame:
    """What the order of blame asks beside the levels of indicators; the table itself says from where on an engine is cold, and
    a voltage between rich and lean.
    """
    made = [codes_exported(told, known.register)]
    if "front_mostly_between" in facts:
        made.append(depot_between(standing, known.register, facts["front_mostly_between"]["above"]))
    cold = [fact["below"] for fact in facts.values() if fact.get("indicator") == WARMEST and "below" in fact]
    if cold:
        made.append(warmest_day(newest, standing, max(cold)))
    return pl.concat(made).with_columns(bank=bank_of(pl.lit("UNIT")))


def _scored(
    settings: Settings,
    judge: dict[str, float],
    blame: tuple[dict[str, dict], list[Hold], list[Call]],
    components: pl.DataFrame,
    standing: pl.DataFrame,
    beside: pl.DataFrame,
    found: pl.DataFrame,
    codes: pl.DataFrame,
    margins: pl.DataFrame,
    fits: pl.DataFrame,
    read_out: pl.Series,
    week_start: date,
) -> pl.DataFrame:
    """One row a component: status, probability, and the words.

    Args:
        read_out: unit_id of the vehicles whose codes or on-board tests are read at all.
    """
    facts, holds, calls = blame
    known_codes = read_codes(settings)
    midnight = midnight_of(settings, week_start)
    recent = pl.lit(midnight) - pl.col("last_seen_at") <= timedelta(days=judge["code_age_days"])
    named = (
        codes.filter(~pl.col("cleared") & (pl.col("confirmed") | recent))
        .join(known_codes.select("code", "role", "title", position="component"), on="code")
        .with_columns(bank=bank_of(pl.col("position")))
    )
    zone = settings.time_zone
    active = codes_since_fitted(named, fits, zone)
    judged = standing.filter((pl.col("use") == "judge") & pl.col("strength").is_not_null())
    spoken = pl.col("strength") > judge["coming_moved_share"]
    by_component = judged.group_by("unit_id", "component").agg(
        judged_indicators=pl.len(), worn=pl.col("worn").max(), moved=pl.col("moved").filter(spoken).max()
    )
    banks = components.filter(pl.col("bank") > 0).select("unit_id", "bank").unique(maintain_order=True)
    levels = standing.select(
        "unit_id", "indicator", "level", bank=bank_of(pl.col("component")), change=pl.col("level") - pl.col("baseline"),
        apart=pl.col("level") - pl.col("peer_median"),
    )
    families = components.select("unit_id", "engine_family").unique(maintain_order=True)
    margins = trusted_margins(margins, families)
    newest = newest_margins(margins, fits, zone)
    paths = margin_paths(margins, fits, families, week_start, zone)
    tested = newest.select(
        "unit_id", indicator=part_of(pl.col("component")) + "_margin", level="margin", bank=bank_of(pl.col("component"))
    )
    part = pl.col("component")
    going = paths.select(
        "unit_id", indicator=part_of(part) + "_margin_gone", level="margin_gone_28d", bank=bank_of(part)
    )
    # Exchanges are known for judge.code_back_days; an older catalyst has no age here.
    aged = components.filter((pl.col("part") == "catalyst") & pl.col("replaced_on").is_not_null()).select(
        "unit_id", indicator=pl.lit("catalyst_age_days"), bank=bank_of(pl.col("component")),
        level=(pl.lit(week_start) - pl.col("replaced_on")).dt.total_days().cast(pl.Float64),
    )
    levels = pl.concat([levels, tested, going, aged, beside], how="diagonal_relaxed")
    active_parts = active.select("unit_id", "bank", "role", part=part_of(pl.col("position")))
    found_parts = found.select(
        # As far ahead as the chance looks: a part that is suspect by then comes before those that wait for it.
        "unit_id", "mode", strength=pl.max_horizontal("strength", "strength_28d"), bank=bank_of(pl.col("component")), part=part_of(pl.col("component"))
    )
    truths = evaluate(banks, facts, levels, active_parts, found_parts)
    told = Measured(
        read_out=read_out.unique(),
        judged=by_component.select(
            "unit_id", bank=bank_of(pl.col("component")), part=part_of(pl.col("component"))
        ),
    )
    known = evaluate(banks, facts, levels, active_parts, found_parts, told)
    joined = (
        components.join(by_component, on=["unit_id", "component"], how="left")
        .join(loudest(found), on=["unit_id", "component"], how="left")
        .with_columns(pl.col("mode").fill_null(""))
        .join(codes_by_component(active, fits, zone), on=["unit_id", "component"], how="left")
        .join(newest, on=["unit_id", "component"], how="left")
        .join(margin_lacks(margins, fits, families, zone), on=["unit_id", "component"], how="left")
        .join(margin_drops(margins, fits, zone), on=["unit_id", "component"], how="left")
        .join(paths, on=["unit_id", "component"], how="left")
        .with_columns(
            code_age_days=(pl.lit(midnight) - pl.col("code_first_at")).dt.total_seconds() / 86400.0,
            unmoved=(pl.col("moved") < judge["coming_moved_share"])
            & pl.col("code_role").is_null()
            & (pl.col("margin_drop").fill_null(0) <= judge["coming_moved_margin"]),
        )
    )
    weights = Weights(**{name.removeprefix("probability_"): value for name, value in judge.items()
                         if name.startswith("probability_")})
    held = ruled_out(hold_back(with_calls(joined, truths, calls), truths, holds), known, holds)
    quiet = timedelta(days=judge["quiet_after_inspection_days"])
    visited = sound_again(code_back(quiet_after_inspection(held, quiet, zone)))
    return with_probability(_with_status(visited), weights).with_columns(
        **_window(week_start), **_texts(), second_opinion=pl.lit(None, pl.Float64)
    )


def _evidence(scored: pl.DataFrame, fits: pl.DataFrame) -> pl.DataFrame:
    """What was known of each component beside its indicators."""
    return (
        scored.filter(pl.col("status") != "out_of_scope")
        .with_columns(
            pl.col("held_by").fill_null(""), limits_probability="probability", limits_probability_7d="probability_7d"
        )
        .drop("fitted_on", "inspected_on", "replaced_on", "sound_on")
        .join(fits, on=["unit_id", "component"], how="left")
    )


def _with_status(components: pl.DataFrame) -> pl.DataFrame:
    """judged, held, not_judged or out_of_scope, with the reason in words."""
    nothing_known = pl.col("judged_indicators").is_null() & pl.col("code_role").is_null()
    out = pl.col("out_of_scope") != ""
    held = pl.col("held_by").is_not_null()
    return components.with_columns(
        status=pl.when(out).then(pl.lit("out_of_scope"))
        .when(nothing_known).then(pl.lit("not_judged"))
        .when(held).then(pl.lit("held"))
        .otherwise(pl.lit("judged")),
        reason=pl.when(out).then(pl.col("out_of_scope"))
        .when(nothing_known & held).then("not judged: " + pl.col("held_why"))
        .when(nothing_known & pl.col("fitted_on").is_not_null()).then(pl.lit(_FITTED))
        .when(nothing_known).then(pl.col("not_judged_because"))
        .when(held).then("held back: " + pl.col("held_why"))
        .otherwise(pl.lit("")),
    )


def _texts() -> dict[str, pl.Expr]:
    told = pl.col("evidence").fill_null("")
    codes = pl.col("code_words").fill_null("")
    left = (pl.col("margin") * 100).round(0).cast(pl.Int64)
    margin = (
        pl.when(pl.col("margin") < 0).then(pl.lit("on-board test failed"))
        .when(pl.col("margin_gone_28d") >= _GOING).then(margin_words())
        .when((pl.col("margin") < _NEAR_LIMIT) & (pl.col("margin_lack") > _LACKS)).then(pl.format("on-board test {} % from its limit", left))
        .otherwise(pl.lit(""))
    )
    spoken = pl.concat_list(told, codes, margin).list.eval(pl.element().filter(pl.element() != "")).list.join("; ")
    judged = pl.col("status").is_in(["judged", "held"])
    return {
        "why": pl.when(judged).then(spoken).otherwise(pl.lit("")),
        "rule_out_first": pl.when(judged).then(pl.coalesce("held_rule_out", "call_rule_out")).otherwise(pl.lit("")),
        "points_at": pl.when(judged).then(pl.coalesce("held_cause", "call_cause")).otherwise(pl.lit("")),
        "confirm_by": pl.when(judged).then(pl.coalesce("held_test", "call_test")).otherwise(pl.lit("")),
        "inspect_as": pl.when(judged & pl.col("held_by").is_null() & (pl.col("call_inspect_as") != "")).then("call_inspect_as"),
        "ruled_out": pl.when(judged).then("ruled_out").otherwise(pl.lit("")),
        "not_ruled_out": pl.when(judged).then("not_ruled_out").otherwise(pl.lit("")),
        "judged_by": pl.when(judged).then(pl.lit("limits and trends")).otherwise(pl.lit("")),
    }


def _window(week_start: date) -> dict[str, pl.Expr]:
    """Expected window of failure from the forecast of crossing the limit; empty where none is in sight."""

    def day(weeks: str) -> pl.Expr:
        ahead = pl.col(weeks)
        in_sight = ahead.is_not_null() & ahead.is_finite() & (ahead <= 104)
        return pl.when(in_sight).then(
            pl.lit(week_start) + pl.duration(days=(ahead * 7).round(0).fill_null(0).cast(pl.Int64))
        )

    return {"window_from": day("crossing_weeks_low"), "window_to": day("crossing_weeks_high")}
