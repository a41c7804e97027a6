"""Trouble codes and on-board tests by component, and which bank and part a component is."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from models.breaks import since_fitted
from models.limits import KIN_LEAST, PEERS_LEAST, family_known

EASY_MARGIN = 0.5  # half of the limit: a result that far from it says nothing against the part (our own choice)
LAMP_DARK_DAYS = 3  # days on which the lamp was read and never on: a single one may be a gap in the reading (our own choice)
_STANDS_DAYS = 14  # a failure still read after that was not put right by the monitor's next runs (our own choice)
_RESULTS_LEAST = 4  # three earlier results make a median of their own


def codes_by_component(active: pl.DataFrame, fits: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Codes that name a component: whether one is confirmed, the role of the first, and all of them in words.

    A code last seen before the part was fitted speaks of another part, even where nobody cleared it.

    Args:
        active: unit_id, position (component the code names), code, title, role, confirmed, first_seen_at,
            last_seen_at.
        fits: unit_id, component, fitted_on.
        time_zone: that in which the days of ``fits`` begin; instants are UTC.

    Returns:
        unit_id, component, code_confirmed, code_role, code_first_at and code_newest_at (first reports of the oldest and of
        the newest of them), code_words.
    """
    return (
        codes_since_fitted(active, fits, time_zone)
        .with_columns(component="position")
        .sort("unit_id", "component", "confirmed", "code", descending=[False, False, True, False])
        .group_by("unit_id", "component", maintain_order=True)
        .agg(
            code_confirmed=pl.col("confirmed").any(),
            code_role=pl.col("role").first(),
            code_first_at=pl.col("first_seen_at").min(),
            code_newest_at=pl.col("first_seen_at").max(),
            code_words=(pl.col("code") + " " + pl.col("title")
                        + pl.when("confirmed").then(pl.lit("")).otherwise(pl.lit(" (pending)"))).str.join(", "),
        )
    )


