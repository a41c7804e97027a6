"""Limits: peers, how far an indicator has gone from healthy towards its limit, forecast, and hysteresis."""

from __future__ import annotations

import numpy as np
import polars as pl

PEERS_LEAST = 8
KIN_LEAST = 4  # vehicles of a family too small for peers whose median still says what is common in it (our own choice)
FORECAST_WEEKS = 4.0  # 28 days: the horizon of the list's probability
TREND_P = 0.05
TREND_WEEKS = 6
STRENGTH_MOST = 2.5
LEFT_LEAST = 0.25  # of what the peers have: 3.1 spreads below the median of a lognormal family whose spread is 45 % (worked)
WORN_MOST = 1.5
WORN_P = 0.01  # of many indicators a week the trend that speaks of wear must be a sure one (our own choice)
OWN_SPREADS = 3.0  # what a part does from one week to the next is no change
PEER_SPREADS = 3.0  # of a normal distribution 1 in 740 lies so far to one side: within it, a part is one of its family


def with_peers(levels: pl.DataFrame, families: pl.DataFrame) -> pl.DataFrame:
    """Add the median and spread of the peers' levels in the same weeks.

    The vehicle is one of those whose median is taken: among nine or more it moves the median by half a place. Peers are the
    other vehicles of the engine family in the same ambient band with the same component part, so that winter moves nobody; with
    fewer than eight of them, those of the family at any temperature, then those of the same sensor kind in the band, then all
    of the kind; a fleet of fewer than eight is compared with nobody.

    Args:
        levels: unit_id, component, indicator, level.
        families: unit_id, engine_family (null or empty unknown), kind, ambient_band (of 10 K, null unknown). Vehicles of
            which nobody knows the family are no family: theirs are the peers of the kind.

    Returns:
        ``levels`` with engine_family, kind, ambient_band, peer_median, peer_spread (1.4826 * MAD), peers, and kin_median: the
        median of an engine family of at least :data:`KIN_LEAST` vehicles where the peers are those of other families.
        Medians and spread are null where there are none.
    """
    joined = levels.join(families, on="unit_id", how="left")
    part = pl.col("component").str.replace(r"^B\dS", "S").str.replace(r"\d$", "").alias("_part")
    position = pl.when(pl.col("component").str.starts_with("B")).then(pl.col("component").str.slice(2)).otherwise(part)
    joined = joined.with_columns(_place=position)

    def statistics(by: list[str], suffix: str) -> pl.DataFrame:
        present = joined.filter(pl.col("level").is_not_null())
        with_median = present.with_columns(_m=pl.col("level").median().over(by))
        return with_median.group_by(by).agg(
            pl.col("_m").first().alias(f"median_{suffix}"),
            (1.4826 * (pl.col("level") - pl.col("_m")).abs().median()).alias(f"spread_{suffix}"),
            (pl.col("unit_id").n_unique() - 1).cast(pl.Int64).alias(f"peers_{suffix}"),
        )

    place = ["indicator", "_place", "kind"]
    circles = {
        "family_band": [*place, "engine_family", "ambient_band"],
        "family": [*place, "engine_family"],
        "kind_band": [*place, "ambient_band"],
        "kind": place,
    }
    for name, by in circles.items():
        joined = joined.join(statistics(by, name), on=by, how="left", nulls_equal=True, maintain_order="left")

    known = family_known()

    def of_first(column: str) -> pl.Expr:
        return pl.coalesce(
            pl.when((pl.col(f"peers_{name}") >= PEERS_LEAST) & (known if "engine_family" in by else True))
            .then(pl.col(f"{column}_{name}"))
            for name, by in circles.items()
        )

    made = [f"{column}_{name}" for name in circles for column in ("median", "spread", "peers")]
    small = pl.col("peers_family").is_between(KIN_LEAST - 1, PEERS_LEAST - 1) & known
    return joined.with_columns(
        peer_median=of_first("median"), peer_spread=of_first("spread"), peers=of_first("peers").fill_null(0),
        kin_median=pl.when(small).then("median_family"),
    ).drop("_place", *made)


