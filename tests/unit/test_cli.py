"""The command line: exit codes, what it says, and that what it says is plain where nobody watches."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import date
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

import polars as pl
import pytest
import typer
from rich.console import Console

from pipeline import alarms, cli, jobs
from pipeline.arrivals import say_ingested
from pipeline.assess import AssessSummary
from pipeline.console import say_list, watching
from pipeline.datawatch import Notice
from pipeline.errors import LakeError, ShardsError
from pipeline.exports.outcome import IngestProgress, IngestSummary
from pipeline.runs import then
from pipeline.settings import PROJECT
from tests.golden.sample import NOW, WEEK, Job, fleet, small_job, week_list

COMMANDS = (
    "ingest",
    "layout",
    "quarantine",
    "derive",
    "rank",
    "nightly",
    "weekly",
    "backtest",
    "findings",
    "train",
    "runs",
    "housekeep",
    "restore",
    "schedule",
    "check",
    "coverage",
    "why",
    "simulate",
)
READINGS = "unit_id,ts,rpm,coolant_degc\nV1,2026-03-30T08:00:00Z,800,90\nV1,2026-03-30T08:00:01Z,820,90\n"
CONTROL = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]")


class Said(NamedTuple):
    """How a command ended."""

    code: int
    out: str
    err: str


Run = Callable[..., Said]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The entry point in this process, at a fixed time."""
    monkeypatch.setattr(cli, "_now", lambda: NOW)

    def command(*words: object) -> Said:
        monkeypatch.setattr(sys, "argv", ["lightoff", *map(str, words)])
        code = 0
        try:
            cli.main()
        except SystemExit as ended:
            code = ended.code or 0
        captured = capsys.readouterr()
        return Said(code, captured.out, captured.err)

    return command


@pytest.fixture
def job(tmp_path: Path) -> Job:
    """A fleet of one vehicle with two readings; nothing has been run."""
    exports = tmp_path / "exports"
    exports.mkdir()
    (exports / "readings.csv").write_text(READINGS, encoding="utf-8")
    return fleet(tmp_path / "fleet", exports, buckets=1)


