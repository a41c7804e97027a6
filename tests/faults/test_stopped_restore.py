"""Restoring that is killed: the lake is as it was before, damage and all, and the next run restores it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from pipeline.lake import Lake
from pipeline.restore import restore
from pipeline.runs import versions
from pipeline.settings import PROJECT, Settings
from tests.faults.lakes import fleet, run, write

TABLES = ("readings", "export_spans", "exports", "quarantine", "lost_spans")
HEADER = "unit_id,ts,rpm\n"

_CHILD = """
import os, signal, sys
from pathlib import Path
from pipeline import restore as stage
from pipeline.lake import Lake
from pipeline.settings import Settings

lake, exports, when, partly = sys.argv[1:]
stage.PACKAGE_PARTITIONS = 1
seen = []

def dying(name, write):
    def wrapped(self, table, *more):
        if f"before {table} {seen.count(table)}" == when:
            os.kill(os.getpid(), signal.SIGKILL)
        write(self, table, *more)
        if f"after {table} {seen.count(table)}" == when:
            os.kill(os.getpid(), signal.SIGKILL)
        seen.append(table)
    return wrapped

for name in ("overwrite", "replace"):
    setattr(Lake, name, dying(name, getattr(Lake, name)))
settings = Settings(lake=lake, buckets=2, exports=[exports])
with Lake(lake).lock("restore", "now"):
    stage.restore(settings, Lake(lake), [], bool(int(partly)))
"""


def lost(folder: Path) -> tuple[Settings, Lake, dict, list[str]]:
    """A lake of two files and four partitions, of which two are damaged, one is gone; what it held, and the files."""
    inside = folder / "in"
    settings, lake = fleet(folder, exports=[str(inside)])
    rows = [f"V{unit},2026-01-0{day}T08:00:{second:02}Z," for unit in (1, 2, 3, 4) for day in (5, 6) for second in range(20)]
    run(settings, lake, write(inside / "a.csv", HEADER + "".join(f"{row}{800 + n}\n" for n, row in enumerate(rows))))
    run(settings, lake, write(inside / "b.csv", HEADER + "".join(f"{row}{820 - n}\n" for n, row in enumerate(rows[::3]))))
    held = {name: lake.read(name) for name in TABLES}
    files = lake.files("readings")["uri"].to_list()
    assert len(files) == 4
    for path in files[:2]:
        Path(path).write_bytes(b"damaged")
    Path(files[2]).unlink()
    return settings, lake, held, files


@pytest.mark.parametrize("when", ["before readings 0", "after readings 0", "before readings 1", "after readings 2"])
def test_a_kill_leaves_the_lake_as_it_was(tmp_path: Path, when: str) -> None:
    settings, lake, held, _ = lost(tmp_path)
    files = lake.files("readings")
    killed(settings, when, partly=False)
    check_as_before(lake, files, held)
    told = restore(settings, lake, [])
    assert told.lost.height == 3
    for name in TABLES:
        assert_frame_equal(lake.read(name), held[name])


@pytest.mark.parametrize("when", ["after readings 2", "after export_spans 0", "before lost_spans 0", "after lost_spans 0"])
def test_a_kill_while_rows_are_taken_out_leaves_them_told_of(tmp_path: Path, when: str) -> None:
    settings, lake, held, _ = lost(tmp_path)
    shutil.move(tmp_path / "in" / "b.csv", tmp_path / "b.csv")
    files = lake.files("readings")
    killed(settings, when, partly=True)
    check_as_before(lake, files, held)
    told = restore(settings, lake, [tmp_path / "b.csv"])
    assert not told.gaps
    for name in TABLES:
        assert_frame_equal(lake.read(name), held[name])


def killed(settings: Settings, when: str, partly: bool) -> None:
    words = [sys.executable, "-c", _CHILD, settings.lake, settings.exports[0], when, str(int(partly))]
    environment = os.environ | {"PYTHONPATH": str(PROJECT)}
    ended = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=120, check=False)
    assert ended.returncode == -signal.SIGKILL, ended.stderr
    assert (Path(settings.lake) / "_intent.json").exists()


def check_as_before(lake: Lake, files: object, held: dict) -> None:
    """The next run finds the files named that were named before, the damaged and the lost ones, and the same tables."""
    with lake.lock("look", "now"):
        assert_frame_equal(lake.files("readings"), files)
        for name in TABLES[1:]:
            assert_frame_equal(lake.read(name), held[name])
    assert "readings" in versions(lake) and sorted(path.name for path in lake.root.glob("_*")) in (
        ["_lake.json"], ["_lake.json", "_staging"]
    )
