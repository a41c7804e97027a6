"""Features of a component in a week: how far, how fast and since when it departs from its own past and its peers.

All come from what a list knew (tables ``trends`` and ``evidence``). Distances are counted in the way from healthy to
limit, in the part's own scatter and in the spread of its peers, never in volts or seconds, so that another engine or
gateway shifts them little. What is missing stays missing.
"""

from __future__ import annotations

import polars as pl

KEYS = ["week_start", "unit_id", "component"]
FAMILIES = ("upstream_narrowband", "upstream_wide_range", "downstream", "catalyst")
# One column an indicator and measure; the sign is turned so that more is worse.
MEASURES = ("gone", "own", "own_z", "peer_z", "shift_z", "drift", "pace", "trend_z")
TOPS = ("gone", "own", "own_z", "peer_z", "shift_z", "drift", "pace")
_LEAST_SCATTER = 0.03  # of the way from healthy to limit: less is finer than the indicators are
_EXTREME = {"gone": (-1.5, 4.0), "own": (-2.0, 4.0), "pace": (-2.0, 3.0), "trend_z": (-15.0, 15.0)}
_PLAIN = frozenset({"code", "code_confirmed", "code_age_days", "margin", "margin_drop", "margin_gone", "margin_gone_28d",
                    "held", "limits", "front_gone", "front_code", "rear_gone"})
_HEADS = frozenset({*MEASURES, "top", "second"})
# Whichever way an indicator points, these are worse the larger they are; a test margin is worse the smaller it is.
_RISING = ("code", "code_confirmed", "margin_drop", "margin_gone", "margin_gone_28d", "limits")
_FALLING = ("margin",)


def family_of() -> pl.Expr:
    """Component family of a row with ``part`` and ``kind``."""
    return pl.when(pl.col("part") == "upstream").then(pl.format("upstream_{}", "kind")).otherwise(pl.col("part"))


def features(trends: pl.DataFrame, evidence: pl.DataFrame, indicators: pl.DataFrame) -> pl.DataFrame:
    """One row a row of ``evidence``: its keys, depot, part, kind, status, family, and float32 features.

    Args:
        trends: week_start and the columns of table ``trends``; any number of weeks of one fleet and series.
        evidence: columns of table ``evidence`` of the same weeks.
        indicators: indicators.csv (indicator, worse, use).

    Features, for each judged indicator ``i``, more is worse: ``gone.i`` share of the way from healthy to limit;
    ``own.i`` change from the own past in the same measure; ``own_z.i`` that in own scatters, less the peers' median in
    the same week (season and fuel move everybody); ``peer_z.i`` distance to the peers in their spreads; ``shift_z.i``
    newest level against the median of the weeks before; ``drift.i`` cumulative sum; ``pace.i`` change in 28 days at the
    slope of the newest eight weeks; ``trend_z.i`` slope of the whole history over a third of its interval.
    ``top.m`` is the largest of measure ``m`` over the indicators, ``second.m`` the next. ``sample_step_s`` (s) stands
    beside them for the model card and is no feature: absolute levels mean something else behind another gateway.
    """
    rows = _measures(trends, indicators)
    wide = _wide(rows.filter(pl.col("use") == "judge"))
    base = evidence.select(
        *KEYS, "depot", "part", "kind", "status", family=family_of(), bank=pl.col("component").str.extract(r"(\d)"),
        code=pl.col("code_confirmed").is_not_null().cast(pl.Float32),
        code_confirmed=pl.col("code_confirmed").cast(pl.Float32),
        code_age_days="code_age_days", margin=pl.col("margin").clip(-2, 2), margin_drop=pl.col("margin_drop").clip(-2, 2),
        margin_gone="margin_gone", margin_gone_28d="margin_gone_28d",
        held=(pl.col("held_by") != "").cast(pl.Float32),
        limits=logit(pl.col("limits_probability")),
    )
    steps = trends.filter(pl.col("indicator") == "sample_step_s").select(*KEYS, sample_step_s="level")
    joined = base.join(wide, on=KEYS, how="left").join(steps, on=KEYS, how="left")
    return _with_neighbours(joined).drop("bank").with_columns(
        pl.col(name).cast(pl.Float32) for name in [*joined.columns, "front_gone", "rear_gone", "front_code"]
        if name not in (*KEYS, "depot", "part", "kind", "status", "family", "bank")
    )


def feature_names(frame: pl.DataFrame) -> list[str]:
    """Feature columns of a frame, in a fixed order: only names that :func:`features` makes, so that a label that was
    joined beside them can never be learnt from.
    """
    return sorted(name for name in frame.columns if name in _PLAIN or name.split(".")[0] in _HEADS)


