"""Thinning that is killed, or meets a full disk: nothing is lost, and the next run ends where an undisturbed one does."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import jobs
from pipeline.checks import check
from pipeline.derive import derive
from pipeline.errors import LakeError
from pipeline.lake import Lake
from pipeline.settings import PROJECT, Settings
from pipeline.thinning import thin
from tests.unit.test_thinning import DERIVED, KEEP, MONDAY, NOW, filled

# What a month of a bucket writes, in order: the thin rows, the ledger, the readings taken out.
WRITES = ("readings_thin", "thinned", "readings")
TABLES = (*DERIVED, "readings", "readings_thin", "thinned", "shards", "export_spans")

_CHILD = """
import os, signal, sys
from datetime import datetime
from pipeline import jobs
from pipeline.lake import Lake
from pipeline.settings import Settings

lake, at, when, month = sys.argv[1], datetime.fromisoformat(sys.argv[2]), sys.argv[3], int(sys.argv[4])
seen = []

def dying(name, write):
    def wrapped(self, table, *more):
        if when == f"before {table}" and seen.count(table) == month:
            os.kill(os.getpid(), signal.SIGKILL)
        write(self, table, *more)
        seen.append(table)
        if when == f"after {table}" and seen.count(table) == month + 1:
            os.kill(os.getpid(), signal.SIGKILL)
    return wrapped

for name in ("append", "replace"):
    setattr(Lake, name, dying(name, getattr(Lake, name)))
settings = Settings(lake=lake, buckets=2, keep_readings_days=35, history_weeks=4)
with Lake(lake).lock("housekeep", at.isoformat()):
    jobs.housekeep(settings, Lake(lake), at)
"""


@pytest.fixture(scope="module")
def filled_lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Derived, and nothing thinned."""
    folder = tmp_path_factory.mktemp("filled")
    filled(folder, **KEEP)
    return folder / "lake"


@pytest.fixture(scope="module")
def undisturbed(filled_lake: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    """Every table of a lake that was thinned in one run."""
    settings, lake = copy_of(filled_lake, tmp_path_factory.mktemp("undisturbed"))
    jobs.housekeep(settings, lake, NOW)
    return {name: lake.read(name) for name in TABLES}


def copy_of(folder: Path, target: Path) -> tuple[Settings, Lake]:
    settings = Settings(lake=str(shutil.copytree(folder, target / "lake")), buckets=2, **KEEP)
    return settings, Lake(settings.lake)


def check_same(settings: Settings, lake: Lake, wanted: dict[str, pl.DataFrame]) -> None:
    for name, frame in wanted.items():
        assert_frame_equal(lake.read(name), frame)
    assert check(settings, lake).is_empty()
    assert derive(settings, lake).derived == 0


def check_nothing_lost(settings: Settings, lake: Lake, wanted: dict[str, pl.DataFrame]) -> None:
    """Each partition is whole or thinned, and counted as what it is; what was measured stands."""
    readings = lake.files("readings").group_by("day", "bucket").agg(rows=pl.col("rows").sum())
    thinned = lake.read("thinned").select("day", "bucket", rows="rows_before")
    both = pl.concat([readings, thinned]).sort("day", "bucket")
    assert_frame_equal(both, wanted["shards"].select("day", "bucket", rows="readings").sort("day", "bucket"))
    for name in DERIVED:
        assert_frame_equal(lake.read(name), wanted[name])
    assert check(settings, lake).is_empty()
    assert derive(settings, lake).derived == 0


@pytest.mark.slow
@pytest.mark.parametrize("month", [0, 1])
@pytest.mark.parametrize("when", [f"{side} {name}" for name in WRITES for side in ("before", "after")])
def test_a_kill_at_any_write_loses_nothing(
    filled_lake: Path, undisturbed: dict[str, pl.DataFrame], tmp_path: Path, when: str, month: int
) -> None:
    settings, lake = copy_of(filled_lake, tmp_path)
    words = [sys.executable, "-c", _CHILD, settings.lake, NOW.isoformat(), when, str(month)]
    environment = os.environ | {"PYTHONPATH": str(PROJECT)}
    ended = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert ended.returncode == -signal.SIGKILL, ended.stderr
    assert (lake.root / "_intent.json").exists()
    with lake.lock("housekeep", NOW.isoformat()):
        check_nothing_lost(settings, lake, undisturbed)
        jobs.housekeep(settings, lake, NOW)
    check_same(settings, lake, undisturbed)


@pytest.mark.parametrize("name", WRITES)
def test_a_full_disk_at_any_write_is_undone(
    filled_lake: Path, undisturbed: dict[str, pl.DataFrame], tmp_path: Path, name: str
) -> None:
    settings, lake = copy_of(filled_lake, tmp_path)

    class Full(Lake):
        def _open(self, table: str) -> object:
            found = super()._open(table)
            if table == name and (self.root / "_intent.json").exists() and not undoing:
                raise self._store.unwritten(table, OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
            return found

        def recover(self) -> list[str]:
            undoing.append(True)
            return super().recover()

    undoing: list[bool] = []
    with pytest.raises(LakeError, match="No space left.*check rights and space"):
        thin(settings, Full(settings.lake), MONDAY, NOW)
    assert not (lake.root / "_intent.json").exists()
    check_nothing_lost(settings, lake, undisturbed)
    thin(settings, lake, MONDAY, NOW)
    check_same(settings, lake, undisturbed)
