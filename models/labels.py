"""Labels: what became of a component after a week, from work orders and confirmed codes.

A repair order is a noisy label. A part that was replaced without a fault was no failure; where the workshop wrote
nothing down, the order counts as failure and as none, each with its share; a confirmed code that nobody acted on is
weaker still. No order at all means no failure only up to the day until which orders can be known.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from models.codes import day_of

HORIZONS = (14, 28, 56)
PART = ["unit_id", "component"]
NEW_PART_DAYS = 28  # a new part is judged again when it has a history of its own
ORDER_DELAY = timedelta(days=35)  # an order is closed weeks after the failure: newer silence means nothing yet
CODE_DAYS = 90  # an order within that many days of a code answers it
BOOKED_DAYS = 7  # without a code the failure is dated a week before the order was closed: the visit was booked
CARD = "card "  # begins the number of an order that stands for a returned card
CARD_AHEAD_DAYS = 14  # a card may be filled in after the order was closed; a note of a contradiction looks as far
_PRIOR_CONFIRMED, _PRIOR_FOUND = 3.0, 5.0  # before the fleet has findings of its own; three of five (assumption)
_ENDS = ["replaced", "repaired"]
_COMPONENT = r"^(B[12]S[12]|CAT[12])$"
_LIVES = {
    "unit_id": pl.String, "component": pl.String, "failed_on": pl.Date, "ended_on": pl.Date, "weight": pl.Float64,
    "source": pl.String,
}


def lives_of_orders(work_orders: pl.DataFrame, codes: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Lives of components that ended or are in doubt, as far as orders and codes tell.

    Args:
        work_orders: order_id, unit_id, closed_on, component, action, finding (null or "unknown" where not noted).
        codes: unit_id, component (that the code names), code, ts, state; confirmed reports and clears (component null).
        time_zone: that in which the days of ``work_orders`` begin; instants of ``codes`` are UTC.

    Returns:
        unit_id, component, failed_on (null: it did not fail), ended_on (null: still in the vehicle), weight (0..1, that
        this row is what happened) and source (order or code row). A life of unknown finding has two rows, their
        weights sum to 1.
    """
    orders = work_orders.filter(pl.col("component").str.contains(_COMPONENT)).sort(*PART, "closed_on", "order_id")
    elsewhere = work_orders.filter((pl.col("component") == "OTHER") & (pl.col("action") == "repaired"))
    ended = _one_a_visit(orders)
    # A permanent code survives a clear until its monitor has run and passed (13 CCR 1968.2(d)): after one it is no new failure.
    cleared = codes.filter(pl.col("state") == "cleared").group_by("unit_id").agg(first_clear=pl.col("ts").min())
    left_over = (pl.col("state") == "permanent") & (pl.col("ts") > pl.col("first_clear")).fill_null(False)
    reported = (
        codes.join(cleared, on="unit_id", how="left")
        .filter(
            pl.col("state").is_in(["confirmed", "permanent"]) & pl.col("component").str.contains(_COMPONENT) & ~left_over
        )
        .select(*PART, "code", coded_on=day_of("ts", time_zone))
        .sort(*PART, "coded_on", "code")
    )
    ended = ended.with_columns(before=pl.col("closed_on").shift(1).over(PART))
    # An order answers the codes of the 90 days before it; a code older than the last visit speaks of the part before.
    answered = (
        ended.join(reported, on=PART)
        .filter(
            (pl.col("closed_on") - pl.col("coded_on")).dt.total_days().is_between(0, CODE_DAYS),
            pl.col("before").is_null() | (pl.col("coded_on") > pl.col("before")),
        )
        .group_by("order_id", *PART).agg(coded_on=pl.col("coded_on").min())
    )
    dated = ended.join(answered, on=["order_id", *PART], how="left").with_columns(
        failed_on=pl.coalesce("coded_on", pl.max_horizontal(pl.col("closed_on") - timedelta(days=BOOKED_DAYS), "before")),
        part=_part(), known=pl.col("finding").is_in(["confirmed", "no_fault_found"]),
    )
    share = _confirmed_share(dated)
    dated = dated.join(share, on="part", how="left").with_columns(
        weight=pl.when(pl.col("finding") == "confirmed").then(1.0)
        .when(pl.col("finding") == "no_fault_found").then(0.0)
        .otherwise("share"),
        source=pl.format("order {}", "order_id"),
        ended_on="closed_on",
    )
    failed = dated.filter(pl.col("weight") > 0)
    sound = dated.filter(pl.col("weight") < 1).with_columns(
        failed_on=pl.lit(None, pl.Date), weight=1 - pl.col("weight")
    )
    unanswered = _unanswered(reported, orders, elsewhere, codes, share, time_zone)
    return pl.concat([frame.select(list(_LIVES)).cast(_LIVES) for frame in (failed, sound, unanswered)]).sort(
        *PART, pl.col("ended_on"), "failed_on", nulls_last=True
    )


