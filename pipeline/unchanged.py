"""Unchanged: a list whose ground is what it was when it was judged last is not judged again."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import date
from functools import cache
from pathlib import Path

import polars as pl

import models
from models.inputs import share_shifted
from pipeline.assess import ISSUED, AssessSummary, assess, counted
from pipeline.lake import Lake
from pipeline.prognosis import OWN_MODEL, passed_over
from pipeline.query import SQL
from pipeline.runs import programs, settings_hash
from pipeline.settings import Settings
from pipeline.tables import table

RESTS_ON = ("codes", "exports", "indicator_days", "onboard_tests", "register", "work_orders")


def judged(settings: Settings, lake: Lake, week_start: date) -> AssessSummary:
    """Judge every component for an issued list, or take what was judged before where nothing has changed since.

    Peers and trends reach from one vehicle to others, so that a list is judged whole or not at all. What it rests on is
    the version of every table it reads, the settings and limits, the fleet's own model and the program.

    Raises:
        LakeError: a table cannot be read or written.
    """
    ground = _ground(settings, lake)
    own = (pl.col("series") == ISSUED) & (pl.col("week_start") == week_start)
    others = lake.read("judgings", where=~own)
    before = lake.read("judgings", where=own)
    if before["ground"].to_list() == [ground]:
        scores, inputs = lake.read("scores", where=own), lake.read("input_shift", where=own)
        kept = counted(scores, week_start, share_shifted(inputs), kept=True)
        return replace(kept, passed_over=passed_over(lake))
    if before.height:
        # A run that stops half-way must not leave the word that all is as before.
        lake.overwrite("judgings", others)
    summary = assess(settings, lake, week_start)
    row = pl.DataFrame([{"series": ISSUED, "week_start": week_start, "ground": ground}], schema=table("judgings").schema)
    lake.overwrite("judgings", pl.concat([others, row]))
    return replace(summary, passed_over=passed_over(lake))


def _ground(settings: Settings, lake: Lake) -> str:
    """Fingerprint of all that decides what comes out of judging a list."""
    versions = {name: lake.version(name) for name in RESTS_ON}
    with lake.folder(OWN_MODEL) as folder:
        model = _print_of(sorted(path for path in folder.rglob("*") if path.is_file()))
    told = json.dumps([versions, settings_hash(settings), programs(), model, _program()], sort_keys=True)
    return hashlib.sha256(told.encode()).hexdigest()[:16]


@cache
def _program() -> str:
    """Fingerprint of the code, the steps and the starter model."""
    folders = [Path(models.__path__[0]), Path(__file__).parent, SQL]
    return _print_of(sorted(path for folder in folders for path in folder.rglob("*") if path.suffix in (".py", ".sql", ".skops")))


def _print_of(paths: list[Path]) -> str:
    digest = hashlib.sha256()
    for path in paths:
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