def family_known() -> pl.Expr:
    """Whether ``engine_family`` names one: a register that leaves it out has null or nothing there."""
    return (pl.col("engine_family") != "").fill_null(False)


def with_kin(levels: pl.DataFrame) -> pl.DataFrame:
    """Peers' medians of families too small for peers: that of the family where it lies further in the bad direction.

    Engines that never cut fuel leave their downstream sensors nearly still; held against all other families each of them would
    be stuck. What a family has in common moves the yardstick away from its parts, as that of peers does, never towards them.

    Args:
        levels: of :func:`with_peers`, with worse ("up", "down", "out") of the indicator.

    Returns:
        ``levels`` without kin_median, with peer_median moved.
    """
    known = pl.col("kin_median").is_not_null()
    further = (
        pl.when(pl.col("worse") == "up").then(pl.max_horizontal("peer_median", "kin_median"))
        .when(pl.col("worse") == "down").then(pl.min_horizontal("peer_median", "kin_median"))
        .otherwise("peer_median")
    )
    moved = pl.when(known & pl.col("peer_median").is_not_null()).then(further).otherwise("peer_median")
    return levels.with_columns(peer_median=moved).drop("kin_median")


def with_strength(levels: pl.DataFrame) -> pl.DataFrame:
    """Add how far each indicator has gone from healthy (0) to its limit (1), now and 28 days on.

    Where peers are known, a whole family that stands closer to the limit than the declared healthy value moves both:
    healthy becomes the peers' median, and the limit lies at least half the declared distance beyond it, and three of the
    peers' spreads, but a part that has lost three quarters of what its peers have is at its limit. So a calibration, a
    season, a gateway or a family of wide spread makes nobody sick. Of an indicator that may be off to either side ("out")
    what lies beyond the peers' median counts where that is less. ``own_past`` indicators compare with the part's own first
    weeks, or the declared healthy value where that is worse, their limit being a share of it, and three of the part's own
    spreads from week to week at least; ``own_and_peers`` ones, too, but what stands no worse than its peers do, within one
    spread of theirs, is no finding, whatever it was before.

    The forecast goes along the Theil-Sen slope only where at least six weeks show a monotone trend (Mann-Kendall
    p < 0.05) in the bad direction; else the level is expected to stay.

    Args:
        levels: level, baseline, own_spread, peer_median, peer_spread, slope_per_week, slope_low, slope_high, trend_p, weeks, and of the
            indicator: worse ("up", "down", "out"), healthy, limit, compare ("absolute", "both", "own_past", "own_and_peers").

    Returns:
        ``levels`` with healthy and limit (for this part), strength, strength_28d, moved, worn, crossing_weeks,
        crossing_weeks_low and crossing_weeks_high (weeks until the limit; 0 is now, null is not in sight). ``moved`` is the
        share of the way from healthy to the limit that the part has gone itself since its own past, null without one; ``worn``
        is how much of the strength that is, 0 without a sure trend (Mann-Kendall p < 0.01): a part that is on its way fails,
        one that has always been so may be made so.
    """
    sign = pl.when(pl.col("worse") == "down").then(-1.0).otherwise(1.0)
    out = pl.col("worse") == "out"
    beside = _beside("level")
    level = pl.when(out).then(beside.abs()).otherwise(pl.col("level"))
    slope = pl.when(out).then(pl.col("slope_per_week") * beside.sign()).otherwise(pl.col("slope_per_week"))
    own = pl.col("compare").is_in(["own_past", "own_and_peers"])
    # A past that was better than the declared healthy value is healthy: ten times nothing is still little.
    past = pl.when(pl.col("baseline").is_not_null()).then(
        sign * pl.max_horizontal(sign * pl.col("baseline"), sign * pl.col("healthy"))
    )
    healthy = pl.when(own).then(past).otherwise(pl.col("healthy"))
    change = pl.max_horizontal(pl.col("limit") * past.abs(), OWN_SPREADS * pl.col("own_spread"))
    limit = (
        pl.when(own)
        .then(pl.when(pl.col("limit").is_not_null()).then(past + sign * change))
        .otherwise(pl.col("limit"))
    )
    reach = (limit - healthy) * sign
    peers = pl.when((pl.col("compare") == "both") & ~out).then(pl.col("peer_median"))
    # The peers only ever move the yardstick away from the part, never towards it.
    moved_healthy = sign * pl.max_horizontal(sign * healthy, sign * peers)
    # What has come to where its family stands was unusual before: behind a slow sensor that was exchanged, say.
    beyond_peers = (pl.col("level") - pl.col("peer_median")) * sign - pl.col("peer_spread").fill_null(0)
    usual_now = (pl.col("compare") == "own_and_peers") & (beyond_peers <= 0).fill_null(False)
    scatter = pl.when(pl.col("compare") == "both").then(PEER_SPREADS * pl.col("peer_spread"))
    usual = pl.when(out).then(scatter).otherwise(sign * peers + scatter)
    moved = pl.max_horizontal(sign * limit, sign * moved_healthy + 0.5 * reach, usual)
    # What falls to nothing is at its limit in the widest family, too.
    lost = pl.when((pl.col("worse") == "down") & (limit > 0) & (peers > 0)).then(-pl.min_horizontal(limit, peers * LEFT_LEAST))
    # What has no declared limit is context and gets none of its peers.
    moved_limit = pl.when(limit.is_not_null()).then(sign * pl.min_horizontal(moved, lost))
    frame = levels.with_columns(
        _level=level, _slope=slope * sign, _sign=sign, _healthy=moved_healthy, _limit=moved_limit, _declared=reach,
        _side=pl.when(out).then(beside.sign()).otherwise(1.0), _usual_now=usual_now,
    ).with_columns(_reach=(pl.col("_limit") - pl.col("_healthy")) * pl.col("_sign"))

    def gone(level: pl.Expr) -> pl.Expr:
        # Without a distance between the two (an own past of zero) there is nothing to measure against.
        measurable = pl.col("_reach") > 0
        share = pl.when(measurable).then((level - pl.col("_healthy")) * pl.col("_sign") / pl.col("_reach"))
        share = pl.when(pl.col("_usual_now")).then(share.clip(upper_bound=0)).otherwise(share)
        # Beyond the limit the declared distance counts again: peers that stand near it make nobody sicker.
        beyond = 1 + (level - pl.col("_limit")) * pl.col("_sign") / pl.max_horizontal("_reach", "_declared")
        return pl.when(share <= 1).then(share).when(measurable).then(beyond)

    trending = (
        (pl.col("weeks") >= TREND_WEEKS) & (pl.col("trend_p") < TREND_P) & (pl.col("_slope") > 0)
    ).fill_null(False)
    to_go = ((pl.col("_limit") - pl.col("_level")) * pl.col("_sign")).clip(lower_bound=0)
    # The interval of the slope in the bad direction: its steep end crosses first.
    ends = [pl.col(name) * pl.col("_sign") * pl.col("_side") for name in ("slope_low", "slope_high")]
    steep, flat = pl.max_horizontal(ends), pl.min_horizontal(ends)

    def weeks_at(rate: pl.Expr) -> pl.Expr:
        return pl.when(to_go <= 0).then(0.0).when(trending & (rate > 0)).then(to_go / rate)

    strength = gone(pl.col("_level")).clip(0, STRENGTH_MOST)
    surely = trending & (pl.col("trend_p") < WORN_P).fill_null(False)
    since = (pl.col("level") - pl.col("baseline")) * pl.col("_side") * pl.col("_sign") / pl.col("_reach")
    return frame.with_columns(
        healthy=pl.col("_healthy"),
        limit=pl.col("_limit"),
        strength=strength,
        moved=pl.when(pl.col("_reach") > 0).then(since),
        worn=pl.when(surely & since.is_not_null() & (pl.col("_reach") > 0))
        .then(pl.min_horizontal(since, strength).clip(0, WORN_MOST))
        .otherwise(0.0),
        strength_28d=pl.when(trending)
        .then(gone(pl.col("_level") + pl.col("_slope") * pl.col("_sign") * FORECAST_WEEKS))
        .otherwise(gone(pl.col("_level")))
        .clip(0, STRENGTH_MOST),
        crossing_weeks=weeks_at(pl.col("_slope")),
        crossing_weeks_low=weeks_at(steep),
        crossing_weeks_high=weeks_at(flat),
    ).drop("_level", "_slope", "_sign", "_side", "_healthy", "_limit", "_reach", "_declared", "_usual_now")


