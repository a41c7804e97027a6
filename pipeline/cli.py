"""The command line: ``lightoff [--config FILE] COMMAND``."""

from __future__ import annotations

import os
import sys
from contextlib import AbstractContextManager
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path
from typing import Annotated, Literal

import polars as pl
import typer

from pipeline import alarms, jobs
from pipeline.arrivals import say_ingested, say_quarantine, say_retried, say_returned
from pipeline.assess import ISSUED, REPLAYED
from pipeline.backtest import JUDGED_FROM_DAYS, orders_of, prove, truth_of
from pipeline.checks import CHECKS, check
from pipeline.console import (
    log_as_json,
    plain_console,
    say,
    say_coverage,
    say_derived,
    say_judged,
    say_list,
    say_watched,
    watching,
)
from pipeline.datawatch import data_watch, feed_ended
from pipeline.derive import DeriveSummary, Measure, derive
from pipeline.errors import LightoffError, ShardsError
from pipeline.exports.vins import KEY_NAME
from pipeline.lake import Lake
from pipeline.layout_cli import layout_app
from pipeline.ops_cli import add_operations
from pipeline.quarantine import faults
from pipeline.report.proof import proof_table, write_proof
from pipeline.report.unlock import sampling_lines, unlock_lines
from pipeline.report.why import explain
from pipeline.retrain import verdict_text
from pipeline.runs import Run, recorded
from pipeline.sampled import sampled
from pipeline.settings import Settings, read_settings
from pipeline.spread import spread
from pipeline.whatif import what_if_lines

LOOK = 3  # done, but something needs a look
SHOWN_OFFENDERS = 20

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Finds oxygen sensors and catalysts that are heading for failure in a fleet's telematics exports and writes "
    "the weekly maintenance list. Without --config the defaults and the sample fleet are used.",
)
_console = plain_console()
Paths = Annotated[list[Path] | None, typer.Argument(help="Export files or folders; those of the settings if none.")]
Dask = Annotated[
    str, typer.Option(help="Derive on a Dask cluster: tcp://HOST:PORT, local or local:N; as the settings say if left out.")
]
Week = Annotated[str | None, typer.Option(help="Monday the list is issued on, as 2026-04-20; the newest if left out.")]


@app.callback()
def _settings(
    context: typer.Context,
    config: Annotated[Path | None, typer.Option(help="Settings file (TOML); defaults if left out.")] = None,
    log: Annotated[Literal["text", "json"], typer.Option(help="json: every line as one JSON object with its time.")] = "text",
) -> None:
    context.obj = config
    log_as_json(_now if log == "json" else None)


@app.command()
def ingest(context: typer.Context, paths: Paths = None) -> None:
    """Read export files into the lake; files read before are skipped."""
    settings, lake = _open(context)
    with _recorded(settings, lake, "ingest") as run, watching(_console) as watch:
        summary = jobs.ingest_paths(settings, lake, paths or [], _now(), watch, _vin_key())
        jobs.note_read(run, summary)
    if say_ingested(_console, summary):
        raise typer.Exit(LOOK)


app.add_typer(layout_app, name="layout")
quarantine_app = typer.Typer(invoke_without_command=True, no_args_is_help=False)
app.add_typer(quarantine_app, name="quarantine")


@quarantine_app.callback()
def quarantine(
    context: typer.Context,
    file: Annotated[str, typer.Option(help="Only files whose path holds this text.")] = "",
) -> None:
    """What could not be used, by reason, with the first lines of each; `retry` reads those files again."""
    if context.invoked_subcommand is None:
        _, lake = _open(context)
        say_quarantine(_console, faults(lake, file))


@quarantine_app.command()
def retry(context: typer.Context, paths: Paths = None) -> None:
    """Read files with quarantined rows or columns that a layout keeps now, or refused ones, again after a layout or a
    setting was mended.

    Values that the lake holds are not rewritten.
    """
    settings, lake = _open(context)
    with _recorded(settings, lake, "quarantine retry") as run, watching(_console) as watch:
        summary = jobs.retry_quarantine(settings, lake, paths or [], _now(), watch, _vin_key())
    if say_retried(_console, summary):
        raise typer.Exit(LOOK)


