"""Tasks of a flow by shard, the lock it waits for, and what it shows."""

from __future__ import annotations

import shutil
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from pipeline import alarms, jobs
from pipeline.datawatch import Notice
from pipeline.derive import Made, ShardWork, derive
from pipeline.errors import ConfigError, LakeError, ShardsError
from pipeline.lake import Lake
from pipeline.runs import past_runs
from tests.flows.test_flows import quiet_server  # noqa: F401  a fixture
from tests.golden.sample import Job, fleet, small_exports
from tests.unit.test_derive_shards import check_same, ingested, tables

pytestmark = [pytest.mark.slow, pytest.mark.usefixtures("quiet_server")]


@pytest.fixture
def no_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline import flows

    for each in (flows.shard_task, flows.keep_task):
        monkeypatch.setattr(each, "retry_delay_seconds", [0] * each.retries)


@pytest.fixture
def job(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Job:
    """Nine shards of readings, not derived."""
    ingested(tmp_path, tmp_path_factory.getbasetemp())
    return fleet(tmp_path, small_exports(tmp_path_factory.getbasetemp()), buckets=2, shard_readings=10_000)


def plain(job: Job, folder: Path) -> dict:
    """Tables of a plain run on a copy of the lake."""
    lake = Lake(str(shutil.copytree(job.lake.root, folder / "plain")))
    derive(job.settings, lake)
    return tables(lake)


def failing(monkeypatch: pytest.MonkeyPatch, error: Exception, times: int) -> list[str]:
    """One shard fails so many times; the tries it had."""
    from pipeline import flows

    measured, tried, bad = flows.measure, [], []

    def fails(work: ShardWork) -> Made:
        if not bad and 1 in work.shard.buckets:
            bad.append(str(work))
        if str(work) in bad:
            tried.append(str(work))
            if len(tried) <= times:
                raise error
        return measured(work)

    monkeypatch.setattr(flows, "measure", fails)
    return tried


def test_a_shard_that_fails_for_a_while_is_tried_again(
    job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, no_pauses: None
) -> None:
    from pipeline.flows import derive_flow

    wanted = plain(job, tmp_path)
    tried = failing(monkeypatch, LakeError("the store is slow"), times=2)
    assert derive_flow(str(job.config)).derived == wanted["shards"].height
    assert len(tried) == 3
    check_same(job.lake, wanted)


def test_a_shard_that_goes_on_failing_is_named_and_the_others_are_kept(
    job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, no_pauses: None
) -> None:
    from pipeline.flows import derive_flow

    wanted = plain(job, tmp_path)
    tried = failing(monkeypatch, OSError(5, "the disk does not answer"), times=99)
    with pytest.raises(ShardsError, match="1 of 9 shards .*the disk does not answer") as failed:
        derive_flow(str(job.config))
    assert len(tried) == 3 and list(failed.value.failed) == tried[:1]
    assert 0 < job.lake.read("shards").height < wanted["shards"].height
    monkeypatch.undo()
    derive_flow(str(job.config))
    check_same(job.lake, wanted)


def test_a_wrong_setting_is_tried_once(job: Job, monkeypatch: pytest.MonkeyPatch, no_pauses: None) -> None:
    from pipeline.flows import derive_flow

    tried = failing(monkeypatch, ConfigError("a limit is missing"), times=99)
    with pytest.raises(ConfigError, match="a limit is missing"):
        derive_flow(str(job.config))
    assert len(tried) == 1


def test_a_write_that_fails_once_is_tried_again_and_nothing_is_halved(
    job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, no_pauses: None
) -> None:
    from pipeline.flows import derive_flow

    wanted, place, hit = plain(job, tmp_path), Lake.replace, []

    def one_fails(self: Lake, name: str, *rest: object) -> None:
        place(self, name, *rest)
        hit.append(name)
        if len(hit) == 4:
            raise LakeError("the line was cut")

    monkeypatch.setattr(Lake, "replace", one_fails)
    assert derive_flow(str(job.config)).derived == wanted["shards"].height
    assert len(hit) == 3 * 9 + 1  # the shard that was hit began anew with its first table
    check_same(job.lake, wanted)


def test_a_flow_waits_for_the_run_that_holds_the_lake(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline import flows

    # The pauses grow: what holds a lake for minutes is not asked every second.
    pauses = flows.hold_task.retry_delay_seconds
    assert pauses == sorted(set(pauses)) and len(pauses) == flows.hold_task.retries and 1800 < sum(pauses) < 7200
    monkeypatch.setattr(flows.hold_task, "retry_delay_seconds", [1, 2, 4, 8, 16, 32, 64])
    asked, lock = [], Lake.lock
    let_go = threading.Event()

    def seen(self: Lake, purpose: str, since: str) -> object:
        asked.append(purpose)
        if len(asked) == 3:
            let_go.set()
            first.join(30)
        return lock(self, purpose, since)

    def first_run() -> None:
        with lock(job.lake, "first run", "2026-03-01"):
            held.set()
            let_go.wait(120)

    held = threading.Event()
    first = threading.Thread(target=first_run)
    first.start()
    assert held.wait(30)
    monkeypatch.setattr(Lake, "lock", seen)
    begun = time.monotonic()
    flows.housekeep_flow(str(job.config))
    assert asked == ["housekeep flow"] * 3 and time.monotonic() - begun >= 1 + 2
    assert past_runs(job.lake, 5).select("command", "outcome").rows() == [("housekeep flow", "done")]


def test_a_lake_that_stays_held_ends_the_flow_with_one_alarm(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline import flows

    heard: list[str] = []
    monkeypatch.setattr(alarms, "send", lambda settings, text: heard.append(text["error"]) or [])
    monkeypatch.setattr(flows.hold_task, "retry_delay_seconds", [0] * flows.hold_task.retries)
    with job.lake.lock("first run", "2026-03-01"), pytest.raises(LakeError, match="is held by 'first run'"):
        flows.housekeep_flow(str(job.config))
    assert len(heard) == 1 and "is held by 'first run'" in heard[0] and "since 2026-03-01" in heard[0]
    with job.lake.lock("afterwards", "2026-03-02"):
        pass  # the flow holds nothing


def test_what_a_weekly_flow_shows(job: Job) -> None:
    from prefect.client.orchestration import get_client

    from pipeline.flows import weekly_flow

    made = Path(weekly_flow(str(job.config)))
    with get_client(sync_client=True) as client:
        newest = {each.key: each.data for each in sorted(client.read_artifacts(), key=lambda each: each.created)}
        names = [run.name for run in client.read_task_runs()]
    week = made.parent.name
    assert "rows_in" in newest["lightoff-exports"] and f"Parts of the list of {week}" in newest["lightoff-coverage"]
    assert str(made) in newest["lightoff-list"] and "days old yet" in newest["lightoff-backtest"]
    for name, file in (("page", "page.html"), ("csv", "list.csv"), ("workbook", "list.xlsx"), ("cards", "cards")):
        assert (made.parent / file).as_uri() in newest[f"lightoff-{name}"], name
    assert any(name.startswith("measure bucket 1, 2026-") for name in names)
    assert any(name.startswith("keep bucket 0, 2026-") for name in names)


@pytest.mark.parametrize("word", ["nightly", "weekly"])
def test_a_stop_of_the_data_watch_reaches_a_person_from_a_flow(
    job: Job, monkeypatch: pytest.MonkeyPatch, word: str
) -> None:
    """README: `alert_command` gets a text when the data need a look; the flow itself ends well."""
    from pipeline import flows

    notices = [Notice("stop", "depot South is silent", "12 of 12"), Notice("warn", "few vehicles", "9")]
    for module in (flows, jobs):
        monkeypatch.setattr(module, "data_watch", lambda *_, **__: notices)
    monkeypatch.setattr(flows, "feed_ended", lambda *_: [])
    sent: list[dict[str, str]] = []
    monkeypatch.setattr(alarms, "send", lambda settings, text: sent.append(text) or [])
    getattr(flows, f"{word}_flow")(str(job.config))
    [text] = sent
    assert text["subject"].startswith(f"lightoff {word}") and text["subject"].endswith("the data need a look")
    assert text["error"] == "data watch, stop: depot South is silent: 12 of 12"
    assert past_runs(job.lake, 1).select("command", "outcome").rows() == [(f"{word} flow", "look")]


def test_shards_of_a_flow_go_over_a_cluster_and_one_worker_is_killed(
    job: Job, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for needed in ("distributed", "prefect_dask"):
        pytest.importorskip(needed, reason="needs a Dask cluster on this machine: install the extra `dask`")
    from pipeline import flows
    from tests.faults.dasks import cluster

    wanted, kept, keep = plain(job, tmp_path), [], flows.keep_shard
    with cluster(2) as made:
        config = tmp_path / "spread.toml"
        config.write_text(job.config.read_text() + f'dask = "{made.address}"\n')

        def kills_once(*given: object) -> None:
            keep(*given)
            kept.append(given)
            if len(kept) == 2:
                made.kill_one_at_work()

        monkeypatch.setattr(flows, "keep_shard", kills_once)
        summary = flows.derive_flow.with_options(task_runner=flows._runner(flows._settings(str(config))))(str(config))
        assert len(made.killed) == 1 and made.killed[0] not in made.pids().values()
    assert summary.derived == wanted["shards"].height
    check_same(job.lake, wanted)


def test_a_cluster_elsewhere_needs_a_server_that_it_reaches(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="needs the extra `dask`")
    from prefect.settings import PREFECT_API_URL, temporary_settings

    from pipeline import flows

    settings = job.settings.model_copy(update={"dask": "tcp://127.0.0.1:9"})
    with temporary_settings(restore_defaults={PREFECT_API_URL}), ExitStack() as stack:
        with pytest.raises(ConfigError, match="set PREFECT_API_URL"):
            stack.enter_context(flows._reachable_server(settings))


def test_without_the_packages_a_flow_says_what_to_install(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    from pipeline import flows

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ConfigError, match=r"pip install 'lightoff\[dask\]'"):
        flows._runner(job.settings.model_copy(update={"dask": "local"}))
