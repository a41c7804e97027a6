"""Capability: which indicators the sampling of a vehicle allows, and the one signal or rate that would allow most.

An indicator names the signals it needs (``indicators.csv``, needs): words that must all be there, alternatives with ``|``
between them, ``{b}`` for the bank. Sensors and trims must come as often as the indicator asks; signals that are carried
forward as often as they may be carried. A gateway that polls in turns needs no less of these: between its rows a value
counts for so long only, and whether the loop was closed or the fuel cut must be known wherever a sensor is read.
"""

from __future__ import annotations

import polars as pl

JITTER = 1.2  # a fifth of tolerance for jitter of the polls
_SENSORS = ("o2_", "lambda_b", "pump_", "stft_")
# Movement between neighbouring readings grows with the time between them as long as the signal is slower than that: behind
# a good catalyst, from 1 to 10 s by a sixth of the way to the limit, and by half of it in one of ten (measured on a
# simulated fleet).
MOVEMENTS = ("rear_activity_v", "up_activity_v", "wide_activity", "rear_front_path")
ALIKE = 3.0  # times another's step: readings that far apart no longer make the same movement (our own choice)
NEWEST = 3  # weeks whose median is how often readings come now: a single odd week changes nothing (as many as make a level)
# What tells the windows in which a sensor counts (10_context, 11_samples), where the vehicle reports it at all.
_WINDOWS = ("fuel_status_b1", "load_pct|throttle_pct")


def sampling_of(days: pl.DataFrame) -> pl.DataFrame:
    """Effective sampling of each signal over the days given.

    A value that the gateway repeats is no new reading: the readings are counted less the share that is held.

    Args:
        days: unit_id, signal, readings, driven_s, held_share (0 to 1, null unknown), skew_s.

    Returns:
        unit_id, signal, readings, step_s (time driven for each new reading, s; infinite where all are held),
        held_share, skew_s.
    """
    weight = pl.col("readings").filter(pl.col("held_share").is_not_null())
    held = (pl.col("held_share") * pl.col("readings")).sum() / weight.sum()
    grouped = days.group_by("unit_id", "signal").agg(
        pl.col("readings").sum(),
        driven_s=pl.col("driven_s").sum(),
        held_share=pl.when(weight.len() > 0).then(held),
        skew_s=pl.col("skew_s").median(),
    )
    fresh = pl.col("readings") * (1 - pl.col("held_share").fill_null(0.0))
    return grouped.select(
        "unit_id", "signal", "readings", step_s=pl.col("driven_s") / fresh, held_share="held_share", skew_s="skew_s"
    ).sort("unit_id", "signal")


def comparable(weeks: pl.DataFrame, indicators: pl.DataFrame) -> pl.DataFrame:
    """Weekly values without those that another sampling made than a part's past, trend and peers can be told by.

    Left out is what came from readings further apart in its week than the indicator allows, whatever the sampling is now; and
    of movements between neighbouring readings (:data:`MOVEMENTS`) the weeks whose readings lay more than :data:`ALIKE` times
    closer or further apart than they come now, the median of the newest :data:`NEWEST` weeks: a gateway that was set to
    another rate is no part that wears.

    Args:
        weeks: unit_id, component, data_week, indicator, value and more; uses ``sample_step_s`` (s) of the component. Without
            it nothing is left out.
        indicators: indicator, slowest_s (s).
    """
    part = ["unit_id", "component"]
    steps = weeks.filter((pl.col("indicator") == "sample_step_s") & (pl.col("value") > 0)).select(
        *part, "data_week", _step="value", _now=pl.col("value").sort_by("data_week").tail(NEWEST).median().over(part)
    )
    joined = weeks.join(steps, on=[*part, "data_week"], how="left", maintain_order="left").join(
        indicators.select("indicator", _slowest="slowest_s"), on="indicator", how="left", maintain_order="left"
    )
    times = pl.max_horizontal(pl.col("_step") / pl.col("_now"), pl.col("_now") / pl.col("_step"))
    too_slow = pl.col("_step") > JITTER * pl.col("_slowest")
    other_rate = pl.col("indicator").is_in(MOVEMENTS) & (times > ALIKE)
    return joined.filter(~(too_slow | other_rate).fill_null(False)).select(weeks.columns)


