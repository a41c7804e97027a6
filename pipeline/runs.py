"""Run records: who ran what, when, with which versions, what it left behind; and a list made again from one."""

from __future__ import annotations

import getpass
import hashlib
import json
import platform
import resource
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from importlib.metadata import version
from pathlib import Path

import polars as pl

from pipeline.errors import ConfigError, LakeError, LightoffError
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table, tables

DONE, LOOK, FAILED = "done", "look", "failed"
_PROGRAMS = ("lightoff", "polars", "duckdb", "deltalake", "numpy", "scipy", "scikit-learn")
_FACTS = ("limits.toml", "indicators.csv", "blame.toml", "costs.toml", "codes.csv", "cards.toml", "reliability.csv")


@dataclass
class Run:
    """What a run notes of itself while it goes on."""

    command: str
    started_at: datetime
    week_start: date | None = None
    look: bool = False
    counts: dict[str, int] = field(default_factory=dict)
    files: dict[str, Path] = field(default_factory=dict)

    @property
    def run_id(self) -> str:
        """Key of the record."""
        return f"{self.started_at:%Y%m%dT%H%M%S.%fZ} {self.command}"


@contextmanager
def recorded(
    settings: Settings, lake: Lake, command: str, clock: Callable[[], datetime],
    alarm: Callable[[Run, Exception], None] | None = None,
    held: Callable[[Lake, str, str], AbstractContextManager[None]] = Lake.lock,
) -> Iterator[Run]:
    """Hold the lake for one run and note it in table ``runs`` when it ends, well or badly.

    ``alarm`` is called with an error before it goes on; also where the lake is held by another run. ``held`` holds the lake;
    it may wait for another run to end.

    Raises:
        ConfigError: the lake was begun with another time zone or other buckets than the settings have; nothing was run.
        LakeError: another run holds the lake, or the record cannot be written.
    """
    run = Run(command, clock().astimezone(UTC))
    try:
        with held(lake, command, run.started_at.isoformat()):
            try:
                lake.begun_with(settings.time_zone, settings.buckets)  # raises where its partitions mean something else
                yield run
            except Exception as error:
                # What was begun is rolled back before the record is written; a disk too full for it says so itself.
                lake.recover()
                _note(settings, lake, run, clock(), FAILED, str(error) or type(error).__name__)
                raise
            _note(settings, lake, run, clock(), LOOK if run.look else DONE, None)
    except Exception as error:
        if alarm is not None:
            alarm(run, error)
        raise


def _note(settings: Settings, lake: Lake, run: Run, ended_at: datetime, outcome: str, error: str | None) -> None:
    row = {
        "run_id": run.run_id, "command": run.command, "who": _who(), "started_at": run.started_at,
        "seconds": (ended_at.astimezone(UTC) - run.started_at).total_seconds(),
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2),
        "outcome": outcome, "error": error, "programs": json.dumps(programs()), "settings_hash": settings_hash(settings),
        "week_start": run.week_start, "tables": json.dumps(versions(lake)),
        "files": json.dumps({name: file_hash(path) for name, path in run.files.items()}),
        "counts": json.dumps(run.counts),
    }
    lake.append("runs", pl.DataFrame([row], schema=table("runs").schema))


def _who() -> str:
    try:
        account = getpass.getuser()
    except (KeyError, OSError):  # a container may run under a number that has no name
        account = "unnamed account"
    return f"{account} on {socket.gethostname()}"


def programs() -> dict[str, str]:
    """Versions of Python, of the project and of what it computes with."""
    return {"python": platform.python_version()} | {name: version(name) for name in _PROGRAMS}


def settings_hash(settings: Settings) -> str:
    """First 16 hexadecimal digits of the SHA-256 over the settings and the facts files they name."""
    digest = hashlib.sha256(settings.model_dump_json().encode())
    for name in _FACTS:
        path = settings.config_file(name)
        if path.is_file():
            digest.update(name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]


def file_hash(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def versions(lake: Lake) -> dict[str, int]:
    """Version of every table there is but that of the runs: the lake as it is now, for :meth:`Lake.at`."""
    found = {name: lake.version(name) for name in tables() if name != "runs"}
    return {name: number for name, number in found.items() if number is not None}


def past_runs(lake: Lake, last: int) -> pl.DataFrame:
    """The newest ``last`` records, newest first."""
    return lake.read("runs").sort("started_at", "run_id", descending=True).head(last)


@dataclass(frozen=True)
class Then:
    """A run that made a list, with the lake as it was when it ended."""

    record: dict
    lake: Lake
    same_settings: bool

    @property
    def files(self) -> dict[str, str]:
        """Name -> SHA-256 of the files written then."""
        return json.loads(self.record["files"])


def then(settings: Settings, lake: Lake, run_id: str) -> Then:
    """The run of that id, or the newest whose id begins so.

    Raises:
        ConfigError: no record begins so, or that run made no list.
        LakeError: the versions it names have been tidied away.
    """
    found = lake.read("runs").filter(pl.col("run_id").str.starts_with(run_id)).sort("started_at")
    if found.is_empty():
        raise ConfigError(f"no run begins with {run_id!r}; `lightoff runs` names those there are")
    record = found.row(-1, named=True)
    if record["week_start"] is None:  # it is noted when the list is written; such a run may still have failed afterwards
        raise ConfigError(f"the run {record['run_id']} made no list; choose one that did")
    versions = json.loads(record["tables"])
    past = lake.at(versions)
    for name in ("ranked", "trends", "indicator_days"):
        try:
            past.scan(name).head(1).collect()
        except (LightoffError, OSError, pl.exceptions.PolarsError) as error:
            raise LakeError(
                f"table {name!r} as it was on {record['started_at']:%Y-%m-%d} is gone ({str(error).splitlines()[0]}); "
                "versions are kept for `keep_versions_days` of the settings"
            ) from error
    return Then(record, past, record["settings_hash"] == settings_hash(settings))


def run_lines(records: pl.DataFrame) -> list[str]:
    """The records as lines for a terminal."""
    lines = [
        f"{row['run_id']}  {row['outcome']}  {row['seconds']:.1f} s  {row['peak_mb']:.0f} MB  {row['who']}"
        + (f"  list of {row['week_start']}" if row["week_start"] else "")
        + (f"  {' '.join(row['error'].split())}" if row["error"] else "")
        for row in records.iter_rows(named=True)
    ]
    return lines or ["no run has been noted yet"]
