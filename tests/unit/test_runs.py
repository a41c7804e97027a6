"""Run records, alerts, housekeeping, and a list made again from the tables as they were."""

from __future__ import annotations

import json
import shutil
import sys
import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import polars as pl
import pytest

from pipeline import jobs
from pipeline.alerts import alert_text, send
from pipeline.errors import ConfigError, LakeError
from pipeline.jobs import schedules
from pipeline.lake import Lake
from pipeline.runs import FAILED, LOOK, Run, past_runs, recorded, run_lines, settings_hash, then
from pipeline.settings import Settings
from tests.browser.report_lake import fill
from tests.golden.sample import NOW, Job, small_job

START = datetime(2026, 3, 20, 2, 30, tzinfo=UTC)


def clock() -> datetime:
    return START


@pytest.fixture
def lake(tmp_path: Path) -> Lake:
    return fill(tmp_path / "lake")


@pytest.fixture
def job(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> Job:
    """A copy of the small fleet's lake: others use it, too."""
    shared = small_job(tmp_path_factory.getbasetemp())
    shutil.copytree(shared.lake.root, tmp_path / "lake")
    settings = shared.settings.model_copy(update={"lake": str(tmp_path / "lake")})
    return replace(shared, settings=settings, lake=Lake(settings.lake))


def test_a_run_notes_who_when_with_what_and_what_it_left(lake: Lake) -> None:
    with recorded(Settings(), lake, "nightly", clock) as run:
        run.counts["kept"] = 7
        run.look = True
    row = past_runs(lake, 1).row(0, named=True)
    assert (row["command"], row["outcome"], row["started_at"]) == ("nightly", LOOK, START)
    assert json.loads(row["counts"]) == {"kept": 7}
    assert json.loads(row["tables"])["ranked"] == lake.version("ranked") and "runs" not in json.loads(row["tables"])
    assert row["peak_mb"] > 1 and row["error"] is None and json.loads(row["programs"])["polars"] == pl.__version__
    assert "nightly  look" in run_lines(past_runs(lake, 5))[0]


def test_a_run_that_fails_is_noted_rolled_back_and_raises_the_alarm(lake: Lake) -> None:
    heard: list[tuple[Run, Exception]] = []
    before = lake.read("work_orders")
    with (
        pytest.raises(ConfigError, match="limit is wrong"),
        recorded(Settings(), lake, "nightly", clock, lambda run, error: heard.append((run, error))),
        lake.transaction("work_orders"),
    ):
        lake.overwrite("work_orders", before.clear())
        raise ConfigError("the limit is wrong")
    row = past_runs(lake, 1).row(0, named=True)
    assert (row["outcome"], row["error"]) == (FAILED, "the limit is wrong")
    assert lake.read("work_orders").equals(before)
    assert [(run.command, str(error)) for run, error in heard] == [("nightly", "the limit is wrong")]


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"time_zone": "America/Los_Angeles"}, "time_zone is 'UTC' in the lake and 'America/Los_Angeles' in the settings"),
        ({"buckets": 8}, "buckets is 16 in the lake and 8 in the settings"),
    ],
)
def test_a_run_with_another_zone_or_other_buckets_than_the_lake_has_does_nothing(
    tmp_path: Path, changed: dict[str, object], told: str
) -> None:
    lake, heard, done = Lake(str(tmp_path / "lake")), [], []
    lake.settle("UTC", 16)
    with (
        pytest.raises(ConfigError, match=told),
        recorded(Settings(**changed), lake, "housekeep", clock, lambda run, error: heard.append(str(error))),
    ):
        done.append("body")
    assert done == [] and len(heard) == 1 and told in heard[0]
    row = past_runs(lake, 1).row(0, named=True)
    assert row["outcome"] == FAILED and told in row["error"]
    with recorded(Settings(), lake, "housekeep", clock):
        done.append("body")
    assert done == ["body"]