def _beside(name: str) -> pl.Expr:
    """A value that may be off to either side, less its peers' median where that lies on its side of zero."""
    apart = pl.when((pl.col("compare") == "both") & (pl.col("worse") == "out")).then(pl.col(name) - pl.col("peer_median"))
    return pl.when(apart.abs() < pl.col(name).abs()).then(apart).otherwise(pl.col(name))


def with_standing(levels: pl.DataFrame, weeks: pl.DataFrame, enter: float) -> pl.DataFrame:
    """Keep a finding that was entered until its evidence falls below the release.

    The weekly values are held against the same healthy value and limit as the level. Where a week reached ``enter``
    and no later one fell below the indicator's own ``release``, the finding stands, and the strength counts as
    ``enter`` even if the newest level lies a little below it. Weeks with fewer than the least samples decide nothing.

    Args:
        levels: unit_id, component, indicator, healthy, limit, release, least_samples, worse, compare, peer_median,
            strength, strength_28d.
        weeks: unit_id, component, indicator, data_week, value, samples.
        enter: strength at which a finding is entered.

    Returns:
        ``levels`` with strength and strength_28d raised where a finding stands.
    """
    keys = ["unit_id", "component", "indicator"]
    watched = levels.filter(
        pl.col("strength").is_not_null() & (pl.col("strength") < enter) & (pl.col("strength") >= pl.col("release"))
    )
    rows = (
        weeks.join(watched.select(*keys, "healthy", "limit", "release", "least_samples", "worse", "compare", "peer_median"), on=keys)
        .filter(pl.col("samples") >= pl.col("least_samples"))
        .sort(*keys, "data_week")
    )
    if rows.is_empty():
        return levels
    value = pl.when(pl.col("worse") == "out").then(_beside("value").abs()).otherwise("value")
    rows = rows.with_columns(
        _gone=(value - pl.col("healthy")) / (pl.col("limit") - pl.col("healthy")),
        _series=pl.struct(keys).rle_id(),
        _place=pl.int_range(pl.len()).over(keys),
    )
    heads = rows.unique("_series", keep="first", maintain_order=True)
    grid = np.full((heads.height, rows["_place"].max() + 1), np.nan)
    grid[rows["_series"].to_numpy(), rows["_place"].to_numpy()] = rows["_gone"].to_numpy()
    state = hysteresis(grid, enter, heads["release"].to_numpy())[:, -1]
    standing = heads.select(keys).with_columns(_stands=pl.Series(state))
    joined = levels.join(standing, on=keys, how="left", maintain_order="left")
    stands = pl.col("_stands").fill_null(False)
    return joined.with_columns(
        pl.when(stands).then(pl.max_horizontal(name, pl.lit(enter))).otherwise(name).alias(name)
        for name in ("strength", "strength_28d")
    ).drop("_stands")


def hysteresis(strengths: np.ndarray, enter: float, release: float | np.ndarray) -> np.ndarray:
    """State of a finding over time: entered at ``enter``, left only below ``release``.

    Args:
        strengths: shape (n_series, n_points), oldest first; NaN keeps the state.
        enter, release: strengths with release < enter; release may be one a series, shape (n_series,).

    Returns:
        Booleans of the same shape. Used so that an indicator at its limit does not flicker on and off the list.

    Raises:
        ValueError: release is not below enter.
    """
    if not np.all(np.asarray(release) < enter):
        raise ValueError(f"release must be below enter ({enter}); got {np.max(release)}")
    left = np.asarray(release, dtype=float).reshape(-1, 1)
    with np.errstate(invalid="ignore"):
        change = np.where(strengths >= enter, 1, np.where(strengths < left, 0, -1))
    position = np.where(change >= 0, np.arange(strengths.shape[1]), -1)
    newest = np.maximum.accumulate(position, axis=1)
    rows = np.arange(strengths.shape[0])[:, None]
    return (newest >= 0) & (change[rows, np.maximum(newest, 0)] == 1)