def codes_since_fitted(active: pl.DataFrame, fits: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Codes without those that name a sensor or catalyst and were last seen before it was fitted: they speak of another part.

    Args:
        active: unit_id, position (component the code names), last_seen_at and more.
        fits: unit_id, component, fitted_on.
        time_zone: that in which the days of ``fits`` begin; instants are UTC.
    """
    joined = active.join(
        fits.rename({"component": "position"}), on=["unit_id", "position"], how="left", maintain_order="left"
    )
    older = (part_of(pl.col("position")) != "") & (day_of("last_seen_at", time_zone) <= pl.col("fitted_on"))
    return joined.filter(~older.fill_null(False)).drop("fitted_on")


def withdrawn(codes: pl.DataFrame, lamp: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Codes that the control unit keeps but no longer finds: its lamp was lit since they came, and is out.

    The lamp goes out after three driving cycles in which the monitor ran and found nothing; the code stays stored until 40
    warm-ups have passed without it (13 CCR 1968.2(d)(2)). A code that is pending again after the last lit day is none of them.

    Args:
        codes: unit_id, code, first_seen_at, pending_at (newest report as pending, null never).
        lamp: unit_id, day, value: 1 where the lamp was on at any time of the day, 0 where it was read and never on.
        time_zone: that in which the days of ``lamp`` begin; instants of ``codes`` are UTC.

    Returns:
        unit_id, code. A vehicle whose lamp was never seen lit since the code came has none.
    """
    lit = lamp.filter(pl.col("value") > 0).group_by("unit_id").agg(lit_on=pl.col("day").max())
    dark = lamp.join(lit, on="unit_id").filter(pl.col("day") > pl.col("lit_on")).group_by("unit_id").agg(
        dark_days=pl.col("day").n_unique()
    )
    gone_out = lit.join(dark, on="unit_id").filter(pl.col("dark_days") >= LAMP_DARK_DAYS)
    first, pending = (day_of(name, time_zone) for name in ("first_seen_at", "pending_at"))
    return codes.join(gone_out, on="unit_id").filter(
        (first <= pl.col("lit_on")) & (pending <= pl.col("lit_on")).fill_null(True)
    ).select("unit_id", "code")


def newest_margins(margins: pl.DataFrame, fits: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """Smallest margin of the newest result of each on-board test of a component (SAE J1979-DA monitor ids).

    A result from before the part was fitted speaks of another part.

    Args:
        margins: unit_id, obdmid, tid, ts and seen_until (first and last reading of that result), margin (share of the nearer
            limit, negative is failed).
        fits: unit_id, component, fitted_on.
        time_zone: that in which the days of ``fits`` begin; instants are UTC.

    Returns:
        unit_id, component, margin.
    """
    return _newest(margins, fits, time_zone).group_by("unit_id", "component").agg(pl.col("margin").min())


def margin_lacks(
    margins: pl.DataFrame, fits: pl.DataFrame, families: pl.DataFrame, time_zone: str
) -> pl.DataFrame:
    """What the newest on-board tests of a component lack to an easy pass, of the test that lacks most.

    A failed test lacks what it is below :data:`EASY_MARGIN`. One that passed lacks what it is below that or, where the engine
    family passes that test more narrowly, below the median of the family (more than :data:`PEERS_LEAST` vehicles): makers
    put their limits closer to some healthy parts than to others.

    Args:
        margins, fits, time_zone: as of :func:`newest_margins`.
        families: unit_id, engine_family (null or empty unknown).

    Returns:
        unit_id, component, margin_lack (share of the nearer limit, 0 to 1).
    """
    test = ["engine_family", "obdmid", "tid"]
    told = _newest(margins, fits, time_zone).join(families, on="unit_id", how="left")
    known = family_known() & (pl.col("unit_id").n_unique().over(test) > PEERS_LEAST)
    usual = pl.when(known).then(pl.col("margin").median().over(test))
    expected = pl.when(pl.col("margin") < 0).then(EASY_MARGIN).otherwise(pl.min_horizontal(EASY_MARGIN, usual))
    lack = (expected - pl.col("margin")).clip(0, 1)
    return told.with_columns(margin_lack=lack).group_by("unit_id", "component").agg(pl.col("margin_lack").max())


def trusted_margins(margins: pl.DataFrame, families: pl.DataFrame) -> pl.DataFrame:
    """Results without the tests that most of an engine family fail.

    What more than half of a family fail with their newest result is no verdict on a part: the limit that is sent is not the
    one that the control unit judges by, or the condition of the test never comes (an engine that does not cut fuel cannot
    show a downstream sensor below its limit).

    Args:
        margins: as of :func:`newest_margins`.
        families: unit_id, engine_family (null or empty unknown).

    Returns:
        ``margins`` without those rows. Of families with fewer than :data:`KIN_LEAST` vehicles that ran a test all stay.
    """
    test = ["engine_family", "obdmid", "tid"]
    newest = margins.sort("ts").group_by("unit_id", "obdmid", "tid").agg(pl.col("margin").last())
    doubtful = (
        newest.join(families.filter(family_known()), on="unit_id")
        .group_by(test)
        .agg(failed=(pl.col("margin") < 0).mean(), count=pl.len())
        .filter((pl.col("failed") > 0.5) & (pl.col("count") >= KIN_LEAST))
    )
    named = margins.join(families, on="unit_id", how="left", maintain_order="left")
    return named.join(doubtful, on=test, how="anti", maintain_order="left").select(margins.columns)


def _newest(margins: pl.DataFrame, fits: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """The newest result of each test: unit_id, component, obdmid, tid, margin.

    Where that of a catalyst failed and the one before it passed, the one before counts: its results scatter, and monitors of
    catalysts judge over several trips (published workshop manuals, model years 1996 and 2016: three). One that is still read
    :data:`_STANDS_DAYS` later counts itself: a result at the end of its scale never comes out different, however often it fails.
    """
    test = ["unit_id", "component", "obdmid", "tid"]
    two = results_of_parts(margins, fits, time_zone).group_by(test, maintain_order=True).tail(2)
    newest, of_catalyst = pl.col("margin").last(), pl.col("component").first().str.starts_with("CAT")
    scatters = of_catalyst & (pl.col("seen_until").last() - pl.col("ts").last() < timedelta(days=_STANDS_DAYS))
    return two.group_by(test, maintain_order=True).agg(
        margin=pl.when(scatters & (newest < 0)).then(pl.col("margin").max()).otherwise(newest)
    )


def margin_drops(margins: pl.DataFrame, fits: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """How far the margin of a component's on-board tests has fallen: median of the earlier results minus the newest,
    of the test that fell most; positive is worse. Tests with fewer than four results say nothing.

    Returns:
        unit_id, component, margin_drop (share of the nearer limit).
    """
    by_test = results_of_parts(margins, fits, time_zone).group_by("unit_id", "component", "obdmid", "tid", maintain_order=True)
    fallen = by_test.agg(
        results=pl.len(), newest=pl.col("margin").last(),
        before=pl.col("margin").slice(0, pl.len() - 1).median(),
    ).filter(pl.col("results") >= _RESULTS_LEAST)
    return fallen.group_by("unit_id", "component").agg(margin_drop=(pl.col("before") - pl.col("newest")).max())


def results_of_parts(margins: pl.DataFrame, fits: pl.DataFrame, time_zone: str) -> pl.DataFrame:
    """On-board results since the part was fitted, oldest first, with the component that the monitor watches (SAE J1979-DA).

    Args:
        margins: unit_id, obdmid, ts and more.
        fits: unit_id, component, fitted_on.
        time_zone: that of the days of ``fits``; ts is UTC.

    Returns:
        ``margins`` with component and day (of that zone), without results of what is no sensor and no catalyst.
    """
    monitor = pl.col("obdmid")
    # 01-08 oxygen sensor monitors and 41-48 their heaters: four a bank; 21 and 22 the catalysts.
    sensor = pl.when(monitor.is_between(0x41, 0x48)).then(monitor - 0x40).when(monitor <= 0x08).then(monitor)
    component = (
        pl.when(monitor.is_in([0x21, 0x22])).then(pl.format("CAT{}", monitor - 0x20))
        .when(sensor.is_not_null())
        .then(pl.format("B{}S{}", (sensor - 1) // 4 + 1, (sensor - 1) % 4 + 1))
    )
    named = margins.with_columns(component=component).filter(pl.col("component").is_not_null())
    return since_fitted(named.with_columns(day=day_of("ts", time_zone)), fits).sort("ts")


def day_of(instant: str, time_zone: str) -> pl.Expr:
    """Calendar day of a column of instants (UTC) in a zone: orders, lists and days of readings are of the fleet's."""
    return pl.col(instant).dt.convert_time_zone(time_zone).dt.date()


def part_of(component: pl.Expr) -> pl.Expr:
    """upstream, downstream or catalyst; empty for a bank or the whole vehicle."""
    return (
        pl.when(component.str.ends_with("S1")).then(pl.lit("upstream"))
        .when(component.str.ends_with("S2")).then(pl.lit("downstream"))
        .when(component.str.starts_with("CAT")).then(pl.lit("catalyst"))
        .otherwise(pl.lit(""))
    )


def bank_of(component: pl.Expr) -> pl.Expr:
    """Bank of a component, 0 for the whole vehicle."""
    return component.str.extract(r"^(?:B|CAT|BANK)(\d)").cast(pl.Int64).fill_null(0)
