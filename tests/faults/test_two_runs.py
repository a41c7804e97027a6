"""Two runs on one lake, and what a late file rewrites."""

from __future__ import annotations

import re
import signal
import subprocess
import time
from pathlib import Path

from polars.testing import assert_frame_equal

from pipeline.lake import Lake
from tests.faults.commands import ENVIRONMENT, command, completed, settings_file
from tests.faults.lakes import contents, fleet, run, write


def readings(folder: Path, files: int) -> Path:
    """Files of readings of nine units over twelve days."""
    for number in range(files):
        rows = [
            f"V{n % 9},2026-01-{1 + n % 12:02}T08:{n % 60:02}:{number:02}Z,{700 + n % 900}\n" for n in range(600)
        ]
        write(folder / f"{number:02}.csv", "unit_id,ts,rpm\n" + "".join(rows))
    return folder


def test_second_ingest_says_who_holds_the_lake_and_since_when(tmp_path: Path) -> None:
    folder = readings(tmp_path / "in", 20)
    plain = fleet(tmp_path / "plain")
    run(*plain, folder)
    lake = Lake(str(tmp_path / "lake"))
    config = settings_file(tmp_path, lake.root)
    words = command(config, "ingest", str(folder))
    with subprocess.Popen(words, env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as first:
        until = time.monotonic() + 60
        while not (lake.root / "_lock.json").exists():
            assert first.poll() is None and time.monotonic() < until
            time.sleep(0.001)
        # Stopped with the lock in its hands: the second run finds it held however slow the machine is.
        first.send_signal(signal.SIGSTOP)
        second = completed(config, "ingest", str(folder))
        first.send_signal(signal.SIGCONT)
        assert first.wait(60) == 0
    assert second.returncode == 1
    said = re.compile(rf"held by 'ingest' \(process {first.pid} on .*\) since 20\d\d-\d\d-\d\dT.*; wait for it")
    assert said.search(second.stderr) and "Traceback" not in second.stderr
    assert completed(config, "ingest", str(folder)).returncode == 0
    for name, frame in contents(lake).items():
        assert_frame_equal(frame, contents(plain[1])[name])


def test_late_rows_rewrite_only_their_partition(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    run(settings, lake, readings(tmp_path / "in", 3))
    before = lake.files("readings")
    late = "unit_id,ts,rpm\nV3,2026-01-02T23:00:00Z,801\nV3,2026-01-02T23:00:01Z,802\n"
    run(settings, lake, write(tmp_path / "late.csv", late))
    after = lake.files("readings")
    gone = before.join(after, on="path", how="anti")
    new = after.join(before, on="path", how="anti")
    assert before.height > 12
    assert gone.select("day", "bucket").rows() == new.select("day", "bucket").rows()
    assert gone.height == new.height == 1
    assert new["rows"].sum() == gone["rows"].sum() + 2
    run(settings, lake, write(tmp_path / "again.csv", late + "\n"))
    assert lake.files("readings")["path"].to_list() == after["path"].to_list()
