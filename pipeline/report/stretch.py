"""A short stretch of a sensor's real signal: lately, and when it was good or from a healthy peer."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.lake import Lake, bucket_of
from pipeline.settings import Settings

SPAN_S = 120.0
_CONTEXT = ("coolant_degc", "run_time_s", "speed_kmh")
RECENT_DAYS = 14
# Warm and under way; the stretch is an illustration, no judgement rests on it. Common practice: 75 to 80 degC.
WARM_DEGC = 70.0
LEAST_POINTS = 8


@dataclass(frozen=True)
class Stretch:
    """Readings of one signal: seconds from the first, values in ``unit``; ``words`` says whose, when and how warm."""

    signal: str
    unit: str
    words: str
    seconds: list[float]
    values: list[float]


def signal_of(component: str, kind: str) -> tuple[str, str]:
    """Signal that shows a component, and its unit: the sensor itself, or the downstream one for a catalyst."""
    bank = component[1] if component.startswith("B") else component[-1]
    if component.endswith("S1"):
        return (f"lambda_b{bank}s1", "lambda") if kind == "wide_range" else (f"o2_b{bank}s1_v", "V")
    return f"o2_b{bank}s2_v", "V"


PLOTTED = tuple(
    dict.fromkeys(
        signal_of(f"B{bank}S{place}", kind)[0]
        for bank in (1, 2)
        for place in (1, 2)
        for kind in ("narrowband", "wide_range")
    )
)
_SPAN = (pl.col("ts").dt.epoch("ms") / (SPAN_S * 1000)).floor().cast(pl.Int64).alias("span")


def recent(
    lake: Lake, settings: Settings, unit_id: str, component: str, kind: str, before: date
) -> Stretch | None:
    """The newest warm stretch of the last two weeks before ``before``; None where nothing was sampled."""
    first = before - timedelta(days=RECENT_DAYS)
    return _stretch(lake, settings, unit_id, component, kind, (first, before), newest=True, whose="now")


def when_good(
    lake: Lake, settings: Settings, unit_id: str, component: str, kind: str, since: date, before: date
) -> Stretch | None:
    """The oldest warm stretch after ``since``, the same sensor when it was younger."""
    return _stretch(
        lake, settings, unit_id, component, kind, (since, before), newest=False, whose="the same part earlier"
    )


def of_peer(
    lake: Lake, settings: Settings, peer_id: str, component: str, kind: str, before: date
) -> Stretch | None:
    """The newest warm stretch of a healthy vehicle of the same engine family."""
    first = before - timedelta(days=RECENT_DAYS)
    return _stretch(
        lake, settings, peer_id, component, kind, (first, before), newest=True, whose="a healthy peer"
    )


def _stretch(
    lake: Lake,
    settings: Settings,
    unit_id: str,
    component: str,
    kind: str,
    days: tuple[date, date],
    newest: bool,
    whose: str,
) -> Stretch | None:
    signal, unit = signal_of(component, kind)
    bucket = int(bucket_of(pl.Series([unit_id]), settings.buckets)[0])
    wanted = (pl.col("bucket") == bucket) & pl.col("day").is_between(*days, closed="left")
    rows = lake.collect(
        pl.concat(
            lake.scan(name)
            .filter(wanted & (pl.col("unit_id") == unit_id))
            .select("ts", *_CONTEXT, value=signal, thin=pl.lit(name != "readings"))
            for name in ("readings", "readings_thin")
        )
        .sort("ts")
        .with_columns(pl.col(_CONTEXT).forward_fill())
        .filter(pl.col("value").is_not_null())
    )
    best = _densest(rows, newest)
    if best is None:
        return None
    start: datetime = best["ts"][0]
    local = start.astimezone(ZoneInfo(settings.time_zone))
    coolant = best["coolant_degc"].median()
    warm = f", coolant {coolant:.0f} °C" if coolant is not None else ""
    thin = ", kept when the day was thinned" if best["thin"][0] else ""
    seconds = ((best["ts"] - start).dt.total_microseconds() / 1e6).to_list()
    return Stretch(
        signal, unit, f"{whose}: {local:%Y-%m-%d %H:%M}{warm}, {best.height} readings{thin}", seconds,
        best["value"].cast(pl.Float64).to_list(),
    )


def _densest(rows: pl.DataFrame, newest: bool) -> pl.DataFrame | None:
    """Readings of the span that holds the most, warm and moving where that is known; newest or oldest of equals."""
    if rows.height < LEAST_POINTS:
        return None
    spans = rows.with_columns(_SPAN)
    most = _best_first(spans, [], newest)
    return None if most.is_empty() else spans.filter(pl.col("span") == most["span"][0])


def _best_first(sampled: pl.DataFrame, whose: list[str], newest: bool) -> pl.DataFrame:
    """Spans of ``sampled`` that hold enough, by ``whose``: warm and moving before full before older (or newer)."""
    warm = (pl.col("coolant_degc") >= WARM_DEGC).fill_null(True) & (pl.col("speed_kmh") > 20).fill_null(True)
    counts = (
        sampled.group_by(*whose, "span", maintain_order=True)
        .agg(points=pl.len(), good=warm.mean())
        .filter(pl.col("points") >= LEAST_POINTS)
    )
    most = pl.col("points").max().over(whose) if whose else pl.col("points").max()
    judged = counts.with_columns(full=pl.col("points") >= 0.9 * most, fits=pl.col("good") >= 0.9)
    return judged.sort("fits", "full", "span", descending=[True, True, newest], maintain_order=True)


def stretches_of_days(rows: pl.DataFrame) -> pl.DataFrame:
    """Of each vehicle, day and sensor the oldest stretch that a card would show of that day alone.

    Args:
        rows: whole days of readings, by unit and instant.

    Returns:
        The rows of those stretches with every signal, untouched and in order; none of a sensor that no span of the day
        holds at least ``LEAST_POINTS`` readings of.
    """
    whose = ["unit_id", "day"]
    spans = rows.with_columns(_SPAN)
    known = spans.with_columns(pl.col(_CONTEXT).forward_fill().over(whose))
    best = [
        _best_first(known.filter(pl.col(name).is_not_null()), whose, newest=False)
        .unique(whose, keep="first", maintain_order=True)
        .select(*whose, "span")
        for name in PLOTTED
    ]
    wanted = pl.concat(best).unique()
    return spans.join(wanted, on=[*whose, "span"], how="semi", maintain_order="left").drop("span")
