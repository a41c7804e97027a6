"""Jobs: the stages in the order a night or a week runs them. Used by the command line and by the flows alike.

Each job takes the time as an argument; only the edge reads a clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from models.classifier import Model
from models.store import UnreadError, save
from pipeline.assess import ISSUED, REPLAYED, AssessSummary, assess, weekly_indicators
from pipeline.backtest import JUDGED_FROM_DAYS, orders_of, prove
from pipeline.datawatch import Notice, data_watch
from pipeline.derive import DeriveSummary, Measure, derive
from pipeline.errors import ConfigError, LightoffError, ShardsError
from pipeline.exports.layouts import read_layouts
from pipeline.facts import read_costs
from pipeline.ingest import IngestProgress, IngestSummary, ingest
from pipeline.known import note_issued
from pipeline.lake import Lake, Tidied
from pipeline.quarantine import to_read_again
from pipeline.rank import RankSummary, rank
from pipeline.prognosis import OWN_MODEL, own_model, ranking, starter_model
from pipeline.report.cardfiles import write_cards
from pipeline.report.listing import Outputs, write_outputs
from pipeline.report.proof import proof_table
from pipeline.report.rests import read_ranked
from pipeline.returned import Returned, is_card_sheet, keep_cards, take_cards
from pipeline.retrain import Verdict, challenge, own_card
from pipeline.runs import Run, Then, file_hash, versions
from pipeline.settings import Settings
from pipeline.tables import tables
from pipeline.thinning import ThinSummary, thin
from pipeline.unchanged import judged

_WEEK = timedelta(days=7)
RETRAIN_WEEKS = 8


@dataclass(frozen=True)
class Watch:
    """Where a job reports how far it is: a file being read, partitions derived, a week judged."""

    reading: Callable[[IngestProgress], None] | None = None
    deriving: Callable[[int, int, int], None] | None = None
    judging: Callable[[date, int, int], None] | None = None


@dataclass(frozen=True)
class WeekResult:
    """One list: what was judged, what is on it, where it was written, and what changed in the data behind it."""

    week_start: date
    assessed: AssessSummary
    ranked: RankSummary
    outputs: Outputs
    cards: Path | None = None
    notices: tuple[Notice, ...] = ()


def ingest_paths(
    settings: Settings,
    lake: Lake,
    paths: list[Path],
    now: datetime,
    watch: Watch = Watch(),
    vin_key: str | None = None,
) -> IngestSummary:
    """Read the exports of ``paths``, or those of the settings where none is given.

    ``vin_key`` is the secret that hashes vehicle identification numbers; without one they are not kept.
    """
    return ingest(settings, lake, _paths(settings, paths), now, watch.reading, vin_key)


def retry_quarantine(
    settings: Settings,
    lake: Lake,
    paths: list[Path],
    now: datetime,
    watch: Watch = Watch(),
    vin_key: str | None = None,
) -> IngestSummary:
    """Read once more the files of ``paths`` that were refused, have something in quarantine, or had a column dropped
    that a layout keeps now.
    """
    again = to_read_again(lake, read_layouts(Path(settings.layouts)) if settings.layouts else [])
    return ingest(settings, lake, _paths(settings, paths), now, watch.reading, vin_key, again)


def take_findings(
    settings: Settings,
    lake: Lake,
    files: list[Path],
    now: datetime,
    correct: bool = False,
    watch: Watch = Watch(),
    vin_key: str | None = None,
) -> tuple[list[Returned], IngestSummary | None]:
    """Read filled sheets of cards; files that are none are taken as exports, of work orders most likely.

    Raises:
        ExportError: a file is neither.
    """
    sheets = [path for path in files if is_card_sheet(path)]
    others = [path for path in files if path not in sheets]
    returned = [take_cards(lake, path, now, correct, settings.time_zone) for path in sheets]
    return returned, ingest_paths(settings, lake, others, now, watch, vin_key) if others else None


def _paths(settings: Settings, paths: list[Path]) -> list[Path]:
    return paths or [Path(path) for path in settings.exports]


def nightly(
    settings: Settings,
    lake: Lake,
    paths: list[Path],
    now: datetime,
    watch: Watch = Watch(),
    vin_key: str | None = None,
    measured: Measure | None = None,
) -> tuple[IngestSummary, DeriveSummary, AssessSummary]:
    """Ingest, derive, and judge what is known for the list that would be issued next.

    Raises:
        ShardsError: some shards could not be derived; what rests on the others is judged all the same.
    """
    read = ingest_paths(settings, lake, paths, now, watch, vin_key)
    derived = most_of(lake, lambda: derive(settings, lake, watch.deriving, measured))
    assessed = judged(settings, lake, newest_week(settings, lake, now))
    if isinstance(derived, ShardsError):
        raise derived
    return read, derived, assessed


def most_of(lake: Lake, derived: Callable[[], DeriveSummary]) -> DeriveSummary | ShardsError:
    """What ``derived`` gives, or which shards failed where the others can be judged: one file that cannot be read must not
    take the list from every other vehicle. Whoever judges raises the error afterwards.

    Raises:
        ShardsError: nothing is derived yet, or so many failed one after another that the rest was not tried.
    """
    try:
        return derived()
    except ShardsError as error:
        if error.not_tried or lake.read("shards").is_empty():
            raise
        return error


def make_list(
    settings: Settings, lake: Lake, week_start: date, folder: Path, series: str = ISSUED, model: Model | None = None
) -> WeekResult:
    """Assess, rank and write one list to ``folder``.

    Raises:
        LightoffError: the lake holds no readings, or none of them has been derived.
        ConfigError: all readings are of ``week_start`` or later.
    """
    _check_data(settings, lake, week_start)
    anew = series != ISSUED or model is not None
    assessed = assess(settings, lake, week_start, series, model) if anew else judged(settings, lake, week_start)
    if series == ISSUED:
        keep_cards(lake, week_start)  # what a version that noted no cards, or a run stopped in between, left
    ranked = rank(settings, lake, week_start, series)
    if series == ISSUED:
        keep_cards(lake, week_start)  # before any of them is printed
    now = lake.at(versions(lake))  # pages and cards read much of it row by row
    weeks, currency = weekly_indicators(settings, now, week_start, series), read_costs(settings).currency
    notices = tuple(data_watch(settings, now, week_start, series))
    outputs = write_outputs(now, settings, series, week_start, folder, weeks, currency, notices)
    cards = None
    if series == ISSUED:
        cards = write_cards(now, settings, read_ranked(now, series, week_start), weeks, folder, currency)
        note_issued(lake, week_start)
    return WeekResult(week_start, assessed, ranked, outputs, cards, notices)


def note_read(run: Run, read: IngestSummary) -> None:
    """Rows and files into a run's record; what was refused or set aside needs a look."""
    run.counts |= read.totals
    run.look = run.look or read.totals["refused"] > 0 or read.totals["quarantined"] > 0