def capabilities(
    components: pl.DataFrame, indicators: pl.DataFrame, sampling: pl.DataFrame, carried_s: dict[str, float]
) -> pl.DataFrame:
    """What each component's indicators need and whether it comes.

    Args:
        components: unit_id, component, bank, part, kind.
        indicators: indicator, component (part, or any), kind, slowest_s, needs; judged ones.
        sampling: from :func:`sampling_of`; a vehicle polls in turns where a signal has a skew.
        carried_s: signal -> seconds for which it may be carried forward.

    Returns:
        One row a component and indicator: unit_id, component, part, indicator, possible, lacking (signals missing or too
        slow), signal (the first of them), every_s (how often it must come), comes_s (how often it does, null never).
    """
    wanted = (
        components.select("unit_id", "component", "bank", "part", "kind")
        .join(
            indicators.select("indicator", "slowest_s", "needs", part="component", meant_for="kind"), on="part"
        )
        .filter((pl.col("meant_for") == "any") | (pl.col("meant_for") == pl.col("kind")))
        .join(_in_turns(sampling), on="unit_id", how="left")
        .with_columns(need=_needs().str.split(" "))
        .explode("need")
        .with_columns(signal=pl.col("need").str.split("|"))
        .explode("signal")
        .with_columns(signal=pl.col("signal").str.replace_all("{b}", pl.col("bank").cast(pl.String), literal=True))
        .with_columns(every_s=_bound(carried_s))
    )
    met = wanted.join(sampling.select("unit_id", "signal", comes_s="step_s"), on=["unit_id", "signal"], how="left")
    met = met.with_columns(met=(pl.col("comes_s") <= JITTER * pl.col("every_s")).fill_null(False))
    key = ["unit_id", "component", "part", "indicator"]
    by_need = met.group_by([*key, "need"], maintain_order=True).agg(
        pl.col("met").any(), pl.col("signal", "every_s").first(), pl.col("comes_s").min()
    )
    short = ~pl.col("met")
    return by_need.group_by(key, maintain_order=True).agg(
        possible=pl.col("met").all(),
        lacking=short.sum().cast(pl.Int64),
        signal=pl.col("signal").filter(short).first(),
        every_s=pl.col("every_s").filter(short).first(),
        comes_s=pl.col("comes_s").filter(short).first(),
    )


def unlocks(capable: pl.DataFrame) -> pl.DataFrame:
    """What one more signal, or one signal more often, would allow, most first.

    Args:
        capable: from :func:`capabilities`.

    Returns:
        signal, every_s (the slowest rate that allows all it allows, s), components (that could be judged and cannot now),
        indicators (component indicators), vehicles, which (the indicators' names, sorted).
    """
    judged = capable.group_by("unit_id", "component").agg(now=pl.col("possible").any())
    one = capable.filter(pl.col("lacking") == 1).join(judged, on=["unit_id", "component"])
    return (
        one.group_by("signal")
        .agg(
            every_s=pl.col("every_s").min(),
            components=pl.struct("unit_id", "component").filter(~pl.col("now")).n_unique(),
            indicators=pl.len(),
            vehicles=pl.col("unit_id").n_unique(),
            which=pl.col("indicator").unique().sort(),
        )
        .sort("components", "indicators", "signal", descending=[True, True, False])
    )


def _in_turns(sampling: pl.DataFrame) -> pl.DataFrame:
    """unit_id of vehicles that poll in turns, and ``windows``: what else they need, which of :data:`_WINDOWS` they report."""
    reported = pl.col("signal").unique()
    told = [
        pl.when(reported.is_in(need.split("|")).any()).then(pl.lit(need)) for need in _WINDOWS
    ]
    polled = sampling.filter((pl.col("skew_s") > 0).any().over("unit_id"))
    return polled.group_by("unit_id").agg(windows=pl.concat_str(told, separator=" ", ignore_nulls=True))


def _needs() -> pl.Expr:
    of_sensor = pl.any_horizontal(pl.col("needs").str.contains(name, literal=True) for name in _SENSORS)
    more = pl.when(of_sensor & (pl.col("windows") != "")).then(pl.format(" {}", "windows")).otherwise(pl.lit(""))
    return pl.col("needs") + more


def _bound(carried_s: dict[str, float]) -> pl.Expr:
    fast = pl.any_horizontal(pl.col("signal").str.starts_with(name) for name in _SENSORS)
    may_be = pl.col("signal").replace_strict(carried_s, default=None, return_dtype=pl.Float64)
    # In one row with the sensor a signal is as new as the sensor's reading, however seldom the rows come.
    together = pl.when(pl.col("windows").is_null()).then("slowest_s")
    return pl.when(fast).then("slowest_s").otherwise(pl.max_horizontal(together, may_be))
