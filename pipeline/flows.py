"""Prefect flows around the same jobs that the command line runs; the only module that imports prefect."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from prefect import flow, get_run_logger, task

from pipeline import jobs
from pipeline.assess import ISSUED, AssessSummary, assess
from pipeline.datawatch import Notice, data_watch, watch_lines
from pipeline.derive import DeriveSummary, derive
from pipeline.exports.vins import KEY_NAME
from pipeline.ingest import IngestSummary
from pipeline.jobs import WeekResult
from pipeline.lake import Lake
from pipeline.settings import Settings, read_settings


# Only ingest is retried: what can pass there is a store or a file still being written. A wrong limit stays wrong.
@task(retries=2, retry_delay_seconds=30)
def ingest_task(settings: Settings, paths: list[Path]) -> IngestSummary:
    """Read the exports."""
    # Read here and not handed to the task: parameters of tasks are stored.
    key = os.environ.get(KEY_NAME)
    return jobs.ingest_paths(settings, Lake(settings.lake), paths, datetime.now(UTC), vin_key=key)


@task
def derive_task(settings: Settings) -> DeriveSummary:
    """Derive what changed."""
    return derive(settings, Lake(settings.lake))


@task
def list_task(settings: Settings) -> WeekResult:
    """Judge, rank and write the newest list."""
    lake = Lake(settings.lake)
    week_start = jobs.newest_week(settings, lake, datetime.now(UTC))
    return jobs.make_list(settings, lake, week_start, Path(settings.out) / week_start.isoformat())


@task
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
    with Lake(settings.lake).lock("nightly flow", datetime.now(UTC).isoformat()):
        ingest_task(settings, [])
        derive_task(settings)
        judged = judge_task(settings)
        _log(watch_task(settings, judged.week_start))


@flow(name="lightoff-weekly")
def weekly_flow(config: str | None = None) -> str:
    """Ingest, derive, judge, rank and write, as ``lightoff weekly`` does; the path of the list."""
    settings = _settings(config)
    with Lake(settings.lake).lock("weekly flow", datetime.now(UTC).isoformat()):
        ingest_task(settings, [])
        derive_task(settings)
        result = list_task(settings)
        _log(result.notices)
    return str(result.outputs.paths["list.csv"])


def _log(notices: Sequence[Notice]) -> None:
    """What changed in the data, into the record of the run."""
    for line in watch_lines(notices):
        get_run_logger().warning(line)


def _settings(config: str | None) -> Settings:
    return read_settings(Path(config) if config else None)