def _one_a_visit(orders: pl.DataFrame) -> pl.DataFrame:
    """Exchanges and repairs, one a visit: a returned card and the workshop's own order of the same work are one.

    The workshop closes its order up to :data:`ORDER_DELAY` after the work. The life then ended on the earlier of both days,
    and where the order notes no finding that of the card stands for both. What is done to a part on one day is one visit, too.

    Args:
        orders: order_id, unit_id, component, action, finding, closed_on; of sensors and catalysts alone.
    """
    noted = pl.col("finding").is_in(["confirmed", "no_fault_found"]).fill_null(False)
    of_card = pl.col("order_id").str.starts_with(CARD)
    own, returned = orders.filter(~of_card & pl.col("action").is_in(_ENDS)), orders.filter(of_card)
    apart = (pl.col("closed_on") - pl.col("carded_on")).dt.total_days()
    same_work = pl.col("card_action").is_in(_ENDS).fill_null(False)
    told = returned.select(*PART, card="order_id", carded_on="closed_on", carded="finding", card_action="action")
    pairs = (
        own.join(told, on=PART)
        # A part that was tested sound and is exchanged weeks later was tested in another visit.
        .filter(apart.is_between(-CARD_AHEAD_DAYS, pl.when(same_work).then(ORDER_DELAY.days).otherwise(CARD_AHEAD_DAYS)))
        .sort(apart.abs(), "card")
        .unique(["order_id", *PART], keep="first", maintain_order=True)
        .select("order_id", *PART, "card", "carded_on", "carded", "card_action")
    )
    joined = own.join(pairs, on=["order_id", *PART], how="left").with_columns(
        finding=pl.when(noted).then("finding").otherwise(pl.coalesce("carded", "finding")),
        closed_on=pl.when(same_work).then(pl.min_horizontal("closed_on", "carded_on")).otherwise("closed_on"),
    )
    alone = returned.filter(pl.col("action").is_in(_ENDS)).join(
        pairs.select(*PART, order_id="card"), on=["order_id", *PART], how="anti"
    )
    # Of several rows of one day the one that notes a fault says what the visit was for.
    return (
        pl.concat([joined.select(orders.columns), alone])
        .sort(*PART, "closed_on", (pl.col("finding") == "confirmed").fill_null(False), noted, "order_id",
              descending=[False, False, False, True, True, False])
        .unique([*PART, "closed_on"], keep="first", maintain_order=True)
    )


def lives_of_truth(truth: pl.DataFrame) -> pl.DataFrame:
    """The same from the truth of a simulated fleet: unit_id, component, failed_on, repaired_on."""
    return truth.filter(pl.col("failed_on").is_not_null()).select(
        *PART, "failed_on", ended_on="repaired_on", weight=pl.lit(1.0),
        source=pl.format("truth {} {}", *PART),
    )


def labels(weeks: pl.DataFrame, lives: pl.DataFrame, known_until: date) -> pl.DataFrame:
    """What became of each component after each week.

    Args:
        weeks: week_start, unit_id, component and fitted_on (null where never fitted), one row each.
        lives: of :func:`lives_of_orders` or :func:`lives_of_truth`.
        known_until: day up to which the absence of an order means that nothing failed. What orders tell beyond it is
            left out: failures alone would be known there.

    Returns:
        week_start, unit_id, component, days_to_failure (0 where it has failed and is not repaired; null where it did not
        fail before ``known_until``), days_known (how long nothing was known to fail), weight, source, and ``fails_14``,
        ``fails_28``, ``fails_56`` (null where censored before, and for all parts alike where ``known_until`` lies inside
        the horizon). Weeks from ``known_until`` on and within 28 days after a part was fitted have no label.
    """
    fresh = (pl.col("week_start") - pl.col("fitted_on")).dt.total_days() < NEW_PART_DAYS
    usable = weeks.filter(~fresh.fill_null(False), pl.col("week_start") < known_until)
    usable = usable.select("week_start", *PART).with_row_index("row")
    end = pl.coalesce("ended_on", pl.lit(date.max))
    inside = usable.join(lives, on=PART).filter(pl.col("week_start") <= end)
    # Of several lives the one that ends next is the part that is in the vehicle now.
    current = inside.filter(end == end.min().over("row"))
    current = current.with_columns(
        lasts=(pl.min_horizontal("ended_on", pl.lit(known_until)) - pl.col("week_start")).dt.total_days(),
        ahead=pl.when(pl.col("failed_on") < known_until).then(
            (pl.col("failed_on") - pl.col("week_start")).dt.total_days().clip(lower_bound=0)),
    )
    rest = current.group_by("row").agg(left=1 - pl.col("weight").sum()).filter(pl.col("left") > 1e-9)
    untouched = pl.concat([
        usable.join(current.select("row").unique(), on="row", how="anti").with_columns(left=pl.lit(1.0)),
        usable.join(rest, on="row").select(*usable.columns, "left"),
    ]).with_columns(
        ahead=pl.lit(None, pl.Int64), weight="left",
        lasts=(pl.lit(known_until) - pl.col("week_start")).dt.total_days(),
        source=pl.lit(f"no order until {known_until}"),
    )
    columns = ["week_start", *PART, "ahead", "lasts", "weight", "source"]
    both = pl.concat([current.select(columns), untouched.select(columns)])
    both = both.rename({"ahead": "days_to_failure", "lasts": "days_known"}).filter(
        pl.col("days_to_failure").is_not_null() | (pl.col("days_known") > 0)
    )
    outlook = (pl.lit(known_until) - pl.col("week_start")).dt.total_days()
    return both.with_columns(
        pl.when(outlook < days).then(None)
        .when(pl.col("days_to_failure") < days).then(True)
        .when(pl.col("days_to_failure").is_not_null() | (pl.col("days_known") >= days)).then(False)
        .alias(f"fails_{days}")
        for days in HORIZONS
    ).sort("week_start", *PART, "source", "days_to_failure")