@app.command(name="derive")
def derive_command(
    context: typer.Context,
    first: Annotated[str | None, typer.Option("--from", help="First day to derive again, changed or not.")] = None,
    last: Annotated[str | None, typer.Option("--to", help="Last day to derive again.")] = None,
    dask: Dask = "",
) -> None:
    """Work out trips and daily indicators from readings that are new or changed, or anew for a range of days."""
    settings, lake = _open(context)
    between = jobs.days_between(first, last)
    measured = spread(dask or settings.dask, settings)
    with _recorded(settings, lake, "derive") as run, watching(_console) as watch:
        summary = derive(settings, lake, watch.deriving, measured, between=between)
    say_derived(_console, summary)


@app.command()
def rank(
    context: typer.Context,
    week: Week = None,
    bays: Annotated[
        list[str] | None, typer.Option(help="What if: bays, as 6 or as DEPOT=2; prints that list, writes nothing.")
    ] = None,
    costs: Annotated[Path | None, typer.Option(help="What if: another costs file; prints that list, writes nothing.")] = None,
) -> None:
    """Judge every sensor and catalyst and write the ranked list of one week."""
    settings, lake = _open(context, looks=bool(bays or costs))
    if bays or costs:
        week_start = _week(settings, lake, week)
        for line in what_if_lines(settings, lake, week_start, ISSUED, bays or [], costs):
            say(_console, line)
        return
    with _recorded(settings, lake, "rank") as run:
        week_start = _week(settings, lake, week)
        result = jobs.make_list(settings, lake, week_start, Path(settings.out) / week_start.isoformat())
        jobs.note_list(run, result)
        alarms.stopped(settings, run, result.notices)
    say_list(_console, result, rows=10)
    if say_watched(_console, result.notices):
        raise typer.Exit(LOOK)


@app.command()
def nightly(context: typer.Context, paths: Paths = None, dask: Dask = "") -> None:
    """Ingest, derive and judge: what runs every night."""
    settings, lake = _open(context)
    measured = spread(dask or settings.dask, settings)
    with _recorded(settings, lake, "nightly") as run:
        look, derived = _brought_in(settings, lake, run, paths or [], measured)
        judged = jobs.judged(settings, lake, jobs.newest_week(settings, lake, _now()))
        say_judged(_console, judged)
        notices = feed_ended(settings, lake, _now()) + data_watch(settings, lake, judged.week_start, tonight=True)
        look = say_watched(_console, notices) or look
        alarms.stopped(settings, run, notices)
        if isinstance(derived, ShardsError):
            raise derived
    if look:
        raise typer.Exit(LOOK)


@app.command()
def weekly(context: typer.Context, paths: Paths = None, week: Week = None, dask: Dask = "") -> None:
    """The main job: ingest, derive, judge, rank and write the list and the page."""
    settings, lake = _open(context)
    measured = spread(dask or settings.dask, settings)
    with _recorded(settings, lake, "weekly") as run:
        look, derived = _brought_in(settings, lake, run, paths or [], measured)
        week_start = _week(settings, lake, week)
        result = jobs.make_list(settings, lake, week_start, Path(settings.out) / week_start.isoformat())
        jobs.note_list(run, result)
        say_list(_console, result, rows=10)
        notices = [*([] if week else feed_ended(settings, lake, _now())), *result.notices]
        look = say_watched(_console, notices) or look
        alarms.stopped(settings, run, notices)
        if isinstance(derived, ShardsError):
            raise derived
    if look:
        raise typer.Exit(LOOK)


def _brought_in(
    settings: Settings, lake: Lake, run: Run, paths: list[Path], measured: Measure | None
) -> tuple[bool, DeriveSummary | ShardsError]:
    """Ingest and derive, each told as soon as it ends; whether what was read needs a look, and what was derived."""
    with watching(_console) as watch:
        read = jobs.ingest_paths(settings, lake, paths, _now(), watch, _vin_key())
    jobs.note_read(run, read)
    look = say_ingested(_console, read)
    with watching(_console) as watch:
        derived = jobs.most_of(lake, lambda: derive(settings, lake, watch.deriving, measured))
    if isinstance(derived, DeriveSummary):
        say_derived(_console, derived)
    return look, derived


