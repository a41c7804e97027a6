"""Prefect flows around the same jobs that the command line runs; the only module that imports prefect."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path

import pipeline.quiet  # noqa: F401  read by prefect when it is imported
from prefect import flow, get_run_logger, serve, task
from prefect.artifacts import create_markdown_artifact

from pipeline import jobs
from pipeline.alerts import alert_text, send
from pipeline.assess import ISSUED, AssessSummary, assess
from pipeline.console import thinned_line
from pipeline.datawatch import Notice, data_watch, watch_lines
from pipeline.derive import DeriveSummary, derive
from pipeline.errors import ConfigError, LakeError
from pipeline.exports.vins import KEY_NAME
from pipeline.ingest import IngestSummary
from pipeline.jobs import WeekResult
from pipeline.lake import Lake
from pipeline.retrain import verdict_text
from pipeline.runs import Run, recorded
from pipeline.settings import Settings, read_settings

_AGAIN = 2
_PAUSES_S = [30, 120]  # longer each time: a store that is slow to come back is not helped by haste


def _can_pass(task: object, run: object, state: object) -> bool:
    """Whether an error may be gone the next time: a store or a file system may, a wrong setting or file may not."""
    return isinstance(state.result(raise_on_failure=False), LakeError | OSError)


@task(retries=_AGAIN, retry_delay_seconds=_PAUSES_S, retry_condition_fn=_can_pass)
def ingest_task(settings: Settings, paths: list[Path]) -> IngestSummary:
    """Read the exports."""
    # Read here and not handed to the task: parameters of tasks are stored.
    key = os.environ.get(KEY_NAME)
    return jobs.ingest_paths(settings, Lake(settings.lake), paths, datetime.now(UTC), vin_key=key)


@task(retries=_AGAIN, retry_delay_seconds=_PAUSES_S, retry_condition_fn=_can_pass)
def derive_task(settings: Settings) -> DeriveSummary:
    """Derive what changed."""
    return derive(settings, Lake(settings.lake))


@task(retries=_AGAIN, retry_delay_seconds=_PAUSES_S, retry_condition_fn=_can_pass)
def list_task(settings: Settings) -> WeekResult:
    """Judge, rank and write the newest list."""
    lake = Lake(settings.lake)
    week_start = jobs.newest_week(settings, lake, datetime.now(UTC))
    return jobs.make_list(settings, lake, week_start, Path(settings.out) / week_start.isoformat())


@task(retries=_AGAIN, retry_delay_seconds=_PAUSES_S, retry_condition_fn=_can_pass)
def judge_task(settings: Settings) -> AssessSummary:
    """Judge what is known for the list to come."""
    lake = Lake(settings.lake)
    return assess(settings, lake, jobs.newest_week(settings, lake, datetime.now(UTC)), ISSUED)


@task
def watch_task(settings: Settings, week_start: date) -> list[Notice]:
    """See what changed in the data."""
    return data_watch(settings, Lake(settings.lake), week_start, tonight=True)


@flow(name="lightoff-nightly")
def nightly_flow(config: str | None = None) -> None:
    """Ingest, derive and judge, as ``lightoff nightly`` does."""
    settings = _settings(config)
    with _recorded(settings, "nightly") as run:
        read = ingest_task(settings, [])
        derive_task(settings)
        judged = judge_task(settings)
        jobs.note_read(run, read)
        _show("exports", _balance(read))
        _show("judged", f"List of {judged.week_start}: {judged.judged} parts judged, {judged.held} held back, "
              f"{judged.not_judged} not judged, {judged.out_of_scope} out of scope.")
        _log(watch_task(settings, judged.week_start))


@flow(name="lightoff-weekly")
def weekly_flow(config: str | None = None) -> str:
    """Ingest, derive, judge, rank and write, as ``lightoff weekly`` does; the path of the list."""
    settings = _settings(config)
    with _recorded(settings, "weekly") as run:
        read = ingest_task(settings, [])
        derive_task(settings)
        result = list_task(settings)
        jobs.note_read(run, read)
        jobs.note_list(run, result)
        _show("exports", _balance(read))
        head = "\n".join(f"    {line}" for line in result.outputs.first_rows(10)) or "    nothing is on the list"
        where = "\n".join(f"- {name}: `{path}`" for name, path in result.outputs.paths.items())
        _show("list", f"List of {result.week_start}\n\n{head}\n\n{where}")
        _log(result.notices)
    return str(result.outputs.paths["list.csv"])


@flow(name="lightoff-training")
def training_flow(config: str | None = None) -> None:
    """Train a challenger, as ``lightoff train`` does."""
    settings = _settings(config)
    with _recorded(settings, "train"):
        lake = Lake(settings.lake)
        verdict = jobs.retrain(settings, lake, jobs.newest_week(settings, lake, datetime.now(UTC)))
        _show("training", verdict_text(verdict))


@flow(name="lightoff-housekeep")
def housekeep_flow(config: str | None = None) -> None:
    """Tidy the lake, as ``lightoff housekeep`` does."""
    settings = _settings(config)
    with _recorded(settings, "housekeep") as run:
        tidied, thinned = jobs.housekeep(settings, Lake(settings.lake), datetime.now(UTC))
        jobs.note_thinned(run, thinned)
        head = [f"- {thinned_line(thinned)}"] if thinned.partitions else []
        _show("housekeep", "\n".join(head + [
            f"- {each.table}: {each.files_before} to {each.files_after} files, {each.removed} removed" for each in tidied]))


def serve_flows(settings: Settings, config: Path | None) -> None:
    """Serve all flows by the clock of the settings until the process is stopped; one run of each at a time.

    Raises:
        ConfigError: a cron line means nothing.
    """
    flows = {"nightly": nightly_flow, "weekly": weekly_flow, "training": training_flow, "housekeep": housekeep_flow}
    parameters = {"config": str(config.resolve()) if config else None}
    try:
        made = [
            flows[name].to_deployment(
                f"lightoff-{name}", schedule=_cron(cron, settings.time_zone), parameters=parameters, concurrency_limit=1,
                description=words,
            )
            for name, cron, words in jobs.schedules(settings)
        ]
    except ValueError as error:
        raise ConfigError(f"a cron line of the settings means nothing: {error}") from error
    serve(*made, limit=1)


def _cron(line: str, time_zone: str) -> object:
    from prefect.schedules import Cron

    return Cron(line, timezone=time_zone)


@contextmanager
def _recorded(settings: Settings, command: str) -> Iterator[Run]:
    def alarm(run: Run, error: Exception) -> None:
        for problem in send(settings, alert_text(settings, run.command, run.started_at, error)):
            print(f"lightoff: {problem}", file=sys.stderr)

    with recorded(settings, Lake(settings.lake), f"{command} flow", lambda: datetime.now(UTC), alarm) as run:
        yield run


def _balance(read: IngestSummary) -> str:
    lines = [f"- {name}: {count:,}" for name, count in read.totals.items()]
    refused = [
        f"- refused: `{row['file']}`: {row['reason']}"
        for row in read.files.filter(read.files["status"] == "refused").iter_rows(named=True)
    ]
    return "\n".join([*lines, *refused])


def _show(key: str, markdown: str) -> None:
    """Something to read in the run's page on a prefect server."""
    create_markdown_artifact(markdown, key=f"lightoff-{key}")


def _log(notices: Sequence[Notice]) -> None:
    """What changed in the data, into the record of the run."""
    for line in watch_lines(notices):
        get_run_logger().warning(line)


def _settings(config: str | None) -> Settings:
    return read_settings(Path(config) if config else None)
