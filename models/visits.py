"""What a visit to the workshop tells of a part: found sound, exchanged and named again, or sound without a word of it."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from models.codes import day_of

_PART = ["unit_id", "component"]


def quiet_after_inspection(components: pl.DataFrame, quiet: timedelta, time_zone: str) -> pl.DataFrame:
    """Hold back what a technician has just found without a fault, unless a code was set since, whatever older one is stored.

    Args:
        time_zone: that of the day ``inspected_on``; ``code_newest_at`` is UTC.
    """
    since = day_of("code_newest_at", time_zone) > pl.col("inspected_on")
    return _held(components, pl.col("inspected_on").is_not_null() & ~since.fill_null(False), {
        "held_by": pl.lit("inspected"),
        "held_why": pl.format("tested on {} and no fault found", "inspected_on"),
        "held_rule_out": pl.format("nothing now; judged again after {}, or when a code is set", pl.col("inspected_on") + quiet),
    })


def code_back(components: pl.DataFrame) -> pl.DataFrame:
    """Hold back a part that has been exchanged lately and that a code names again: the cause is still in the vehicle."""
    return _held(components, pl.col("replaced_on").is_not_null() & pl.col("code_first_at").is_not_null(), {
        "held_by": pl.lit("code_back"),
        "held_why": pl.format("replaced on {}, and a code names it again", "replaced_on"),
        "held_cause": pl.lit("what the first part was blamed for, or what destroyed it"),
        "held_rule_out": pl.lit(
            "wiring and connector, exhaust leaks, lean and rich faults, misfire, and whether the right part was fitted; "
            "not a second part"
        ),
        "held_test": pl.lit("that of the code, by the service information"),
    })


def sound_again(components: pl.DataFrame) -> pl.DataFrame:
    """Hold back a part that was bad and is sound on its newest day, unless a code or a failed on-board test names it.

    Work orders come days or weeks after the work, or never; till then the days before it would go on speaking.

    Args:
        components: with ``sound_on`` of :func:`sound_on_newest_day`, null elsewhere.
    """
    named = pl.col("code_first_at").is_not_null() | (pl.col("margin") < 0).fill_null(False)
    return _held(components, pl.col("sound_on").is_not_null() & ~named, {
        "held_by": pl.lit("sound_again"),
        "held_why": pl.format("bad before, and sound on {}, the newest day that shows it", "sound_on"),
        "held_cause": pl.lit("mended without a work order so far, or a fault that comes and goes"),
        "held_rule_out": pl.lit("whether the part, its plug or its wiring were mended since; judged again with the days to come"),
        "held_test": pl.lit("wiggle test of plug and wiring with the engine warm, if nobody has mended it"),
    })


def sound_on_newest_day(standing: pl.DataFrame, days: pl.DataFrame, sound: float) -> pl.DataFrame:
    """Parts of which all is sound that the newest day shows of what speaks against them.

    Notable is an indicator that stands at its release or beyond. All notable ones that the newest day shows must lie
    within ``sound`` of the way from healthy to limit there, and on every day before one of them lay at its release or beyond,
    or the day before the newest is sound as well: what swings to and fro from day to day has not become sound.

    Args:
        standing: unit_id, component, indicator, level, strength, healthy, limit, release, least_samples; one week's judged
            indicators. What may be off to either side is taken from zero, peers or not, which errs to no hold.
        days: unit_id, component, indicator, day, value, samples; the days that the levels rest on.
        sound: share of the way from healthy (0) to limit (1).

    Returns:
        unit_id, component, sound_on (date). Parts with a notable indicator that no day shows are left out.
    """
    key = [*_PART, "indicator"]
    reach = pl.col("limit") - pl.col("healthy")
    side = pl.when((pl.col("level") - pl.col("healthy")) * reach < 0).then(-1.0).otherwise(1.0)
    notable = standing.filter(pl.col("strength") >= pl.col("release")).select(
        *key, "healthy", "release", "least_samples", reach=reach, side=side
    )
    # Thin days steer nothing, as thin weeks do not (models.levels).
    measured = days.select(*key, "day", "value", "samples").join(notable, on=key).filter(
        (pl.col("samples") >= pl.col("least_samples") / 4) & pl.col("value").is_finite()
    )
    unseen = notable.join(measured, on=key, how="anti").select(_PART)
    gone = (pl.col("side") * pl.col("value") - pl.col("healthy")) / pl.col("reach")
    by_day = (
        measured.join(unseen, on=_PART, how="anti")
        .group_by(*_PART, "day")
        .agg(sound=(gone <= sound).all(), bad=(gone >= pl.col("release")).any())
        .sort(*_PART, "day")
    )
    before = by_day.group_by(_PART, maintain_order=True).agg(
        sound_on=pl.col("day").last(), sound=pl.col("sound").last(), days=pl.len(),
        twice=pl.col("sound").tail(2).all(), bad=pl.col("bad").slice(0, pl.len() - 1).all(),
    )
    return before.filter((pl.col("days") > 1) & pl.col("sound") & (pl.col("bad") | pl.col("twice"))).select(*_PART, "sound_on")


def _held(components: pl.DataFrame, by: pl.Expr, texts: dict[str, pl.Expr]) -> pl.DataFrame:
    """``components`` with the texts where ``by`` is true and nothing holds the part back yet."""
    free = by & pl.col("held_by").is_null()
    return components.with_columns(pl.when(free).then(text).otherwise(pl.col(name)).alias(name) for name, text in texts.items())
