"""Unchanged: a list is judged anew where anything it rests on has changed, and only there."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path
from unittest.mock import patch

import polars as pl
import pytest
import skops.io

from models.classifier import Model
from models.store import MODEL, save
from pipeline import unchanged
from pipeline.assess import ISSUED, assess
from pipeline.errors import LakeError
from pipeline.lake import Lake
from pipeline.prognosis import OWN_MODEL, ranking, starter_model
from pipeline.settings import Settings
from tests.golden.sample import NOW, WEEK, Job, command, fleet, small_exports

EARLIER = date(2026, 3, 30)
JUDGED = ("trends", "proposed_breaks", "findings", "evidence", "chances", "input_shift", "scores")


@pytest.fixture(scope="module")
def after_a_night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night") / "fleet"
    job = fleet(folder, small_exports(tmp_path_factory.getbasetemp()))
    assert command(job, "nightly").exit_code in (0, 3)
    return folder


@pytest.fixture
def small(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path, after_a_night: Path) -> Job:
    """A fleet of its own for each test: a copy of the one after its night."""
    shutil.copytree(after_a_night, tmp_path / "fleet")
    return fleet(tmp_path / "fleet", small_exports(tmp_path_factory.getbasetemp()))


def versions(lake: Lake) -> dict[str, int | None]:
    return {name: lake.version(name) for name in JUDGED}


def issued(lake: Lake, week_start: date = WEEK) -> dict[str, pl.DataFrame]:
    own = (pl.col("series") == ISSUED) & (pl.col("week_start") == week_start)
    return {name: lake.read(name, where=own) for name in JUDGED}


def test_nothing_new_leaves_what_was_judged(small: Job) -> None:
    first = unchanged.judged(small.settings, small.lake, WEEK)
    before = versions(small.lake)
    second = unchanged.judged(small.settings, small.lake, WEEK)
    assert versions(small.lake) == before
    assert not first.kept
    assert second == replace(first, kept=True)


def test_a_list_kept_is_the_list_judged_anew(small: Job) -> None:
    unchanged.judged(small.settings, small.lake, WEEK)
    unchanged.judged(small.settings, small.lake, WEEK)
    kept = issued(small.lake)
    assess(small.settings, small.lake, WEEK)
    anew = issued(small.lake)
    assert all(kept[name].equals(anew[name]) for name in JUDGED)


def test_a_list_of_another_week_is_judged_for_itself(small: Job) -> None:
    unchanged.judged(small.settings, small.lake, EARLIER)
    assert not unchanged.judged(small.settings, small.lake, WEEK).kept
    assert unchanged.judged(small.settings, small.lake, EARLIER).kept


@pytest.mark.parametrize("name", unchanged.RESTS_ON)
def test_a_table_written_since_is_judged_from(small: Job, name: str) -> None:
    unchanged.judged(small.settings, small.lake, WEEK)
    # The same rows written once more: another version is another ground, whatever is in it.
    small.lake.overwrite(name, small.lake.read(name))
    assert not unchanged.judged(small.settings, small.lake, WEEK).kept


def test_other_settings_judge_anew(small: Job) -> None:
    unchanged.judged(small.settings, small.lake, WEEK)
    shorter = small.settings.model_copy(update={"history_weeks": 8})
    assert not unchanged.judged(shorter, small.lake, WEEK).kept


def test_another_model_judges_anew(small: Job) -> None:
    unchanged.judged(small.settings, small.lake, WEEK)
    with small.lake.folder(OWN_MODEL, changes=True) as folder:
        save(Model("the fleet's own", {}), folder, "card")
    assert not unchanged.judged(small.settings, small.lake, WEEK).kept


def test_another_program_judges_anew(small: Job) -> None:
    unchanged.judged(small.settings, small.lake, WEEK)
    with patch.object(unchanged, "_program", lambda: "another"):
        assert not unchanged.judged(small.settings, small.lake, WEEK).kept


def test_a_run_that_stopped_half_way_is_not_taken_for_whole(small: Job) -> None:
    unchanged.judged(small.settings, small.lake, WEEK)
    other = small.settings.model_copy(update={"history_weeks": 8})

    def stopped(settings: Settings, lake: Lake, week_start: date) -> None:
        raise LakeError("no space left")

    with patch.object(unchanged, "assess", stopped), pytest.raises(LakeError):
        unchanged.judged(other, small.lake, WEEK)
    assert not unchanged.judged(small.settings, small.lake, WEEK).kept


def test_every_table_that_a_list_is_judged_from_is_watched(small: Job) -> None:
    read: set[str] = set()
    scan = Lake.scan

    def watched(self: Lake, name: str) -> pl.LazyFrame:
        read.add(name)
        return scan(self, name)

    with patch.object(Lake, "scan", watched):
        assess(small.settings, small.lake, WEEK)
    assert read == set(unchanged.RESTS_ON)


def test_a_second_night_without_exports_says_so(small: Job) -> None:
    first = command(small, "nightly", now=NOW)  # the copy lies in another folder: other settings
    assert "nothing has changed since" not in first.output
    again = command(small, "nightly", now=NOW)
    assert "nothing has changed since" in again.output


@pytest.mark.parametrize("words", [("nightly",), ("rank", "--week", WEEK.isoformat())])
def test_a_run_says_that_the_own_model_is_of_another_form_and_the_list_who_judged(small: Job, words: tuple[str, ...]) -> None:
    with small.lake.folder(OWN_MODEL, changes=True) as folder:
        folder.mkdir(parents=True)
        skops.io.dump({"form": 2, "name": "own model of 2026-01-05", "families": {}, "inputs": {}}, folder / MODEL)
    for _ in range(2):  # judged, and kept
        said = command(small, *words, now=NOW)
        assert said.exit_code == 0, said.output
        assert f"{OWN_MODEL}/{MODEL}: a model of form 2, and this version reads form 3; train anew" in said.output
    week = small.lake.read("scores")["week_start"].max()
    judged = small.lake.read("scores", where=(pl.col("week_start") == week) & (pl.col("status") == "judged"))
    assert judged["judged_by"].unique().to_list() == [ranking(starter_model()).name]
