"""Runs that stop half-way: the next one finds the lake as before and ends where an undisturbed run ends."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from pipeline import ingest as stage
from pipeline.lake import Lake
from tests.faults.lakes import content, contents, fleet, run, write

KILLS = 10
_CHILD = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from pipeline import ingest as stage
from pipeline.lake import Lake
from pipeline.settings import Settings
stage.PACKAGE_ROWS, stage.GROUP_ROWS = 400, 3000
settings = Settings(lake=sys.argv[1], buckets=2)
lake = Lake(settings.lake)
print("ready", flush=True)
with lake.lock("ingest", "now"):
    stage.ingest(settings, lake, [Path(sys.argv[2])], datetime(2026, 3, 1, tzinfo=UTC))
print("done", flush=True)
"""


def exports(folder: Path) -> Path:
    """Six files of readings that overlap, and two small tables."""
    for number in range(6):
        rows = [
            f"V{n % 9},2026-01-{5 + (n + number) % 12:02}T08:{n % 60:02}:{n % 59:02}Z,"
            f"{n % 50 * 10},{number if n % 4 else ''}\n"
            for n in range(1500)
        ]
        write(folder / f"{number}.csv", "unit_id,ts,rpm,coolant_degc\n" + "".join(rows))
    write(folder / "codes.csv", "unit_id,ts,code,state\nV1,2026-01-05T08:00:00Z,P0420,pending\n")
    write(folder / "register.csv", "unit_id,engine_family,fuel\nV1,T12,petrol\nV2,T12,diesel\n")
    return folder


@pytest.mark.parametrize("table_hit", ["codes", "register", "readings", "export_spans", "exports"])
def test_error_at_any_table_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, table_hit: str
) -> None:
    settings, lake = fleet(tmp_path)
    run(settings, lake, write(tmp_path / "first.csv", "unit_id,ts,rpm\nV1,2026-01-05T08:00:00Z,800\n"))
    before, ledger = contents(lake), lake.read("exports")

    def failing(write: Callable[..., None]) -> Callable[..., None]:
        def fails(self: Lake, name: str, *args: object, **values: object) -> None:
            write(self, name, *args, **values)
            if name == table_hit:
                raise OSError(28, "No space left on device")

        return fails

    for way in ("append", "overwrite", "replace"):
        monkeypatch.setattr(Lake, way, failing(getattr(Lake, way)))
    folder = exports(tmp_path / "in")
    with pytest.raises(OSError, match="No space left"):
        run(settings, lake, folder)
    monkeypatch.undo()
    for name, frame in contents(lake).items():
        assert_frame_equal(frame, before[name])
    assert_frame_equal(lake.read("exports"), ledger)
    assert lake.read("quarantine").is_empty()
    assert sorted(path.name for path in lake.root.glob("_*")) == ["_lake.json"]


def test_error_between_packages_undoes_the_packages_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings, lake = fleet(tmp_path)
    monkeypatch.setattr(stage, "PACKAGE_ROWS", 400)
    replace, calls = Lake.replace, []

    def third_fails(self: Lake, *args: object) -> None:
        calls.append(args)
        if len(calls) == 3:
            raise MemoryError
        replace(self, *args)

    monkeypatch.setattr(Lake, "replace", third_fails)
    folder = exports(tmp_path / "in")
    with pytest.raises(MemoryError):
        run(settings, lake, folder)
    assert content(lake, "readings").is_empty()
    monkeypatch.setattr(Lake, "replace", replace)
    run(settings, lake, folder)
    plain = fleet(tmp_path / "plain")
    run(*plain, folder)
    assert_frame_equal(content(lake, "readings"), content(plain[1], "readings"))


def test_killed_runs_end_where_an_undisturbed_run_ends(tmp_path: Path) -> None:
    folder = exports(tmp_path / "in")
    plain = fleet(tmp_path / "plain")
    run(*plain, folder)
    settings, lake = fleet(tmp_path / "killed")
    command = [sys.executable, "-c", _CHILD, settings.lake, str(folder)]
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    chance, killed, torn, spent = random.Random(3), 0, 0, 0.6
    for _ in range(KILLS):
        child = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
        assert child.stdout is not None and child.stdout.readline() == "ready\n"
        begun = time.monotonic()
        time.sleep(chance.uniform(0.0, spent))
        child.send_signal(signal.SIGKILL)
        finished = "done" in child.stdout.read()
        child.wait()
        killed += not finished
        torn += (lake.root / "_intent.json").exists()
        if finished:
            # Too slow for the kill: begin again, with moments drawn from the time a whole run takes.
            spent = time.monotonic() - begun
            settings, lake = fleet(tmp_path / f"killed_{killed}_{spent}")
            command[3] = settings.lake
        elif lake.exists("exports"):
            with lake.lock("look", "now"):
                ledger = lake.read("exports")
                assert (
                    ledger["rows_in"] == ledger["kept"] + ledger["quarantined"] + ledger["duplicates"]
                ).all()
                assert lake.read("readings").is_empty() == (ledger.filter(kind="readings").is_empty())
    assert killed >= KILLS // 2
    assert torn >= 1
    run(settings, lake, folder)
    for name, frame in contents(lake).items():
        assert_frame_equal(frame, content(plain[1], name))
    assert set(lake.read("exports")["export_id"]) == set(plain[1].read("exports")["export_id"])
    assert sorted(path.name for path in lake.root.glob("_*")) == ["_lake.json"]