@pytest.fixture
def small(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return small_job(tmp_path_factory.getbasetemp())


# -- help and usage -------------------------------------------------------------------------------------------


def test_these_are_the_commands() -> None:
    assert sorted(typer.main.get_command(cli.app).commands) == sorted(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_every_command(run: Run, name: str) -> None:
    said = run(name, "--help")
    first = typer.main.get_command(cli.app).commands[name].help.split(".")[0].split(":")[0]
    assert said.code == 0 and said.err == ""
    assert " ".join(first.split()[:4]) in said.out


def test_help_names_every_command(run: Run) -> None:
    said = run("--help")
    assert said.code == 0 and all(name in said.out for name in COMMANDS)


@pytest.mark.parametrize(
    "words", [["rust"], ["why"], ["backtest"], ["rank", "--weak", "x"], ["simulate", "--units", "0"]]
)
def test_usage_is_2(run: Run, tmp_path: Path, words: list[str]) -> None:
    said = run(*words, *(["--out", tmp_path] if words[0] == "simulate" else []))
    assert said.code == 2 and "Usage: " in said.err and said.out == ""


# -- what goes wrong ------------------------------------------------------------------------------------------


def test_configuration_is_2(run: Run, tmp_path: Path) -> None:
    config = tmp_path / "lightoff.toml"
    said = run("--config", config, "derive")
    assert (said.code, said.err) == (
        2,
        f"lightoff: {config}: no such file; leave --config out to use the defaults\n",
    )
    config.write_text('lak = "x"\n', encoding="utf-8")
    said = run("--config", config, "derive")
    assert said.code == 2 and f"lightoff: {config}: lak: " in said.err
    config.write_text("= 3\n", encoding="utf-8")
    said = run("--config", config, "derive")
    assert said.code == 2 and "not a TOML file" in said.err
    assert list(tmp_path.iterdir()) == [config]


def test_own_limit_out_of_bounds_is_2(run: Run, job: Job, tmp_path: Path) -> None:
    own = tmp_path / "own"
    own.mkdir()
    body = 'value = 9\nunit = "s"\nleast = 30\nmost = 3600\nsource = "x"\n'
    (own / "limits.toml").write_text(f"[qualify.trip_gap_s]\n{body}", encoding="utf-8")
    bad = fleet(tmp_path / "other", tmp_path / "exports", config_dir=str(own))
    said = run("--config", bad.config, "derive")
    assert (
        said.code == 2
        and f"{own / 'limits.toml'}: [qualify.trip_gap_s] value 9 s is outside 30 to 3600 s" in said.err
    )


@pytest.mark.parametrize("words", [["ingest"], ["nightly"], ["weekly"]])
def test_missing_exports_are_1(run: Run, tmp_path: Path, words: list[str]) -> None:
    none = fleet(tmp_path / "fleet", tmp_path / "nowhere")
    said = run("--config", none.config, *words)
    assert said.code == 1 and said.out == ""
    assert said.err == f"lightoff: {tmp_path / 'nowhere'}: no such file or folder; check the path\n"


@pytest.mark.parametrize(
    "words", [["rank"], ["rank", "--week", "2026-04-06"], ["backtest", "--out", "lists"]]
)
def test_no_readings_is_1(
    run: Run, job: Job, words: list[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    said = run("--config", job.config, *words)
    assert said.code == 1 and "holds no readings; run `lightoff ingest` first" in said.err
    assert not (tmp_path / "lists").exists() and not Path(job.settings.out).exists()


def test_week_that_is_no_monday_is_2(run: Run, small: Job, tmp_path: Path) -> None:
    for words in (
        ["rank", "--week"],
        ["coverage", "--week"],
        ["why", "X", "--week"],
        ["backtest", "--out", tmp_path, "--to"],
    ):
        said = run("--config", small.config, *words, "2026-04-08")
        assert said.code == 2
        assert said.err == (
            f"lightoff: {words[-1]}: 2026-04-08 is a Wednesday; lists are issued on Mondays, such as 2026-04-06\n"
        )
        said = run("--config", small.config, *words, "soon")
        assert said.code == 2 and "'soon' is no date" in said.err


def test_week_before_the_readings_is_2(run: Run, small: Job) -> None:
    said = run("--config", small.config, "rank", "--week", "2025-12-01")
    assert said.code == 2 and "holds no readings before 2025-12-01; they begin on 2026-" in said.err


def test_quarantined_row_is_3(run: Run, job: Job) -> None:
    path = Path(job.settings.exports[0]) / "readings.csv"
    path.write_text(READINGS + "V1,yesterday,800,90\n", encoding="utf-8")
    said = run("--config", job.config, "ingest")
    assert said.code == 3 and said.err == ""
    assert "3 rows in = 2 kept + 1 quarantined + 0 exact duplicates" in said.out
    again = run("--config", job.config, "ingest")
    assert again.code == 0 and "ingested 0 files (1 already read" in again.out


def test_refused_file_is_3_and_named(run: Run, job: Job) -> None:
    path = Path(job.settings.exports[0]) / "other.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    said = run("--config", job.config, "ingest")
    assert said.code == 3 and f"\nrefused: {path}: line 1: " in said.out and "1 refused" in said.out
    assert run("--config", job.config, "ingest").code == 3


def test_weekly_with_quarantine_makes_its_list_and_is_3(run: Run, job: Job) -> None:
    """A vehicle with two readings cannot be judged: the list is empty, and the bad row still shows."""
    path = Path(job.settings.exports[0]) / "readings.csv"
    path.write_text(READINGS + "V1,yesterday,800,90\n", encoding="utf-8")
    said = run("--config", job.config, "weekly")
    assert said.code == 3 and said.err == ""
    assert (
        "list of 2026-04-06: 0 rows on 0 vehicles; 0 components judged, 0 held back, 3 not judged" in said.out
    )
    assert (Path(job.settings.out) / "2026-04-06" / "list.csv").read_text(encoding="utf-8").count("\n") == 1


def test_quarantine_is_listed_and_read_again(run: Run, job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    path = Path(job.settings.exports[0]) / "readings.csv"
    vin = "ZZZAB12CD3E456789"
    path.write_text(READINGS + f"{vin},2026-03-30T08:00:00Z,800,90\nV1,yesterday,800,90\n", encoding="utf-8")
    monkeypatch.delenv("LIGHTOFF_VIN_KEY", raising=False)
    assert run("--config", job.config, "ingest").code == 3
    said = run("--config", job.config, "quarantine")
    assert said.code == 0 and f"  {path}:4 unit_id '(VIN)'" in said.out
    assert said.out.splitlines()[-1].startswith("2 reasons: 2 rows and 0 cells")
    assert run("--config", job.config, "quarantine", "--file", "other").out.startswith("0 reasons")
    monkeypatch.setenv("LIGHTOFF_VIN_KEY", "a secret of the fleet")
    said = run("--config", job.config, "quarantine", "retry")
    assert said.code == 3 and vin not in said.out
    assert said.out.splitlines()[-1] == (
        "read 1 file again, 0 refused: of their 4 rows 3 are kept now, 1 quarantined and 0 exact duplicates; "
        "values kept before were not rewritten"
    )
    path.write_text(READINGS, encoding="utf-8")
    said = run("--config", job.config, "quarantine", "retry", path)
    assert said.code == 0 and said.out.startswith("read 0 files again")


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"time_zone": "America/Los_Angeles"}, "time_zone is 'UTC' in the lake and 'America/Los_Angeles' in the settings"),
        ({"buckets": 8}, "buckets is 1 in the lake and 8 in the settings"),
    ],
)
def test_no_command_goes_on_with_another_zone_or_other_buckets_than_the_lake_has(
    run: Run, small: Job, tmp_path: Path, changed: dict[str, object], told: str
) -> None:
    """Days would begin at another hour: derive threw trips away and noted their days as up to date."""
    root = Path(shutil.copytree(small.lake.root, tmp_path / "lake"))
    shutil.rmtree(root / "runs", ignore_errors=True)  # of other tests, at the same instant
    right = fleet(tmp_path, Path(small.settings.exports[0]), buckets=1)
    assert run("--config", right.config, "rank", "--week", WEEK).code == 0
    trips = right.lake.read("trips")
    wrong = fleet(tmp_path / "wrong", tmp_path, lake=str(root), **{"buckets": 1} | changed)
    unit = trips["unit_id"][0]
    for words in (
        ["runs", "--again", f"{NOW:%Y}", "--out", tmp_path / "never"],
        ["derive", "--from", "2026-03-02", "--to", "2026-03-15"],
        ["rank", "--week", WEEK],
        ["rank", "--week", WEEK, "--bays", "3"],
        ["backtest", "--out", tmp_path / "never"],
        ["train"],
        ["housekeep"],
        ["restore"],
        ["check"],
        ["coverage"],
        ["why", unit],
    ):
        said = run("--config", wrong.config, *words)
        assert (said.code, said.out) == (2, ""), words
        assert told in said.err and "set what the lake has, or begin another lake" in said.err
        assert run("--config", wrong.config, "runs").code == 0  # what went wrong can be read
    assert not (tmp_path / "never").exists()
    assert right.lake.read("trips").equals(trips)
    for words in (["check"], ["coverage"], ["why", unit], ["rank", "--week", WEEK, "--bays", "3"]):
        assert run("--config", right.config, *words).code == 0, words


def test_second_run_is_told_who_holds_the_lake(run: Run, job: Job) -> None:
    with job.lake.lock("weekly", "2026-04-06T03:00:00+00:00"):
        for words in (
            ["ingest"],
            ["derive"],
            ["rank"],
            ["nightly"],
            ["weekly"],
            ["backtest", "--out", "never"],
        ):
            said = run("--config", job.config, *words)
            assert said.code == 1
            assert f"is held by 'weekly' (process {os.getpid()} on " in said.err
            assert "since 2026-04-06T03:00:00+00:00; wait for it" in said.err
    assert run("--config", job.config, "ingest").code == 0


# -- what it says ---------------------------------------------------------------------------------------------


def test_ingest_says_one_whole_line_a_file(run: Run, job: Job) -> None:
    deep = Path(job.settings.exports[0]) / ("depot_with_a_long_name_" * 4)
    deep.mkdir()
    for number in range(14):
        text = READINGS.replace("V1", f"V{number + 2}")
        (deep / f"export_{number:02}_[red]:car:.csv").write_text(text, encoding="utf-8")
    said = run("--config", job.config, "ingest")
    lines = said.out.splitlines()
    assert said.code == 0 and len(lines) == 17
    assert lines[0] == (
        f"{deep / 'export_00_[red]:car:.csv'}: readings, 2 rows in, 2 kept, 0 quarantined, 0 exact duplicates, "
        "2026-03-30 08:00 to 2026-03-30 08:00 UTC, 2 signals: rpm coolant_degc"
    )
    assert lines[-2] == (
        "unknown to the register, kept: 15 vehicles: 'V1', 'V10', 'V11', 'V12', 'V13', 'V14', 'V15', 'V2', 'V3', "
        "'V4' and 5 more"
    )
    assert lines[-1].startswith(
        "ingested 15 files (0 already read, 0 refused, 0 ignored): 30 rows in = 30 kept"
    )


def test_name_that_moves_the_cursor_is_written_out(run: Run, job: Job) -> None:
    path = Path(job.settings.exports[0]) / "a\x1b[2Jb.csv"
    path.write_text(READINGS.replace("V1", "V2"), encoding="utf-8")
    said = run("--config", job.config, "ingest")
    assert r"a\x1b[2Jb.csv: readings" in said.out and not CONTROL.search(said.out)


def test_stages_one_by_one(run: Run, job: Job) -> None:
    assert run("--config", job.config, "ingest").code == 0
    early = run("--config", job.config, "rank")
    assert early.code == 1 and "not derived yet; run `lightoff derive` first" in early.err
    assert (
        "no list has been made yet; run `lightoff rank` first" in run("--config", job.config, "coverage").err
    )
    assert "derived 1 of 1 partitions: 2 readings" in run("--config", job.config, "derive").out
    assert "derived 0 of 1 partitions" in run("--config", job.config, "derive").out
    ranked = run("--config", job.config, "rank", "--week", "2026-04-06")
    assert ranked.code == 0 and "list of 2026-04-06: 0 rows" in ranked.out
    covered = run("--config", job.config, "coverage")
    assert covered.code == 0 and covered.out.startswith("what the list of 2026-04-06 could judge:\n")
    assert "upstream sensors, not judged: 1 component of 1 vehicle: " in covered.out
    assert "log supply_v (PID 42) at least every 60 s: on 1 more vehicle the data can tell of low supply voltage" in covered.out
    # Manifold pressure, air mass and intake temperature all lack: none of them alone would tell.
    assert "log map_kpa" not in covered.out


def test_nightly_judges_and_writes_no_list(run: Run, job: Job) -> None:
    said = run("--config", job.config, "nightly")
    assert said.code == 0
    assert "judged 0 components for the list of 2026-04-06; 0 held back, 3 not judged" in said.out
    assert not Path(job.settings.out).exists()


@pytest.mark.parametrize(("severity", "code"), [("stop", 3), ("warn", 0)])
def test_what_changed_in_the_data_is_said_at_the_end_and_a_stop_is_3(
    run: Run, job: Job, monkeypatch: pytest.MonkeyPatch, severity: str, code: int
) -> None:
    notice = Notice(severity, "depot South is silent", "12 of 12 vehicles")
    monkeypatch.setattr(jobs, "data_watch", lambda *_: [notice])
    monkeypatch.setattr(cli, "data_watch", lambda *_, tonight: [notice] * tonight)
    for words in (["nightly"], ["weekly"], ["rank"]):
        said = run("--config", job.config, *words)
        assert (said.code, said.err) == (code, "")
        last = said.out.splitlines()[-1]
        assert last == f"data watch, {severity}: depot South is silent: 12 of 12 vehicles"
    page = Path(job.settings.out) / "2026-04-06" / "page.html"
    assert "depot South is silent" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("word", ["nightly", "weekly", "rank"])
def test_a_stop_reaches_a_person_and_the_record(
    run: Run, job: Job, monkeypatch: pytest.MonkeyPatch, word: str
) -> None:
    """README: `alert_command` gets a text when the data need a look."""
    assert run("--config", job.config, "ingest").code == run("--config", job.config, "derive").code == 0
    notices = [Notice("stop", "depot South is silent", "12 of 12"), Notice("warn", "few vehicles", "9")]
    monkeypatch.setattr(jobs, "data_watch", lambda *_: notices)
    monkeypatch.setattr(cli, "data_watch", lambda *_, tonight: notices)
    sent: list[dict[str, str]] = []
    monkeypatch.setattr(alarms, "send", lambda settings, text: sent.append(text) or [])
    assert run("--config", job.config, word).code == 3
    [text] = sent
    assert text["subject"] == f"lightoff {word}: the data need a look"
    assert text["error"] == "data watch, stop: depot South is silent: 12 of 12"
    newest = job.lake.read("runs").sort("started_at").tail(1)
    assert newest.select("command", "outcome").row(0) == (word, "look")


@pytest.mark.parametrize("word", ["nightly", "weekly"])
def test_a_shard_that_cannot_be_derived_leaves_the_others_their_list_and_is_1(
    run: Run, job: Job, monkeypatch: pytest.MonkeyPatch, word: str
) -> None:
    assert run("--config", job.config, "ingest").code == run("--config", job.config, "derive").code == 0
    bad = ShardsError({"bucket 0, 2026-03-30 to 2026-03-30": LakeError("a.parquet cannot be read")}, 2)

    def fails(*_: object, **__: object) -> None:
        raise bad

    monkeypatch.setattr(cli, "derive", fails)
    sent: list[dict[str, str]] = []
    monkeypatch.setattr(alarms, "send", lambda settings, text: sent.append(text) or [])
    said = run("--config", job.config, word)
    assert said.code == 1 and "a.parquet cannot be read" in said.err
    record = job.lake.read("runs").sort("started_at").row(-1, named=True)
    assert record["outcome"] == "failed" and "a.parquet" in sent[-1]["error"]
    assert "run the same command again" not in sent[-1]["what_to_do"]
    if word == "weekly":
        assert "list of 2026-04-06: 0 rows" in said.out and (Path(job.settings.out) / "2026-04-06" / "list.csv").is_file()
        assert then(job.settings, job.lake, record["run_id"]).files  # it can be made again
    else:
        assert "judged 0 components for the list of 2026-04-06" in said.out
    # Where so many fail that the rest is not tried, or nothing is derived, nothing is judged.
    bad.not_tried = 3
    again = run("--config", job.config, word)
    assert again.code == 1 and "list of" not in again.out


@pytest.mark.parametrize("word", ["nightly", "weekly"])
def test_what_was_read_is_told_though_a_later_stage_fails(
    run: Run, job: Job, monkeypatch: pytest.MonkeyPatch, word: str
) -> None:
    """One row has an instant that is none; then the disk is full."""
    exports = Path(job.settings.exports[0])
    (exports / "more.csv").write_text(READINGS.replace("V1", "V2").replace("08:00:01Z", "noon"), encoding="utf-8")

    def fails(*_: object, **__: object) -> None:
        raise LakeError("the disk is full")

    monkeypatch.setattr(jobs, "derive", fails)
    monkeypatch.setattr(cli, "derive", fails)
    said = run("--config", job.config, word)
    assert said.code == 1 and "the disk is full" in said.err
    assert "ingested 2 files" in said.out and "1 quarantined" in said.out
    record = job.lake.read("runs").row(0, named=True)
    assert record["outcome"] == "failed" and json.loads(record["counts"])["quarantined"] == 1


def test_paths_of_the_command_line_are_read(run: Run, job: Job, tmp_path: Path) -> None:
    other = tmp_path / "other.csv"
    other.write_text(READINGS.replace("V1", "V9"), encoding="utf-8")
    said = run("--config", job.config, "ingest", other)
    assert said.out.startswith(f"{other}: readings, 2 rows in")
    assert set(job.lake.read("readings")["unit_id"]) == {"V9"}


def test_a_lost_file_of_the_lake_is_restored_or_what_is_missing_is_named(run: Run, job: Job, tmp_path: Path) -> None:
    config, export = job.config, Path(job.settings.exports[0]) / "readings.csv"
    assert run("--config", config, "ingest").code == run("--config", config, "derive").code == 0
    said = run("--config", config, "restore")
    assert (said.code, said.out) == (0, "looked at 1 data file of the readings: all can be read; nothing to restore\n")
    wanted, file = job.lake.read("readings"), job.lake.files("readings").row(0, named=True)
    Path(file["uri"]).unlink()
    said = run("--config", config, "restore")
    assert said.code == 0 and said.out.splitlines() == [
        f"lost: {file['path']}: 2 readings of 2026-03-30, bucket 0: it is gone",
        "looked at 1 data file of the readings: 1 lost; 2 of their 2 readings restored from 1 file read again; "
        "`lightoff derive`, or the next night, measures them",
    ]
    assert job.lake.read("readings").equals(wanted)
    assert "derived 1 of 1 partitions: 2 readings" in run("--config", config, "derive").out
    Path(job.lake.files("readings")["uri"][0]).write_bytes(b"damaged")
    export.rename(tmp_path / "moved.csv")
    said = run("--config", config, "restore")
    assert said.code == 1 and said.out == f"missing: {export}: 2 rows of 1 vehicle on 1 day: it is not there any more\n"
    assert said.err.startswith("lightoff: nothing was changed") and "lightoff restore FOLDER" in said.err
    said = run("--config", config, "--log", "json", "restore", "--partly")
    assert said.code == 3 and json.loads(said.out.splitlines()[-1])["line"].startswith("2 rows are lost until")
    said = run("--config", config, "restore", tmp_path / "moved.csv")
    assert said.code == 0 and "2 rows lost before are back" in said.out
    assert job.lake.read("readings").equals(wanted)
    assert run("--config", config, "derive").code == run("--config", config, "check").code == 0
    runs = job.lake.read("runs").filter(command="restore").sort("started_at")
    assert runs["outcome"].to_list().count("failed") == 1 and "look" in runs["outcome"].to_list()
    assert {json.loads(text).get("restored") for text in runs["counts"]} == {0, 2, None}


def test_check_of_a_sound_lake_is_0_and_of_an_unsound_one_3(run: Run, job: Job) -> None:
    assert run("--config", job.config, "ingest").code == 0
    assert run("--config", job.config, "derive").code == 0
    sound = run("--config", job.config, "check")
    assert sound.code == 0
    assert re.fullmatch(r"\d checks, 0 rows that cannot be right\n", sound.out)
    exports = job.lake.read("exports")
    job.lake.overwrite("exports", exports.with_columns(rows_in=pl.col("rows_in") + 1))
    unsound = run("--config", job.config, "check")
    assert unsound.code == 3
    assert unsound.out.startswith("balance: ")


def test_coverage_counts_every_component_of_the_list(run: Run, small: Job, tmp_path: Path) -> None:
    result = week_list(small, WEEK, tmp_path)
    said = run("--config", small.config, "coverage", "--week", str(WEEK))
    assert said.code == 0 and said.err == ""
    counts = [
        (status, int(number))
        for status, number in re.findall(
            r"^[a-z ]+, ([a-z ]+): (\d+) components? of \d+ vehicles?", said.out, re.M
        )
    ]
    judged = result.assessed
    for status, number in {
        "judged": judged.judged,
        "held back": judged.held,
        "not judged": judged.not_judged,
        "out of scope": judged.out_of_scope,
    }.items():
        assert sum(count for name, count in counts if name == status) == number
    rest = said.out.splitlines()[1 + len(counts) :]
    log = r"log \w+ \(PID [\w/]+\) at least every [\d.]+ s: "
    judged_more = [line for line in rest if re.match(log + r"(\d+ components? more judged, )?\d+ indicators? more on \d", line)]
    told_more = [line for line in rest if re.match(log + r"on \d+ more vehicles? the data can tell of \w", line)]
    assert judged_more and told_more and rest == judged_more + told_more


def test_coverage_of_a_vehicle_tells_the_sampling_of_its_signals(run: Run, small: Job, tmp_path: Path) -> None:
    week_list(small, WEEK, tmp_path)
    unit = small.lake.read("signal_days")["unit_id"][0]
    said = run("--config", small.config, "coverage", "--week", str(WEEK), "--unit", unit)
    assert said.code == 0 and re.search(r"^rpm: one new reading in [\d.]+ s, \d+ readings$", said.out, re.M)
    assert run("--config", small.config, "coverage", "--week", str(WEEK), "--depot", "Nowhere").code == 1


def test_coverage_of_a_list_never_made_is_said(run: Run, small: Job, tmp_path: Path) -> None:
    week_list(small, WEEK, tmp_path)
    said = run("--config", small.config, "coverage", "--week", "2025-12-01")
    assert (
        said.code == 1
        and "no list of 2025-12-01 has been made; there is " in said.err
        and str(WEEK) in said.err
    )


def test_why_of_a_vehicle_nobody_knows_names_those_close_to_it(run: Run, small: Job, tmp_path: Path) -> None:
    result = week_list(small, WEEK, tmp_path)
    known = result.outputs.paths["list.csv"].read_text(encoding="utf-8").splitlines()[1].split(",")[2]
    said = run("--config", small.config, "why", known + "X")
    assert (
        said.code == 1
        and said.out == ""
        and f"vehicle '{known}X' is not in " in said.err
        and known in said.err.split(";")[1]
    )


def test_why_of_a_listed_part_is_plain(run: Run, small: Job, tmp_path: Path) -> None:
    result = week_list(small, WEEK, tmp_path)
    row = result.outputs.paths["list.csv"].read_text(encoding="utf-8").splitlines()[1].split(",")
    said = run("--config", small.config, "why", row[2], row[5], "--week", str(WEEK))
    assert said.code == 0 and row[2] in said.out and not CONTROL.search(said.out)
    bad = run("--config", small.config, "why", row[2], "B9S9", "--week", str(WEEK))
    assert bad.code == 1 and "has no component 'B9S9'; it has B1S1" in bad.err


def test_backtest_says_how_many_lists(run: Run, small: Job, tmp_path: Path) -> None:
    out = tmp_path / "[lists]"
    said = run("--config", small.config, "backtest", "--out", out, "--from", "2026-03-30", "--to", str(WEEK))
    rows = sum(
        (out / week / "list.csv").read_text(encoding="utf-8").count("\n2026-")
        for week in ("2026-03-30", str(WEEK))
    )
    assert said.code == 0 and said.out == (
        f"2 lists with {rows} rows in {out}\ntoo few lists to hold them against what failed\n"
    )
    assert rows > 0


def test_backtest_turned_round_is_2(run: Run, small: Job, tmp_path: Path) -> None:
    said = run(
        "--config", small.config, "backtest", "--out", tmp_path, "--from", str(WEEK), "--to", "2026-03-30"
    )
    assert said.code == 2 and "no Monday lies between 2026-04-06 and 2026-03-30" in said.err


def test_simulated_fleet_can_be_read(run: Run, tmp_path: Path) -> None:
    said = run(
        "simulate", "--out", tmp_path / "a", "--units", 3, "--weeks", 1, "--seed", 5, "--start", "2026-02-02"
    )
    assert said.code == 0 and re.match(r"units 3, trips \d+, readings \d+", said.out)
    made = fleet(tmp_path / "fleet", tmp_path / "a" / "exports", buckets=1)
    read = run("--config", made.config, "ingest")
    readings = re.search(r"readings (\d+)", said.out).group(1)
    assert read.code == 0 and made.lake.read("readings").height == int(readings) > 0


@pytest.mark.parametrize(
    ("words", "entry"),
    [
        (["--start", "2026-02-03"], "--start: 2026-02-03 is a Tuesday"),
        (["--start", "2026-2-30"], "--start: '2026-2-30' is no date"),
        (["--seed", "-1"], "--seed"),
        (["--weeks", "0"], "--weeks"),
    ],
)
def test_impossible_fleet_is_2(run: Run, tmp_path: Path, words: list[str], entry: str) -> None:
    said = run("simulate", "--out", tmp_path / "a", *words)
    assert said.code == 2 and entry in said.err and not (tmp_path / "a").exists()


def test_simulation_that_cannot_be_written_is_1(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    said = run("simulate", "--out", tmp_path / "file" / "in", "--units", 1, "--weeks", 1)
    assert said.code == 1 and f"lightoff: {tmp_path / 'file' / 'in'}: cannot be written" in said.err


# -- where it is printed --------------------------------------------------------------------------------------


def test_pipe_gets_plain_text_of_any_width(job: Job) -> None:
    """A process of its own: no control characters, no line cut at the width of a terminal."""
    path = Path(job.settings.exports[0]) / "readings.csv"
    path.write_text(READINGS + "V1,yesterday,800,90\n", encoding="utf-8")

    def lightoff(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "pipeline.cli", "--config", str(job.config), *words],
            env=os.environ | {"PYTHONPATH": str(PROJECT), "COLUMNS": "40", "TERM": "xterm-256color"},
            capture_output=True,
            text=True,
            check=False,
        )

    done = lightoff("weekly")
    assert done.returncode == 3 and done.stderr == ""
    assert not CONTROL.search(done.stdout)
    assert done.stdout.splitlines()[0].startswith(f"{path}: readings, 3 rows in, 2 kept, 1 quarantined")
    bad = lightoff("rank", "--week", "2026-04-07")
    assert (
        bad.returncode == 2
        and bad.stdout == ""
        and bad.stderr.startswith("lightoff: --week: 2026-04-07 is a Tuesday")
    )
    assert "Traceback" not in bad.stderr


def test_terminal_gets_a_table_of_a_dozen_files_and_bars() -> None:
    screen = StringIO()
    console = Console(file=screen, force_terminal=True, width=120, markup=False, emoji=False, highlight=False)
    line = {"status": "read", "kind": "codes", "rows_in": 1, "kept": 1, "quarantined": 0, "duplicates": 0}
    summary = IngestSummary.of([line | {"file": f"in/[red]{number:02}.csv"} for number in range(14)])
    assert say_ingested(console, summary) is False
    shown = re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", screen.getvalue())
    assert "[red]11.csv" in shown and "[red]12.csv" not in shown and "... and 2 more files" in shown
    with watching(console) as watch:
        watch.reading(IngestProgress("reading", "in/a.csv", 5_000, 1, 2))
        watch.deriving(1, 2, 10)
        watch.judging(WEEK, 1, 2)
    assert (
        "\x1b[" in screen.getvalue()
        and "5,000 rows" in screen.getvalue()
        and f"list of {WEEK}" in screen.getvalue()
    )


@pytest.mark.parametrize(("width", "names"), [(120, False), (240, True)])
def test_terminal_shows_signals_and_notes(width: int, names: bool) -> None:
    console = Console(width=width, force_terminal=True, color_system=None, record=True, markup=False)
    line = {"status": "read", "kind": "readings", "rows_in": 2, "kept": 2, "quarantined": 0, "duplicates": 0}
    line |= {"file": "a.csv", "signals": "rpm coolant_degc", "dropped": "lat", "notes": "the clock steps back once"}
    say_ingested(console, IngestSummary.of([line], [("V1", "v1")], ["v1"]))
    shown = console.export_text()
    assert ("2 rpm coolant_degc" in " ".join(shown.split())) is names
    assert "not kept: lat" in " ".join(shown.split()) and "steps" in shown
    assert "look alike, kept apart: 'V1', 'v1'; write one vehicle one way" in shown
    assert "unknown to the register, kept: 1 vehicle: 'v1'" in shown


def test_nothing_moves_where_nobody_watches() -> None:
    stream = StringIO()
    with watching(Console(file=stream)) as watch:
        assert (watch.reading, watch.deriving, watch.judging) == (None, None, None)
    assert stream.getvalue() == ""


@pytest.mark.parametrize(
    ("rows", "said"),
    [(1, "1 row on 1 vehicle; 1 component judged, 0 held back, 2 not judged, 1 vehicle out of scope"),
     (2, "2 rows on 2 vehicles; 2 components judged, 0 held back, 2 not judged, 2 vehicles out of scope")],
)
def test_one_row_on_one_vehicle_is_told_as_one(rows: int, said: str, capsys: pytest.CaptureFixture) -> None:
    week = date(2026, 3, 30)
    none = SimpleNamespace(first_rows=lambda shown: [], paths={"list.csv": "l", "page.html": "p"})
    result = SimpleNamespace(
        week_start=week, ranked=SimpleNamespace(listed=rows, vehicles=rows), outputs=none, cards=None,
        assessed=AssessSummary(week, judged=rows, held=0, not_judged=2, out_of_scope=rows),
    )
    say_list(Console(width=200), result, 10)
    assert f"list of 2026-03-30: {said}" in capsys.readouterr().out