@app.command()
def backtest(
    context: typer.Context,
    out: Annotated[Path, typer.Option(help="Folder that gets one folder a week.")],
    first: Annotated[str | None, typer.Option("--from", help="First Monday; the first with data if left out.")] = None,
    last: Annotated[str | None, typer.Option("--to", help="Last Monday; the newest if left out.")] = None,
    truth: Annotated[Path | None, typer.Option(help="Truth of a simulated fleet; later orders and codes if left out.")] = None,
    retrain: Annotated[bool, typer.Option(help="Train challengers on the way, from what was known.")] = False,
) -> None:
    """Write the list of every past week exactly as it would have been, and hold them against what failed."""
    settings, lake = _open(context)
    with _recorded(settings, lake, "backtest") as run, watching(_console) as watch:
        start = jobs.monday(first, "--from") if first else jobs.first_week(settings, lake)
        end = jobs.monday(last, "--to") if last else jobs.newest_week(settings, lake, _now())
        results = jobs.replay(settings, lake, start, end, out, watch, retrain)
    rows = sum(result.ranked.listed for result in results)
    say(_console, f"{len(results)} lists with {rows} rows in {out}")
    outcome = truth_of(truth) if truth else orders_of(settings, lake)
    if len(results) * 7 <= JUDGED_FROM_DAYS + outcome.delay.days:
        say(_console, "too few lists to hold them against what failed")
        return
    proof = prove(settings, lake, REPLAYED, start, end, outcome)
    say(_console, proof_table(proof))
    for path in write_proof(proof, out):
        say(_console, f"{path.name}: {path}")


@app.command()
def findings(
    context: typer.Context,
    files: Annotated[list[Path], typer.Argument(help="Filled sheets (XLSX or CSV), or exports of work orders.")],
    correct: Annotated[
        bool, typer.Option("--correct", help="Cards returned before take on what these sheets say.")
    ] = False,
) -> None:
    """Read back what the technicians found; the next training learns from it, the next list leaves it out."""
    settings, lake = _open(context)
    with _recorded(settings, lake, "findings") as run, watching(_console) as watch:
        taken = jobs.take_findings(settings, lake, files, _now(), correct, watch, _vin_key())
        look = run.look = say_returned(_console, taken)
    if look:
        raise typer.Exit(LOOK)


@app.command()
def train(context: typer.Context, week: Week = None) -> None:
    """Train a challenger from the fleet's own orders and codes; it takes over only where it is shown to be better."""
    settings, lake = _open(context)
    with _recorded(settings, lake, "train") as run, watching(_console) as watch:
        verdict = jobs.retrain(settings, lake, _week(settings, lake, week), watch)
    say(_console, verdict_text(verdict))


@app.command(name="check")
def check_command(context: typer.Context) -> None:
    """Look for rows of the lake that cannot be right: doubled keys, impossible values, sums that do not add up."""
    settings, lake = _open(context, looks=True)
    found = check(settings, lake)
    for row in found.head(SHOWN_OFFENDERS).iter_rows(named=True):
        say(_console, f"{row['check']}: {row['problem']}: {row['detail']}")
    if found.height > SHOWN_OFFENDERS:
        say(_console, f"... and {found.height - SHOWN_OFFENDERS} more")
    say(_console, f"{len(CHECKS)} checks, {found.height} rows that cannot be right")
    if found.height:
        raise typer.Exit(LOOK)


@app.command()
def coverage(
    context: typer.Context,
    week: Week = None,
    depot: Annotated[str, typer.Option(help="Only vehicles of this depot.")] = "",
    family: Annotated[str, typer.Option(help="Only vehicles of this engine family.")] = "",
    unit: Annotated[str, typer.Option(help="Only this vehicle, with the sampling of each of its signals.")] = "",
) -> None:
    """What can be judged, what cannot, and which signal would change that."""
    settings, lake = _open(context, looks=True)
    wanted = jobs.monday(week, "--week") if week else None
    scores = lake.read("scores", where=pl.col("series") == ISSUED)
    if scores.is_empty():
        raise LightoffError("no list has been made yet; run `lightoff rank` first")
    week_start = wanted or scores["week_start"].max()
    of_week = scores.filter(pl.col("week_start") == week_start)
    if of_week.is_empty():
        made = ", ".join(str(known) for known in scores["week_start"].unique().sort(descending=True)[:5])
        raise LightoffError(f"no list of {week_start} has been made; there is {made}")
    for column, word in (("depot", depot), ("engine_family", family), ("unit_id", unit)):
        if word:
            of_week = of_week.filter(pl.col(column) == word)
    if of_week.is_empty():
        raise LightoffError("no vehicle of that list is of this depot, engine family and number")
    say_coverage(_console, of_week, week_start)
    found = sampled(settings, lake, week_start).of(depot, family, unit)
    for line in [*(sampling_lines(found) if unit else ()), *unlock_lines(found)]:
        say(_console, line)