def direction(name: str) -> int:
    """+1 where physics says that more never lowers the hazard, -1 the reverse, 0 where it says nothing.

    A part further from healthy, its own past or its peers is no healthier for it, and neither is one with a code or
    with less margin in its on-board test. What concerns other parts or the vehicle has no direction: it may explain
    the symptom or be its consequence.
    """
    if name in _FALLING:
        return -1
    head = name.split(".")[0]
    return int(name in _RISING or head in ("gone", "own", "own_z", "peer_z", "shift_z", "drift", "top", "second"))


def indicator_of(name: str) -> str:
    """Indicator a feature speaks of; empty for codes, tests, neighbours and the like."""
    head, _, tail = name.partition(".")
    return tail if head in MEASURES else ""


def logit(likely: pl.Expr) -> pl.Expr:
    """Log-odds of a probability, kept within +-7."""
    bounded = likely.clip(0.0009, 0.9991)
    return (bounded / (1 - bounded)).log()


def _measures(trends: pl.DataFrame, indicators: pl.DataFrame) -> pl.DataFrame:
    meta = indicators.select("indicator", "worse", "use")
    down, out = pl.col("worse") == "down", pl.col("worse") == "out"
    sign = pl.when(down).then(-1.0).when(out).then(pl.col("level").sign()).otherwise(1.0)
    reach = (pl.col("limit") - pl.col("healthy")).abs()
    level = pl.when(out).then(pl.col("level").abs()).otherwise("level")
    floor = _LEAST_SCATTER * reach
    scatter = pl.max_horizontal("own_spread", floor)
    moved = pl.col("level") - pl.col("baseline")
    width = pl.max_horizontal((pl.col("slope_high") - pl.col("slope_low")) / 3.0, floor / 4)
    place = pl.col("component").str.replace(r"^B\dS", "S").str.replace(r"\d$", "")
    rows = trends.join(meta, on="indicator").with_columns(
        gone=(level - pl.col("healthy")) * pl.when(down).then(-1.0).otherwise(1.0) / reach,
        own=sign * moved / reach,
        own_z=sign * moved / scatter,
        peer_z=sign * (pl.col("level") - pl.col("peer_median")) / pl.max_horizontal("peer_spread", floor),
        shift_z=sign * pl.col("own_shift") / scatter,
        drift=pl.when(down).then("drift_down").when(out & (pl.col("level") < 0)).then("drift_down").otherwise("drift_up"),
        pace=sign * pl.col("recent_slope") * 4.0 / reach,
        trend_z=sign * pl.col("slope_per_week") / width,
        _place=pl.when(pl.col("component").str.starts_with("B") & ~pl.col("component").str.starts_with("BANK"))
        .then(pl.col("component").str.slice(2)).otherwise(place),
    )
    rows = rows.with_columns(
        pl.when(pl.col(name).is_finite()).then(pl.col(name).clip(*_EXTREME.get(name, (-20.0, 60.0)))).alias(name)
        for name in MEASURES
    )
    common = ["week_start", "indicator", "_place"]
    return rows.with_columns(
        (pl.col(name) - pl.col(name).median().over(common).fill_null(0)).alias(name) for name in ("own_z", "shift_z")
    )


def _wide(rows: pl.DataFrame) -> pl.DataFrame:
    """One column a measure and indicator, and the largest and second largest of each measure."""
    tops = rows.group_by(KEYS).agg(
        *(pl.col(name).max().alias(f"top.{name}") for name in TOPS),
        *(pl.col(name).drop_nulls().top_k(2).min().alias(f"second.{name}") for name in ("gone", "own_z", "drift")),
    )
    names = sorted(rows["indicator"].unique())
    each = rows.group_by(KEYS).agg(
        pl.col(measure).filter(pl.col("indicator") == name).first().alias(f"{measure}.{name}")
        for name in names for measure in MEASURES
    )
    return tops.join(each, on=KEYS)


def _with_neighbours(frame: pl.DataFrame) -> pl.DataFrame:
    """How far the upstream and downstream sensor of the same bank have gone: a part further left explains much."""
    bank = ["week_start", "unit_id", "bank"]

    def of(part: str, columns: dict[str, str]) -> pl.DataFrame:
        return frame.filter(pl.col("part") == part).select(*bank, **{new: old for new, old in columns.items()})

    return (
        frame.join(of("upstream", {"front_gone": "top.gone", "front_code": "code"}), on=bank, how="left")
        .join(of("downstream", {"rear_gone": "top.gone"}), on=bank, how="left")
        .with_columns(
            pl.when(pl.col("part") == "upstream").then(None).otherwise(pl.col(name)).alias(name)
            for name in ("front_gone", "front_code")
        )
        .with_columns(rear_gone=pl.when(pl.col("part") == "downstream").then(None).otherwise("rear_gone"))
    )