def note_thinned(run: Run, thinned: ThinSummary) -> None:
    """What was thinned into a run's record."""
    if thinned.partitions:
        run.counts |= {"thinned_from": thinned.rows_before, "thinned_to": thinned.rows_after}


def note_list(run: Run, result: WeekResult) -> None:
    """A made list into a run's record."""
    run.week_start, run.files = result.week_start, result.outputs.paths
    run.counts |= result.outputs.counts


def list_again(settings: Settings, moment: Then, folder: Path) -> dict[str, str]:
    """The list of a past run written to ``folder`` from the tables as they were; file name -> SHA-256."""
    week_start, past = moment.record["week_start"], moment.lake
    weeks, currency = weekly_indicators(settings, past, week_start, ISSUED), read_costs(settings).currency
    notices = tuple(data_watch(settings, past, week_start, ISSUED))
    outputs = write_outputs(past, settings, ISSUED, week_start, folder, weeks, currency, notices)
    return {name: file_hash(path) for name, path in outputs.paths.items()}


def housekeep(settings: Settings, lake: Lake, now: datetime) -> tuple[list[Tidied], ThinSummary]:
    """Thin raw readings past their time, if the settings say so, and tidy every table there is.

    Before anything is thinned it is derived: what was measured is all that stays of most of it.
    """
    thinned = ThinSummary()
    if settings.keep_readings_days and lake.files("readings").height:
        derive(settings, lake)
        thinned = thin(settings, lake, newest_week(settings, lake, now), now)
    return [lake.tidy(name, settings.keep_versions_days) for name in tables() if lake.exists(name)], thinned