def failures_known(lives: pl.DataFrame) -> float:
    """Failures that the lives hold, a doubtful one counted with its weight."""
    return float(lives.filter(pl.col("failed_on").is_not_null())["weight"].sum())


def _part() -> pl.Expr:
    name = pl.col("component")
    return pl.when(name.str.starts_with("CAT")).then(pl.lit("catalyst")).when(name.str.ends_with("S1")).then(
        pl.lit("upstream")).otherwise(pl.lit("downstream"))


def _confirmed_share(ended: pl.DataFrame) -> pl.DataFrame:
    """Share of confirmed findings among those noted, by part, drawn towards the prior."""
    parts = pl.DataFrame({"part": ["upstream", "downstream", "catalyst"]})
    counted = ended.filter("known").group_by("part").agg(
        found=pl.len(), confirmed=(pl.col("finding") == "confirmed").sum()
    )
    return parts.join(counted, on="part", how="left").select(
        "part",
        share=(pl.col("confirmed").fill_null(0) + _PRIOR_CONFIRMED) / (pl.col("found").fill_null(0) + _PRIOR_FOUND),
    )


def _unanswered(
    reported: pl.DataFrame, orders: pl.DataFrame, elsewhere: pl.DataFrame, codes: pl.DataFrame, share: pl.DataFrame,
    time_zone: str,
) -> pl.DataFrame:
    """Confirmed codes that no visit answered: half as telling as an order without a finding, until they are cleared.

    They speak of the part that was in the vehicle, never of the next one.

    A repair elsewhere on the vehicle answers a code as well: the part was not what set it.
    """
    others = reported.select(PART).unique().join(elsewhere.select("unit_id", "closed_on"), on="unit_id")
    visits = pl.concat([orders.select(*PART, "closed_on"), others.select(*PART, "closed_on")]).rename(
        {"closed_on": "visited_on"}
    )
    answered = (
        reported.join(visits, on=PART)
        .filter((pl.col("visited_on") - pl.col("coded_on")).dt.total_days().is_between(0, CODE_DAYS))
        .select(*PART, "code", "coded_on").unique()
    )
    clears = codes.filter(pl.col("state") == "cleared").select("unit_id", cleared_on=day_of("ts", time_zone))
    cleared = (
        reported.join(clears, on="unit_id").filter(pl.col("cleared_on") >= pl.col("coded_on"))
        .group_by(*PART, "code", "coded_on").agg(ended_on=pl.col("cleared_on").min())
    )
    # An exchange later than that ends the code's life as well, and its own rows say what became of the part.
    exchanged = (
        reported.join(orders.filter(pl.col("action").is_in(_ENDS)), on=PART).filter(pl.col("closed_on") >= pl.col("coded_on"))
        .group_by(*PART, "code", "coded_on").agg(exchanged_on=pl.col("closed_on").min())
    )
    open_codes = (
        reported.join(answered, on=[*PART, "code", "coded_on"], how="anti")
        .join(cleared, on=[*PART, "code", "coded_on"], how="left")
        .join(exchanged, on=[*PART, "code", "coded_on"], how="left")
        .filter(pl.col("exchanged_on").is_null() | (pl.col("ended_on") < pl.col("exchanged_on")).fill_null(False))
        .sort(*PART, "coded_on", "code")
        .unique([*PART, "ended_on"], keep="first", maintain_order=True)
    )
    return open_codes.with_columns(part=_part()).join(share, on="part", how="left").with_columns(
        failed_on="coded_on", weight=pl.col("share") / 2, source=pl.format("code {} of {}", "code", "coded_on")
    )