def test_a_run_on_a_lake_that_does_not_say_what_it_was_begun_with_goes_on(lake: Lake) -> None:
    """Made by a version that did not note it, or nothing has been read yet; only ingest notes it."""
    (lake.root / "_lake.json").unlink(missing_ok=True)
    with recorded(Settings(time_zone="Asia/Tokyo", buckets=8), lake, "derive", clock):
        pass
    assert past_runs(lake, 1)["outcome"].to_list() == ["done"] and not (lake.root / "_lake.json").exists()


def test_a_lake_that_is_held_raises_the_alarm_and_notes_nothing(lake: Lake, monkeypatch: pytest.MonkeyPatch) -> None:
    heard: list[str] = []
    with (
        lake.lock("weekly", "since then"),
        pytest.raises(LakeError, match="held by 'weekly'"),
        recorded(Settings(), Lake(str(lake.root)), "nightly", clock, lambda run, error: heard.append(str(error))),
    ):
        pytest.fail("two runs at once")
    assert len(heard) == 1 and past_runs(lake, 1).is_empty()


def test_an_alert_reaches_a_program_and_an_address_on_this_machine(tmp_path: Path) -> None:
    got: list[dict] = []

    class Receiver(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Quiet."""

    server = HTTPServer(("127.0.0.1", 0), Receiver)
    threading.Thread(target=server.handle_request, daemon=True).start()
    kept = tmp_path / "alert.json"
    program = [sys.executable, "-c", f"import sys; open({str(kept)!r}, 'w').write(sys.stdin.read())"]
    settings = Settings(alert_command=program, alert_webhook=f"http://127.0.0.1:{server.server_port}/night")
    text = alert_text(settings, "nightly", START, LakeError("the disk is full"))
    assert send(settings, text) == []
    server.server_close()
    assert got == [text] and json.loads(kept.read_text()) == text
    assert text["error"] == "the disk is full" and "run the same command again" in text["what_to_do"]
    assert "fault of the program" in alert_text(settings, "nightly", START, KeyError("x"))["what_to_do"]


def test_a_receiver_that_is_not_there_is_said_and_hides_nothing() -> None:
    settings = Settings(alert_command=["/no/such/program"], alert_webhook="http://127.0.0.1:9/secret-token")
    problems = send(settings, alert_text(settings, "nightly", START, LakeError("x")))
    assert len(problems) == 2 and "could not be run" in problems[0] and "could not be reached" in problems[1]
    assert "secret-token" not in problems[1]
    bad = Settings(alert_command=[sys.executable, "-c", "import sys; sys.exit('no pager')"])
    assert send(bad, {}) == ["alert_command ended with 1: no pager"]


def test_a_receiver_that_answers_in_another_encoding_has_taken_the_alert() -> None:
    said = "import sys; sys.stdin.read(); sys.stdout.buffer.write(b'zugestellt f\\xfcr heute'); sys.stdout.flush(); sys.exit({})"
    assert send(Settings(alert_command=[sys.executable, "-c", said.format(0)]), {}) == []
    problem = "import sys; sys.stderr.buffer.write(b'Empf\\xe4nger fehlt'); sys.exit(4)"
    assert send(Settings(alert_command=[sys.executable, "-c", problem]), {}) == [
        "alert_command ended with 4: Empf\ufffdnger fehlt"
    ]


@pytest.mark.parametrize("command", [["notify\0me"], ["notify-me", "a\0b"]])
def test_a_command_that_no_system_can_run_is_said(command: list[str]) -> None:
    [problem] = send(Settings.model_construct(alert_command=command, alert_webhook=""), {})
    assert problem.startswith("alert_command could not be run: ")


@pytest.mark.parametrize("answer", [b"SSH-2.0-server\r\n", b""])
def test_a_receiver_that_does_not_speak_the_protocol_is_said(answer: bytes) -> None:
    """RFC 9112, section 4: an answer begins with ``HTTP/``; another service on that port begins otherwise, or hangs up."""
    import socket

    server = socket.create_server(("127.0.0.1", 0))

    def talk() -> None:
        line, _ = server.accept()
        with line:
            line.recv(65536)
            line.sendall(answer)

    threading.Thread(target=talk, daemon=True).start()
    [problem] = send(Settings(alert_webhook=f"http://127.0.0.1:{server.getsockname()[1]}/secret-token"), {})
    server.close()
    assert problem.startswith("alert_webhook at 127.0.0.1") and "secret-token" not in problem


@pytest.mark.parametrize("address", ["http://127.0.0.1:port/secret-token", "http://127.0.0.1/secret token", "no address"])
def test_an_address_that_is_none_is_said_without_what_it_may_hide(address: str) -> None:
    [problem] = send(Settings.model_construct(alert_command=[], alert_webhook=address), {})
    assert problem.startswith("alert_webhook") and "secret" not in problem


@pytest.mark.slow
def test_a_list_is_made_again_byte_for_byte_after_the_lake_went_on(job: Job, tmp_path: Path) -> None:
    week = jobs.newest_week(job.settings, job.lake, NOW)
    with recorded(job.settings, job.lake, "rank", clock) as run:
        made = jobs.make_list(job.settings, job.lake, week, tmp_path / "then")
        run.week_start, run.files = week, made.outputs.paths
    # The next week is judged, the tables are tidied, and a finding changes the work orders.
    jobs.make_list(job.settings, job.lake, week - timedelta(weeks=1), tmp_path / "other")
    job.lake.overwrite("work_orders", job.lake.read("work_orders").head(1))
    tidied = jobs.housekeep(job.settings, job.lake, NOW)[0]
    assert {each.table for each in tidied} > {"readings", "ranked", "runs"}
    moment = then(job.settings, job.lake, run.run_id[:8])
    again = jobs.list_again(job.settings, moment, tmp_path / "again")
    assert again == moment.files and len(again) == 6
    assert (tmp_path / "again" / "list.csv").read_bytes() == (tmp_path / "then" / "list.csv").read_bytes()
    with pytest.raises(LakeError, match="nothing can be written to the past"):
        moment.lake.overwrite("work_orders", job.lake.read("work_orders"))


def test_only_a_run_that_made_a_list_can_be_made_again(lake: Lake) -> None:
    with pytest.raises(ConfigError, match="no run begins with"):
        then(Settings(), lake, "2026")
    with recorded(Settings(), lake, "derive", clock):
        pass
    with pytest.raises(ConfigError, match="made no list"):
        then(Settings(), lake, "2026")


def test_tidying_joins_files_and_changes_no_row(lake: Lake) -> None:
    for number in range(4):
        with recorded(Settings(), lake, "derive", lambda number=number: START + timedelta(hours=number)):
            pass
    before = lake.read("runs")
    tidied = lake.tidy("runs", keep_days=90)
    assert (tidied.files_before, tidied.files_after, tidied.removed) == (4, 1, 0)
    assert lake.read("runs").equals(before)
    assert lake.at({"runs": 1}).read("runs").height == 2


def test_other_settings_or_facts_have_another_hash(tmp_path: Path) -> None:
    own = tmp_path / "facts"
    own.mkdir()
    (own / "costs.toml").write_text("currency = 'X'")
    made = [Settings(), Settings(bays_per_depot=3), Settings(config_dir=str(own))]
    assert len({settings_hash(each) for each in made}) == 3 and settings_hash(Settings()) == settings_hash(made[0])
    (own / "costs.toml").write_text("currency = 'Y'")
    assert settings_hash(made[2]) != settings_hash(Settings())


def test_clocks_are_checked_and_said() -> None:
    assert [name for name, _, _ in schedules(Settings())] == ["nightly", "weekly", "training", "housekeep"]
    assert {name: cron.split()[2:] for name, cron, _ in schedules(Settings())}["housekeep"] == ["*", "*", "0"]  # every Sunday
    for line in ("2:30", "0 5 * *", "0 5 * * 1 2026", "a;b c d e f"):
        with pytest.raises(ValueError, match="no cron line"):
            Settings(nightly_cron=line)