def schedules(settings: Settings) -> list[tuple[str, str, str]]:
    """Name, cron line and words of every flow that runs by the clock."""
    return [
        ("nightly", settings.nightly_cron, "ingest, derive, judge"),
        ("weekly", settings.weekly_cron, "the same, then the list, the page and the cards"),
        ("training", settings.training_cron, "a challenger; it takes over only where it is shown to be better"),
        ("housekeep", settings.housekeep_cron, "join small files, remove versions past their time"),
    ]


def replay(
    settings: Settings, lake: Lake, first: date, last: date, folder: Path, watch: Watch = Watch(),
    retrain: bool = False,
) -> list[WeekResult]:
    """The list of every Monday from ``first`` to ``last`` as it would have been, each in its own folder.

    The starter judges, never a model of the fleet's own that knows what came later; with ``retrain`` challengers are
    made on the way from what was known, and take over where they win.

    Raises:
        ConfigError: the span holds no Monday, or begins before the readings do.
        LightoffError: the lake holds no readings, or none of them has been derived.
    """
    mondays = [first + _WEEK * index for index in range((last - first).days // 7 + 1)]
    if not mondays:
        raise ConfigError(f"no Monday lies between {first} and {last}; give --from on or before --to")
    results = []
    model = starter_model()
    for index, monday in enumerate(mondays):
        if retrain and index and index % RETRAIN_WEEKS == 0:
            verdict = challenge(settings, lake, ranking(model), monday, REPLAYED)
            model = verdict.model if verdict.promoted else model
        results.append(make_list(settings, lake, monday, folder / monday.isoformat(), REPLAYED, model))
        if watch.judging is not None:
            watch.judging(monday, index + 1, len(mondays))
    return results


def track_record(settings: Settings, lake: Lake, last: date) -> str:
    """The lists issued up to ``last`` against what failed since, beside other habits, as Markdown; why not where none
    is old enough.
    """
    issued = lake.scan("ranked").filter((pl.col("series") == ISSUED) & (pl.col("week_start") <= last))
    first = lake.collect(issued.select(pl.col("week_start").min())).item()
    outcome = orders_of(settings, lake)
    old_enough = JUDGED_FROM_DAYS + outcome.delay.days
    if first is None or (last - first).days < old_enough:
        since = "none has been issued" if first is None else f"they were issued from {first} to {last}"
        return f"No issued list is {old_enough} days old yet ({since}); then they are held against what failed."
    return proof_table(prove(settings, lake, ISSUED, first, last, outcome))


def retrain(settings: Settings, lake: Lake, at: date, watch: Watch = Watch()) -> Verdict:
    """Replay the weeks before ``at`` that have no evidence yet, train a challenger, and keep it if it wins.

    An own model that is damaged or of another version is passed over: the challenger is held against the starter.

    Raises:
        LightoffError: the lake holds no readings, or none of them has been derived, or the own model cannot be trusted.
    """
    _check_data(settings, lake, at)
    done = set(lake.read("evidence", where=pl.col("series") == REPLAYED)["week_start"].unique())
    begin = first_week(settings, lake)
    mondays = [begin + _WEEK * index for index in range((at - begin).days // 7)]
    starter = starter_model()
    for index, monday in enumerate(mondays):
        if monday not in done:
            assess(settings, lake, monday, REPLAYED, starter)
        if watch.judging is not None:
            watch.judging(monday, index + 1, len(mondays))
    own, unread = own_model(lake, let_pass=UnreadError)
    verdict = challenge(settings, lake, ranking(own or starter), at, REPLAYED)
    if unread:
        verdict = replace(verdict, why=f"{verdict.why}; the fleet's own model took no part: {unread}")
    if verdict.promoted:
        with lake.folder(OWN_MODEL, changes=True) as folder:
            save(verdict.model, folder, own_card(verdict))
    return verdict


def newest_week(settings: Settings, lake: Lake, now: datetime) -> date:
    """Monday of the list that the newest data serve: the one after the newest reading, or this week's if earlier.

    Raises:
        LightoffError: the lake holds no readings.
    """
    newest = _days(lake)[1]
    after = newest - timedelta(days=newest.weekday()) + _WEEK
    today = now.astimezone(ZoneInfo(settings.time_zone)).date()
    return min(after, today - timedelta(days=today.weekday()))


def first_week(settings: Settings, lake: Lake) -> date:
    """Monday of the first list that has a whole week of data behind it.

    It lies after the last gap without readings that is longer than a list looks back (``history_weeks``): single days
    of a wrong clock, years before the others, make no lists without anything behind them.

    Raises:
        LightoffError: the lake holds no readings.
    """
    _days(lake)
    days = lake.collect(lake.scan("export_spans").select(pl.col("day").unique().sort()))["day"]
    oldest = days.filter((days.diff() > settings.history_weeks * _WEEK).fill_null(True))[-1]
    monday = oldest - timedelta(days=oldest.weekday())
    return monday + _WEEK * (1 if monday == oldest else 2)


def day_of(text: str, option: str) -> date:
    """A date given on the command line.

    Raises:
        ConfigError: it is no date.
    """
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise ConfigError(f"{option}: {text!r} is no date; write it as 2026-04-20") from error


def days_between(first: str | None, last: str | None) -> tuple[date, date] | None:
    """Days of ``--from`` and ``--to``, an end left out lying open; nothing where neither is given.

    Raises:
        ConfigError: one is no date, or they stand the wrong way round.
    """
    if first is None and last is None:
        return None
    begin = date.min if first is None else day_of(first, "--from")
    end = date.max if last is None else day_of(last, "--to")
    if end < begin:
        raise ConfigError(f"--to {end} lies before --from {begin}")
    return begin, end


def monday(text: str, option: str) -> date:
    """A date given on the command line, which must be a Monday.

    Raises:
        ConfigError: it is no date, or another day of the week.
    """
    day = day_of(text, option)
    if day.weekday():
        before = day - timedelta(days=day.weekday())
        raise ConfigError(f"{option}: {day} is a {day:%A}; lists are issued on Mondays, such as {before}")
    return day


def _days(lake: Lake) -> tuple[date, date]:
    """First and last day with readings."""
    ends = lake.scan("export_spans").select(oldest=pl.col("day").min(), newest=pl.col("day").max())
    oldest, newest = lake.collect(ends).row(0)
    if oldest is None:
        raise LightoffError(f"the lake {lake.uri} holds no readings; run `lightoff ingest` first")
    return oldest, newest


def _check_data(settings: Settings, lake: Lake, week_start: date) -> None:
    """A list without data behind it would call every part unknown: say what is missing instead."""
    oldest = _days(lake)[0]
    if oldest >= week_start:
        raise ConfigError(
            f"the lake {lake.uri} holds no readings before {week_start}; they begin on {oldest}, "
            f"and the first list with a week behind it is that of {first_week(settings, lake)}"
        )
    if lake.read("shards").is_empty():
        raise LightoffError(
            f"the readings of the lake {lake.uri} are not derived yet; run `lightoff derive` first"
        )
