"""Data watch: what changed in the data, not in the cars, and bays that are set for no depot there is.

It only reads the lake; thresholds are ``judge.watch_*``.

A gateway that lost a signal, a depot whose export stopped or new firmware looks like many worn parts, or like
none. Each check speaks only of groups of at least ``watch_least_units`` vehicles, and of days only with enough
history behind them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.closed import closed_day
from pipeline.facts import read_costs, read_indicators
from pipeline.known import arrived_by, midnight_of
from pipeline.lake import Lake, bucket_of
from pipeline.limits import read_limits
from pipeline.report.words import plain
from pipeline.settings import Settings
from pipeline.shards import unmeasured
from pipeline.strangers import depots, families, strange_depots, strange_families

STOP, WARN = "stop", "warn"
ISSUED = "issued"
_WEEK = timedelta(days=7)
_REASONS = 2  # most reasons quoted for a drop of coverage


@dataclass(frozen=True)
class Notice:
    """One change in the data: ``severity`` (stop: do not act on the list before it is looked at; or warn), what
    happened, and ``detail`` with counts and what to do. Text is one line without control characters."""

    severity: str
    what: str
    detail: str


@dataclass(frozen=True)
class _Seen:
    """``reported``: unit_id, day, depot, up to and on ``end``. ``days``: day, vehicles, usual, working of every
    day that is judged, all before ``end``; ``usual`` is null where the history is too short to say."""

    end: date
    reported: pl.DataFrame
    days: pl.DataFrame


def data_watch(
    settings: Settings, lake: Lake, week_start: date, series: str = "issued", tonight: bool = False
) -> list[Notice]:
    """What changed in the data behind the list of ``week_start``, the gravest first.

    Args:
        week_start: Monday of the list; later days are not looked at, nor what arrived later than the list knew.
        series: issued or replayed, whose scores and trends are compared.
        tonight: look at all there is up to the newest day, which need not be over and is not judged itself.

    Raises:
        ConfigError: ``limits.toml``, ``indicators.csv`` or ``costs.toml`` cannot be read.
    """
    limits = {
        name: limit.value
        for name, limit in read_limits(settings)["judge"].items()
        if name.startswith("watch_")
    }
    arrived = pl.lit(True) if tonight else arrived_by(settings, lake, week_start, series == ISSUED)
    end = _newest_day(lake, limits, week_start) if tonight else week_start
    of_family = lake.read("register").select("unit_id", family=pl.col("engine_family").fill_null(""))
    seen = _seen(lake, limits, end, arrived)
    notices = [
        *_missing_days(lake, seen, limits),
        *_not_measured(settings, lake, limits, end, arrived),
        *_silent_depots(seen, limits),
        *_lost_signals(lake, limits, end, arrived, of_family),
        *_coverage(lake, limits, series, week_start),
        *_moved_families(settings, lake, limits, series, week_start, of_family),
        *([] if tonight else _strange_names(settings, lake, series, week_start)),
    ]
    return sorted(notices, key=lambda notice: notice.severity != STOP)


def feed_ended(settings: Settings, lake: Lake, now: datetime) -> list[Notice]:
    """A stop where no reading is of last week or this one: the newest list there can be is an old one.

    A lake begun a week or more after its newest reading holds history and never had a feed; of it nothing is said.
    """
    newest = lake.collect(lake.scan("export_spans").select(pl.col("day").max())).item()
    born = lake.collect(lake.scan("exports").select(pl.col("arrived_at").min())).item()
    today = now.astimezone(ZoneInfo(settings.time_zone)).date()
    monday = today - timedelta(days=today.weekday())
    if newest is None or born is None or newest >= monday - _WEEK or born >= midnight_of(settings, newest + _WEEK):
        return []
    return [Notice(
        STOP,
        f"no readings since {newest}",
        f"it is {today}, and there is nothing to make the list of {monday} from; look for the exports in their folder and ask "
        "whoever sends them; after a holiday of the whole fleet nothing is wrong",
    )]


def watch_lines(notices: Sequence[Notice]) -> list[str]:
    """One whole line a notice, for a console or a log; none where nothing changed."""
    return [f"data watch, {notice.severity}: {notice.what}: {notice.detail}" for notice in notices]


def must_look(notices: Sequence[Notice]) -> bool:
    """Whether any notice says stop."""
    return any(notice.severity == STOP for notice in notices)


# -- days and depots ------------------------------------------------------------------------------------------


def _newest_day(lake: Lake, limits: dict[str, float], week_start: date) -> date:
    """Newest day on which more than a few vehicles reported, or ``week_start`` if that is later.

    A single clock that runs ahead dates its readings into the future.
    """
    counts = lake.scan("export_spans").group_by("day").agg(vehicles=pl.col("unit_id").n_unique())
    many = counts.filter(pl.col("vehicles") >= limits["watch_least_units"])
    newest = many.select(pl.col("day").max()).collect().item()
    return max(newest or week_start, week_start)


def _seen(lake: Lake, limits: dict[str, float], end: date, arrived: pl.Expr) -> _Seen:
    weeks, back = int(limits["watch_usual_weeks"]), int(limits["watch_days"])
    oldest = end - timedelta(days=back) - weeks * _WEEK
    depots = lake.read("register").select("unit_id", depot=pl.col("depot").fill_null(""))
    reported = (
        # The newest day, on which a depot may have come back, lies at ``end`` where that is tonight.
        lake.scan("export_spans").filter(pl.col("day").is_between(oldest, end) & arrived)
        .select("unit_id", "day").unique().collect().join(depots, on="unit_id", how="left")
    )
    counts = reported.group_by("day").agg(vehicles=pl.col("unit_id").n_unique().cast(pl.Int64))
    begun = counts.filter(pl.col("vehicles") >= limits["watch_least_units"])["day"].min() or end
    days = (
        pl.DataFrame({"day": pl.date_range(oldest, end, interval="1d", closed="left", eager=True)})
        .join(counts, on="day", how="left").sort("day").with_columns(pl.col("vehicles").fill_null(0))
    )
    # Days before the first readings are no quiet days: they count neither way.
    known = pl.when(pl.col("day") >= begun).then("vehicles")
    before = pl.concat_list(known.shift(7 * week) for week in range(1, weeks + 1)).list.drop_nulls()
    enough = before.list.len() >= limits["watch_least_weeks"]
    days = days.with_columns(usual=pl.when(enough).then(before.list.median())).tail(back)
    busiest = pl.col("usual").max() * limits["watch_working_share"]
    working = (pl.col("usual") >= limits["watch_least_units"]) & (pl.col("usual") >= busiest)
    return _Seen(end, reported, days.with_columns(working=working.fill_null(False)))


def _missing_days(lake: Lake, seen: _Seen, limits: dict[str, float]) -> list[Notice]:
    few = seen.days.filter(
        pl.col("working") & (pl.col("vehicles") < limits["watch_day_share"] * pl.col("usual"))
    )
    newest = seen.end - timedelta(days=int(limits["watch_newest_days"]))
    spans = lake.scan("export_spans").filter(pl.col("day").is_in(few["day"].to_list())).group_by("day")
    there = dict(lake.collect(spans.agg(pl.col("unit_id").n_unique().cast(pl.Int64))).iter_rows()) if few.height else {}
    notices = []
    for row in few.sort("day", descending=True).iter_rows(named=True):
        day, none = row["day"], row["vehicles"] == 0
        late = there.get(day, 0) - row["vehicles"]
        what_to_do = (
            f"readings of {_vehicles(late)} of that day came too late for this list; the next one sees them"
            if late > 0 else
            "look for the exports of that day, in the folder and by `lightoff quarantine`, and ingest them; a holiday needs nothing"
        )
        notices.append(Notice(
            STOP if none and day >= newest else WARN,
            f"{'no vehicle' if none else 'few vehicles'} reported on {day:%A}, {day}",
            f"{_vehicles(row['vehicles'])} against {row['usual']:g} usual on that weekday (median of up to "
            f"{int(limits['watch_usual_weeks'])} weeks before); {what_to_do}",
        ))
    return notices


def _not_measured(settings: Settings, lake: Lake, limits: dict[str, float], end: date, arrived: pl.Expr) -> list[Notice]:
    """Readings that no derive has measured, or of which there were fewer when it did."""
    oldest = max(end - timedelta(days=int(limits["watch_days"])), closed_day(lake) + timedelta(days=1))
    lately = pl.col("day").is_between(oldest, end, closed="left")
    spans = lake.read("export_spans", where=lately & arrived).select("unit_id", "day").unique()
    their = spans.with_columns(bucket=bucket_of(spans["unit_id"], settings.buckets)).join(
        unmeasured(lake, lately), on=["day", "bucket"]
    )
    if their.is_empty():
        return []
    return [Notice(
        WARN,
        f"readings of {_vehicles(their['unit_id'].n_unique())} are not measured",
        f"of {their['day'].min()} to {their['day'].max()} some have not gone through derive, so parts of these vehicles are "
        "judged on what is older: run `lightoff derive`; what it cannot read it names",
    )]


def _silent_depots(seen: _Seen, limits: dict[str, float]) -> list[Notice]:
    with_data = seen.days.filter(pl.col("working") & (pl.col("vehicles") >= limits["watch_least_units"]))
    newest = with_data.sort("day").tail(int(limits["watch_newest_days"]))["day"]
    if newest.len() < limits["watch_newest_days"]:
        return []
    since = newest[0]
    usual = since - int(limits["watch_usual_weeks"]) * _WEEK
    of_depot = seen.reported.filter((pl.col("depot") != "") & (pl.col("day") >= usual)).group_by("depot").agg(
        before=pl.col("unit_id").filter(pl.col("day") < since).n_unique(),
        last=pl.col("day").max(),
    )
    others = seen.reported.filter(pl.col("day") >= since)["unit_id"].n_unique()
    silent = of_depot.filter((pl.col("last") < since) & (pl.col("before") >= limits["watch_least_units"]))
    return [
        Notice(
            STOP,
            f"depot {plain(row['depot'])} is silent since {row['last']}",
            f"none of its {_vehicles(row['before'])} reported on the newest {newest.len()} working days with data "
            f"({since} to {newest[-1]}), {_vehicles(others)} of other depots did; its parts are judged on old "
            "data: look for that depot's exports and gateway account, or correct the register if it was closed",
        )
        for row in silent.sort("depot").iter_rows(named=True)
    ]


def _strange_names(settings: Settings, lake: Lake, series: str, week_start: date) -> list[Notice]:
    """Bays set for depots, and costs for engine families, that are not there: misspelt, renamed or closed."""
    found = []
    bays = strange_depots(settings.bays, depots(lake, series, week_start)) if settings.bays else ("", "")
    if bays[0]:
        found.append(Notice(
            WARN,
            f"the settings name bays of {bays[0]}, which is no vehicle's depot",
            f"they count for nothing, and a depot meant by them stands at {settings.bays_per_depot} bays (`bays_per_depot`); "
            f"{bays[1]}: correct `bays` in the settings",
        ))
    of_families = read_costs(settings).families
    priced = strange_families(of_families, families(lake, series, week_start)) if of_families else ("", "")
    if priced[0]:
        found.append(Notice(
            WARN,
            f"costs.toml names {priced[0]}, which is no vehicle's engine family",
            f"its amounts count for nothing, and a family meant by it stands at those of all; {priced[1]}: correct "
            "`[family.NAME...]` there",
        ))
    return found


# -- signals --------------------------------------------------------------------------------------------------


def _lost_signals(
    lake: Lake, limits: dict[str, float], end: date, arrived: pl.Expr, families: pl.DataFrame
) -> list[Notice]:
    last, oldest = end - _WEEK, end - _WEEK - int(limits["watch_usual_weeks"]) * _WEEK
    days = lake.scan("signal_days").filter(pl.col("day").is_between(oldest, end, closed="left") & arrived)
    recent = pl.col("day") >= last
    of_signal = days.filter(pl.col("readings") > 0).group_by("unit_id", "signal").agg(
        days_before=pl.col("day").filter(~recent).n_unique(), days_last=pl.col("day").filter(recent).n_unique()
    ).collect()
    of_unit = days.group_by("unit_id").agg(
        unit_before=pl.col("day").filter(~recent).n_unique(), unit_last=pl.col("day").filter(recent).n_unique()
    ).collect().join(families, on="unit_id", how="left").with_columns(pl.col("family").fill_null(""))
    in_family = of_unit.filter(pl.col("unit_before") > 0).group_by("family").agg(vehicles=pl.len())
    share = limits["watch_signal_share"]
    # A signal that comes now and then is no loss when a week goes by without it.
    carried = of_signal.join(of_unit, on="unit_id").filter(
        (pl.col("days_before") > 0) & (pl.col("days_before") >= share * pl.col("unit_before"))
    )
    lost = carried.group_by("family", "signal").agg(
        carriers=pl.len(),
        present=(pl.col("unit_last") > 0).sum(),
        still=(pl.col("days_last") > 0).sum(),
    ).join(in_family, on="family").filter(
        (pl.col("carriers") > share * pl.col("vehicles"))
        & (pl.col("present") >= limits["watch_least_units"])
        & (pl.col("still") < share * pl.col("present"))
    ).sort("family", "signal")
    notices = []
    for (family,), rows in lost.group_by("family", maintain_order=True):
        counts = [
            f"{row['signal']}: {row['carriers']} of {_vehicles(row['vehicles'])} delivered it before, "
            f"{row['still']} of the {row['present']} that reported since {last} still do"
            for row in rows.iter_rows(named=True)
        ]
        notices.append(Notice(
            WARN,
            f"{_family(family)} lost {', '.join(rows['signal'])}",
            "; ".join(counts) + "; ask who runs the gateways for a change of settings, firmware or layout, and "
            "see `lightoff coverage` for what can no longer be judged",
        ))
    return notices


# -- coverage and whole families ------------------------------------------------------------------------------


def _coverage(lake: Lake, limits: dict[str, float], series: str, week_start: date) -> list[Notice]:
    scores = lake.scan("scores").filter((pl.col("series") == series) & (pl.col("component") != ""))
    earlier = scores.filter(pl.col("week_start") < week_start).select(pl.col("week_start").max()).collect().item()
    if earlier is None:
        return []
    key = ["unit_id", "component"]
    now, then = (
        scores.filter(pl.col("week_start") == week).select(*key, "status", "reason").collect()
        for week in (week_start, earlier)
    )
    # Only parts that both lists know: new vehicles of the register begin without data.
    both = now.join(then, on=key, suffix="_then")
    if both["unit_id"].n_unique() < limits["watch_least_units"]:
        return []
    judged_now, judged_then = ((both[name] == "judged").sum() for name in ("status", "status_then"))
    share_now, share_then = judged_now / both.height, judged_then / both.height
    halved = share_then > 0 and share_now <= limits["watch_coverage_left"] * share_then
    if not halved and share_then - share_now <= limits["watch_coverage_drop"]:
        return []
    gone = both.filter((pl.col("status_then") == "judged") & (pl.col("status") != "judged"))
    reasons = gone.group_by("reason").agg(parts=pl.len()).sort(["parts", "reason"], descending=[True, False])
    quoted = "; ".join(
        f"{row['parts']} now: {plain(row['reason']) or 'no reason recorded'}"
        for row in reasons.head(_REASONS).iter_rows(named=True)
    )
    return [Notice(
        STOP if halved else WARN,
        f"judged parts fell from {share_then:.0%} to {share_now:.0%}".replace("%", " %"),
        f"{judged_now} of {both.height} parts are judged, {judged_then} of the same were on the list of {earlier}"
        f"; of {gone.height} no longer judged, {quoted}; see `lightoff coverage`, then ask who runs the gateways "
        "what changed",
    )]


def _moved_families(
    settings: Settings, lake: Lake, limits: dict[str, float], series: str, week_start: date, families: pl.DataFrame
) -> list[Notice]:
    words = read_indicators(settings).filter(pl.col("use") == "judge").unique("indicator", keep="first")
    of_list = (pl.col("series") == series) & (pl.col("week_start") == week_start)
    # A part that never scattered has no scale to move on.
    trends = (
        lake.scan("trends").filter(of_list & (pl.col("own_spread") > 0) & pl.col("baseline").is_not_null())
        .select("unit_id", "indicator", moved=pl.col("level") - pl.col("baseline"), spread="own_spread")
        .collect()
        .join(words.select("indicator", "quantity"), on="indicator")
        .join(families, on="unit_id", how="left")
        .with_columns(pl.col("family").fill_null(""))
    )
    far = limits["watch_family_scatters"] * pl.col("spread")
    by_unit = trends.group_by("family", "indicator", "quantity", "unit_id").agg(
        # Half of a vehicle's parts at least: two banks move together when the gateway does.
        up=(pl.col("moved") > far).mean() >= 0.5,
        down=(pl.col("moved") < -far).mean() >= 0.5,
    )
    either = by_unit.unpivot(["up", "down"], index=["family", "indicator", "quantity"], variable_name="way")
    counts = either.group_by("family", "indicator", "quantity", "way").agg(
        vehicles=pl.len(), moved=pl.col("value").sum()
    )
    same = ["indicator", "way"]
    whole = counts.with_columns(
        others=pl.col("vehicles").sum().over(same) - pl.col("vehicles"),
        others_moved=pl.col("moved").sum().over(same) - pl.col("moved"),
    ).filter(
        (pl.col("vehicles") >= limits["watch_least_units"])
        & (pl.col("moved") >= limits["watch_family_share"] * pl.col("vehicles"))
        # Where no other family has the indicator, nothing speaks against the family.
        & ((pl.col("others") == 0) | (pl.col("others_moved") < limits["watch_others_share"] * pl.col("others")))
    ).sort("family", "quantity", "way")
    notices = []
    for (family,), rows in whole.group_by("family", maintain_order=True):
        counted = [
            f"{row['quantity']} {row['way']} in {row['moved']} of {_vehicles(row['vehicles'])}, "
            f"and in {_others(row)}"
            for row in rows.iter_rows(named=True)
        ]
        most = rows["moved"].max()
        notices.append(Notice(
            WARN,
            f"{_family(family)} moved as a whole",
            f"by more than {limits['watch_family_scatters']:g} own scatters: {'; '.join(counted)}; gateway "
            f"firmware, fuel or weather, not {most} bad sensors: ask what changed for these vehicles before any of them is "
            "called in",
        ))
    return notices


def _others(row: dict) -> str:
    if not row["others"]:
        return "no other family to compare"
    return f"{row['others_moved']} of {row['others']} of other families"


def _family(family: str) -> str:
    return f"engine family {plain(family)}" if family else "the vehicles without an engine family"


def _vehicles(count: int) -> str:
    return f"{count} vehicle{'' if count == 1 else 's'}"
