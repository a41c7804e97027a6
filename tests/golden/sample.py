"""The sample fleet run through the whole job once a session, and a few of its vehicles as a small fleet."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from unittest.mock import patch

import polars as pl
from click.testing import Result
from typer.testing import CliRunner

from pipeline import cli, jobs
from pipeline.derive import derive
from pipeline.jobs import WeekResult
from pipeline.lake import Lake
from pipeline.settings import PROJECT, Settings

EXPORTS = PROJECT / "sample_lake" / "exports"
TRUTH = PROJECT / "sample_lake" / "truth"
NOW = datetime(2026, 11, 25, tzinfo=UTC)  # long after the sample: its lake holds history only
WEEK = date(2026, 4, 6)  # a Monday inside the sample
SMALL_FROM = datetime(2026, 2, 16, tzinfo=UTC)
EVENTS = ("codes", "onboard_tests", "register", "work_orders")
FILES = ("list.csv", "scores.csv", "list.txt", "page.html")


@dataclass(frozen=True)
class Job:
    """A fleet in a folder, and what the command line said when it ran."""

    config: Path
    settings: Settings
    lake: Lake
    said: str = ""

    @property
    def folder(self) -> Path:
        """Folder of the newest list."""
        return max(path for path in Path(self.settings.out).iterdir())

    def written(self) -> dict[str, bytes]:
        """Every file of the newest list."""
        return {name: (self.folder / name).read_bytes() for name in FILES}


def fleet(folder: Path, exports: Path, **values: object) -> Job:
    """A fleet with a settings file in ``folder``; nothing has been run."""
    folder.mkdir(parents=True, exist_ok=True)
    given = {"lake": str(folder / "lake"), "out": str(folder / "out"), "exports": [str(exports)], **values}
    config = folder / "lightoff.toml"
    # A JSON string, number or list of strings is written the same way in TOML.
    config.write_text(
        "".join(f"{key} = {json.dumps(value)}\n" for key, value in given.items()), encoding="utf-8"
    )
    settings = Settings(**given)
    return Job(config, settings, Lake(settings.lake))


def command(job: Job, *words: str, now: datetime = NOW) -> Result:
    """One command of the command line at a fixed time."""
    with patch.object(cli, "_now", lambda: now):
        return CliRunner().invoke(cli.app, ["--config", str(job.config), *words], catch_exceptions=False)


@cache
def whole_job(base: Path) -> Job:
    """The weekly job on the whole sample, run once; ``base`` is the session's own folder."""
    job = fleet(base / "whole", EXPORTS)
    result = command(job, "weekly")
    if result.exit_code:
        raise AssertionError(f"the weekly job ended with {result.exit_code}: {result.output}")
    return Job(job.config, job.settings, job.lake, result.output)


def small_readings(units: int = 5, until: datetime = NOW) -> pl.DataFrame:
    """Readings of a few vehicles whose parts failed, from :data:`SMALL_FROM` on, ten weeks at most."""
    failed = pl.read_csv(TRUTH / "components.csv", try_parse_dates=True).filter(
        pl.col("failed_on").is_not_null()
    )
    chosen = failed["unit_id"].unique().sort().head(units)
    frames = [pl.scan_parquet(path) for path in sorted((EXPORTS / "readings").glob("*.parquet"))]
    wanted = pl.col("unit_id").is_in(chosen.implode()) & pl.col("ts").is_between(SMALL_FROM, until)
    return (
        pl.concat([frame.filter(wanted) for frame in frames], how="diagonal_relaxed")
        .sort("unit_id", "ts")
        .collect()
    )


def write_exports(folder: Path, readings: pl.DataFrame, **events: pl.DataFrame) -> Path:
    """Exports of a small fleet: these readings, and the sample's own events where none are given."""
    folder.mkdir(parents=True, exist_ok=True)
    readings.write_parquet(folder / "readings.parquet")
    for name in EVENTS:
        events.get(name, read_events(name)).write_csv(folder / f"{name}.csv")
    return folder


def read_events(name: str) -> pl.DataFrame:
    """An event export of the sample as text."""
    return pl.read_csv(EXPORTS / f"{name}.csv", infer_schema=False)


@cache
def small_exports(base: Path) -> Path:
    """Exports of the small fleet."""
    return write_exports(base / "small_exports", small_readings())


@cache
def small_job(base: Path) -> Job:
    """The small fleet, ingested and derived at :data:`NOW`; tests only read it or write lists of their own."""
    job = fleet(base / "small", small_exports(base), buckets=1)
    fill(job)
    return job


def fill(job: Job, now: datetime = NOW) -> None:
    """Ingest the exports of the settings and derive."""
    jobs.ingest_paths(job.settings, job.lake, [], now)
    derive(job.settings, job.lake)


def week_list(job: Job, week_start: date, folder: Path) -> WeekResult:
    """One issued list."""
    return jobs.make_list(job.settings, job.lake, week_start, folder)


def score_rows(job: Job) -> pl.DataFrame:
    """Scores of the newest list with all their digits, in the order of the list."""
    newest = date.fromisoformat(job.folder.name)
    ranked = job.lake.read("ranked", where=(pl.col("series") == "issued") & (pl.col("week_start") == newest))
    return ranked.sort("rank", "unit_id", "component", nulls_last=True).select(
        "rank",
        "list_rank",
        "unit_id",
        "component",
        "status",
        "mode",
        *(pl.col(name).round(9) for name in ("probability", "probability_7d")),
        *(pl.col(name).round(2) for name in ("wait_cost", "act_cost", "expected_saving")),
        "window_from",
        "window_to",
        "reason",
    )