@app.command()
def why(
    context: typer.Context,
    unit: Annotated[str, typer.Argument(help="Vehicle number.")],
    component: Annotated[str | None, typer.Argument(help="B1S1, B1S2, CAT1 ...; all if left out.")] = None,
    week: Week = None,
) -> None:
    """From a list row back to indicators, trips and the lines of the export files."""
    settings, lake = _open(context, looks=True)
    week_start = jobs.monday(week, "--week") if week else None
    say(_console, explain(lake, settings, unit, component, ISSUED, week_start))


@app.command()
def simulate(
    out: Annotated[Path, typer.Option(help="Folder for exports/ and truth/.")] = Path("simulated"),
    units: Annotated[int, typer.Option(min=1, help="Vehicles.")] = 40,
    weeks: Annotated[int, typer.Option(min=1, help="Weeks.")] = 16,
    seed: Annotated[int, typer.Option(min=0, help="Same seed, same fleet.")] = 1,
    start: Annotated[str, typer.Option(help="First Monday.")] = "2026-01-05",
    world: Annotated[
        Literal["demo", "near", "far"],
        typer.Option(help="demo: as the sample; near: varied by the seed; far: outside near, other physics."),
    ] = "demo",
    log_minutes: Annotated[float, typer.Option(min=1, help="Minutes of driving logged a vehicle and week.")] = 26.0,
    days_per_week: Annotated[int, typer.Option(min=1, max=6, help="Most days of a week logged.")] = 6,
) -> None:
    """Invent a fleet: exports as gateways write them, and the truth kept apart."""
    from sample_lake.simulate import simulate as make_fleet
    from sample_lake.worlds import world as draw_world

    monday = jobs.monday(start, "--start")
    try:
        summary = make_fleet(
            out,
            units=units,
            weeks=weeks,
            seed=seed,
            start=monday,
            log_minutes_per_week=log_minutes,
            world=draw_world(seed, world),
            days_per_week=days_per_week,
        )
    except OSError as error:
        what_to_do = "check rights and space, or choose another --out"
        raise LightoffError(f"{out}: cannot be written: {error}; {what_to_do}") from error
    say(_console, ", ".join(f"{name} {value}" for name, value in summary.items()))


def _recorded(settings: Settings, lake: Lake, command: str) -> AbstractContextManager[Run]:
    """Hold the lake and note the run; an error raises the alarm of the settings."""
    return recorded(settings, lake, command, _now, partial(alarms.failed, settings))


def main() -> None:
    """Entry point; exit codes: 0 done, 1 failed, 2 usage or configuration, 3 done but something needs a look."""
    try:
        app()
    except LightoffError as error:
        print(f"lightoff: {error}", file=sys.stderr)
        sys.exit(error.exit_code)


def _open(context: typer.Context, looks: bool = False) -> tuple[Settings, Lake]:
    settings = read_settings(context.obj)
    lake = Lake(settings.lake)
    if looks and lake.exists("exports"):  # no run is noted, which holds them against each other
        lake.begun_with(settings.time_zone, settings.buckets)
    return settings, lake


def _week(settings: Settings, lake: Lake, week: str | None) -> date:
    return jobs.monday(week, "--week") if week else jobs.newest_week(settings, lake, _now())


def _vin_key() -> str | None:
    return os.environ.get(KEY_NAME)


def _now() -> datetime:
    return datetime.now(UTC)


add_operations(app, _console, _open, _recorded)


if __name__ == "__main__":
    main()
