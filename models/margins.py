"""On-board tests on their way to the limit: what results of the control unit itself say before one of them fails.

A monitor sends each result with its limits (SAE J1979, service $06). The share of the margin that is gone since the part's
own past says how far it is on the way to the code that the same test will set, whatever the test measures and however it
is scaled.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.codes import results_of_parts
from models.limits import PEERS_LEAST, family_known

AHEAD_DAYS = 28  # the horizon of a list row
RESULTS_LEAST = 6  # days with a new result: three make the own past, three the newest level
SPAN_DAYS = 21  # results of fewer days show a mood of the engine, no wear (our own choice)
STALE_DAYS = 28  # a monitor that has not run for that long tells nothing of today
SLOPE_DAYS = 56  # newest eight weeks, as for indicators (features, ``pace``)
OWN_PAST_LEAST = 0.05  # share of the limit; a part that always passed as narrowly has nothing to lose
SCATTERS = 2.0  # of single results: medians of six and three of them lie 0.9 apart by chance (1.25 scatters / sqrt(n) each)
SCATTER_LEAST = 0.01  # share of the limit: results are whole numbers of some hundred steps
SAID_DAYS = 56  # a limit further off than the longest horizon has no date
GONE_MOST = 1.3  # beyond the limit is beyond it
_NEWEST = 3
_TO_SIGMA = 1.4826  # median absolute deviation to standard deviation of a normal distribution
_TEST = ["unit_id", "component", "obdmid", "tid"]


def margin_paths(
    margins: pl.DataFrame, fits: pl.DataFrame, families: pl.DataFrame, week_start: date, time_zone: str
) -> pl.DataFrame:
    """How much of its margin each component's on-board tests have lost, of the test that will have lost most in 28 days.

    The own past is the median of the older half of the days with a result since the part was fitted, the level of today the
    median of the newest three; results with other limits than the newest are of another test. A fall counts where it exceeds
    two scatters of single results, taken from differences of neighbours so that wear itself does not widen them, and what
    falls in the median of the engine family (more than :data:`PEERS_LEAST` vehicles) is taken off: weather and fuel move
    everybody. The fall of the next 28 days follows the median slope of the newest eight weeks (P. K. Sen, J. Am. Stat.
    Assoc. 63 (1968) 1379-1389).

    Args:
        margins: unit_id, obdmid, tid, ts, min, max and margin of each new result (table ``test_margins``).
        fits: unit_id, component, fitted_on.
        families: unit_id, engine_family (null or empty unknown).
        week_start: nothing dated on it or later is in ``margins``.
        time_zone: that of the days of ``fits`` and of the results; ts is UTC.

    Returns:
        unit_id, component, margin_test (monitor and test id), margin_before and margin_now (own past and newest result,
        share of the nearer limit), margin_gone and margin_gone_28d (share of the own past that is gone at today's level and
        in 28 days, 0 to :data:`GONE_MOST`), margin_before_on (day of the newest result of the own past) and margin_out_days
        (days until nothing of the newest result is left at that pace; null where it does not fall or is gone). Components
        without a fall that counts have no row.
    """
    daily = results_of_parts(margins, fits, time_zone).group_by(*_TEST, "day", maintain_order=True).agg(
        pl.col("margin").median(), pl.col("min", "max").last()
    )
    same = (pl.col("min").eq_missing(pl.col("min").last()) & pl.col("max").eq_missing(pl.col("max").last())).over(_TEST)
    by_test = daily.filter(same).group_by(_TEST, maintain_order=True).agg(
        pl.col("day"), pl.col("margin"), newest_on=pl.col("day").last(), oldest_on=pl.col("day").first(), results=pl.len()
    ).filter(
        pl.col("results") >= RESULTS_LEAST,
        pl.col("newest_on") - pl.col("oldest_on") >= timedelta(days=SPAN_DAYS),
        pl.lit(week_start) - pl.col("newest_on") <= timedelta(days=STALE_DAYS),
    )
    half = pl.col("results") // 2
    steps = pl.col("margin").list.diff(null_behavior="drop")
    told = by_test.with_columns(
        margin_before=pl.col("margin").list.head(half).list.median(),
        margin_before_on=pl.col("day").list.get(half - 1),
        margin_now=pl.col("margin").list.last(),
        level=pl.col("margin").list.tail(_NEWEST).list.median(),
        scatter=_TO_SIGMA / 2**0.5 * steps.list.eval((pl.element() - pl.element().median()).abs()).list.median(),
    ).with_columns(fell=pl.col("margin_before") - pl.col("level"))
    kin = ["engine_family", "obdmid", "tid"]
    told = told.join(families, on="unit_id", how="left", maintain_order="left")
    known = family_known() & (pl.col("unit_id").n_unique().over(kin) > PEERS_LEAST)
    everybody = pl.when(known).then(pl.col("fell").median().over(kin).clip(lower_bound=0)).otherwise(0.0)
    fallen = told.with_columns(fell=pl.col("fell") - everybody).filter(
        pl.col("margin_before") >= OWN_PAST_LEAST,
        pl.col("fell") > SCATTERS * pl.max_horizontal("scatter", pl.lit(SCATTER_LEAST)),
    )
    pace = [_fall_a_day(days, values, week_start) for days, values in zip(fallen["day"], fallen["margin"], strict=True)]
    names = [f"${obdmid:02X} test ${tid:02X}" for obdmid, tid in fallen.select("obdmid", "tid").iter_rows()]
    left = pl.col("margin_now") / pl.col("pace")
    return (
        fallen.with_columns(pace=pl.Series(pace, dtype=pl.Float64), margin_test=pl.Series(names, dtype=pl.String))
        .with_columns(
            margin_gone=(pl.col("fell") / pl.col("margin_before")).clip(0, GONE_MOST),
            margin_gone_28d=((pl.col("fell") + AHEAD_DAYS * pl.col("pace")) / pl.col("margin_before")).clip(0, GONE_MOST),
            margin_out_days=pl.when((pl.col("pace") > 0) & (left > 0)).then(left),
        )
        .sort("unit_id", "component", "margin_gone_28d", "margin_gone", "obdmid", "tid",
              descending=[False, False, True, True, False, False])
        .unique(["unit_id", "component"], keep="first", maintain_order=True)
        .select("unit_id", "component", "margin_test", "margin_before", "margin_now", "margin_gone", "margin_gone_28d",
                "margin_before_on", "margin_out_days")
    )


def margin_words() -> pl.Expr:
    """How near to its limit the test was and is, and when it reaches it, from columns of :func:`margin_paths`."""
    before, now = ((pl.col(name) * 100).round(0).cast(pl.Int64) for name in ("margin_before", "margin_now"))
    days = pl.col("margin_out_days").round(0).cast(pl.Int64)
    stands = pl.when(now > 0).then(pl.format("{} % from its limit", now)).otherwise(pl.lit("at its limit"))
    ahead = (
        pl.when(days.is_null() | (now <= 0) | (days > SAID_DAYS)).then(pl.lit(""))
        .when(days <= 1).then(pl.lit(", which it reaches within days"))
        .otherwise(pl.format(", which it reaches in about {} days at that pace", days))
    )
    until = pl.col("margin_before_on").dt.to_string("%Y-%m-%d")
    return pl.format("on-board monitor {} {} ({} % until {}){}", "margin_test", stands, before, until, ahead)


def _fall_a_day(days: pl.Series, margins: pl.Series, week_start: date) -> float:
    """Median slope of the newest eight weeks as a fall of margin a day, 0 where it does not fall or is not known."""
    ago = (pl.Series([week_start]) - days).dt.total_days().to_numpy().astype(float)
    new = ago <= SLOPE_DAYS
    ago, values = ago[new], margins.to_numpy()[new]
    if ago.size <= _NEWEST:
        return 0.0
    apart = ago[:, None] - ago[None, :]
    later = apart > 0  # the row is the older of the two
    if not later.any():
        return 0.0
    falls: NDArray[np.float64] = (values[:, None] - values[None, :])[later] / apart[later]
    return max(float(np.median(falls)), 0.0)
