"""Files read two at a time come out in the order given, and wait rather than hold many rows."""

from __future__ import annotations

from concurrent.futures import CancelledError, ThreadPoolExecutor
from pathlib import Path

import polars as pl
import pytest

from pipeline.exports import staging
from pipeline.exports.staging import Stage, Turn
from tests.faults.lakes import content, fleet, run, write


def rows(number: int, height: int = 2) -> pl.DataFrame:
    return pl.DataFrame({"line": [number] * height, "day": [None] * height, "bucket": [0] * height})


def test_rows_wait_for_their_turn(tmp_path: Path) -> None:
    stage = Stage(tmp_path / "stage")
    turn = Turn(stage)
    turn.add(rows(1), 7)
    assert stage.rows == 0
    turn.come()
    turn.add(rows(2), 7)
    assert stage.rows == 4
    turn.finish()
    assert stage.rows == 4


def test_many_rows_wait_outside_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(staging, "AHEAD_ROWS", 3)
    stage = Stage(tmp_path / "stage")
    turn = Turn(stage)
    turn.add(rows(1), 7)
    with ThreadPoolExecutor(max_workers=1) as pool:
        reading = pool.submit(turn.add, rows(2), 7)
        with pytest.raises(TimeoutError):
            reading.result(timeout=0.2)
        turn.come()
        reading.result(timeout=10)
    assert stage.rows == 4


def test_a_reader_that_waits_is_let_go_when_the_run_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(staging, "AHEAD_ROWS", 1)
    turn = Turn(Stage(tmp_path / "stage"))
    with ThreadPoolExecutor(max_workers=1) as pool:
        reading = pool.submit(turn.add, rows(1), 7)
        turn.give_up()
        with pytest.raises(CancelledError):
            reading.result(timeout=10)


def test_same_content_behind_a_file_still_being_read(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    text = "unit_id,ts,rpm\nV1,2026-01-05T08:00:00Z,800\n"
    for name in ("a.csv", "b.csv", "c.csv"):
        write(tmp_path / "in" / name, text)
    files = run(settings, lake, tmp_path / "in").files.sort("file")
    assert files["status"].to_list() == ["read", "already read", "already read"]


def test_outcome_does_not_depend_on_which_file_is_read_faster(tmp_path: Path) -> None:
    # The first file is long, the second short with the same rows: the second's are the duplicates, every time.
    lines = [f"V1,2026-01-05T08:{n // 60 % 60:02}:{n % 60:02}Z,{n % 700 + 700}\n" for n in range(3600)]
    write(tmp_path / "in" / "a.csv", "unit_id,ts,rpm\n" + "".join(lines))
    write(tmp_path / "in" / "b.csv", "unit_id,ts,rpm\n" + "".join(lines[:2]))
    settings, lake = fleet(tmp_path)
    files = run(settings, lake, tmp_path / "in").files.sort("file")
    assert files["kept"].to_list() == [3600, 0]
    assert files["duplicates"].to_list() == [0, 2]
    assert content(lake, "readings").height == 3600
