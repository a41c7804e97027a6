"""Prefect flows around the same jobs that the command line runs; the only module that imports prefect."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from datetime import UTC, date, datetime
from functools import partial
from pathlib import Path

import polars as pl

import pipeline.quiet  # noqa: F401  read by prefect when it is imported
from prefect import deploy, flow, get_run_logger, serve, task
from prefect.artifacts import create_link_artifact, create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.client.orchestration import get_client
from prefect.context import FlowRunContext
from prefect.deployments.runner import EntrypointType, RunnerDeployment
from prefect.futures import PrefectFuture
from prefect.schedules import Cron
from prefect.settings import PREFECT_API_URL, temporary_settings
from prefect.task_runners import TaskRunner, ThreadPoolTaskRunner
from prefect.utilities.annotations import quote

from pipeline import alarms, artifacts, jobs
from pipeline.assess import ISSUED, AssessSummary
from pipeline.console import thinned_line
from pipeline.datawatch import Notice, data_watch, feed_ended, watch_lines
from pipeline.derive import DeriveSummary, Made, ShardWork, derive, in_order, keep_shard, measure
from pipeline.errors import ConfigError, ShardsError, can_pass
from pipeline.exports.vins import KEY_NAME
from pipeline.ingest import IngestSummary
from pipeline.jobs import WeekResult
from pipeline.lake import Lake, Tidied
from pipeline.report.cardfiles import kept_lines
from pipeline.retrain import Verdict
from pipeline.runs import Run, recorded
from pipeline.settings import Settings, read_settings
from pipeline.shards import Shard
from pipeline.spread import (
    Awaited, check_cluster, local_options, local_workers, one_at_a_time, sendable, shards_on_their_way,
)
from pipeline.thinning import ThinSummary
from pipeline.unchanged import judged

_PAUSES_S = [30, 120]  # longer each time: a store that is slow to come back is not helped by haste
# A lake is held by a run for minutes to hours; after an hour of waiting a person should know.
_LOCK_PAUSES_S = [30, 60, 120, 240, 480, 960, 1800]


def _can_pass(task: object, run: object, state: object) -> bool:
    """Whether an error may be gone the next time: a store or a file system may, a wrong setting or file may not."""
    return can_pass(state.result(raise_on_failure=False))


def _tried_again(name: str, pauses: list[int] | None = None, **more: str) -> dict[str, object]:
    """What every task has in common; nothing of its parameters or results is stored."""
    pauses = pauses or _PAUSES_S
    return {
        "name": name, "retries": len(pauses), "retry_delay_seconds": pauses, "retry_condition_fn": _can_pass,
        "cache_policy": NO_CACHE, "persist_result": False, **more,
    }


@task(**_tried_again("ingest"))
def ingest_task(settings: Settings, paths: list[Path]) -> IngestSummary:
    """Read the exports."""
    # Read here and not handed to the task: parameters of tasks are stored.
    key = os.environ.get(KEY_NAME)
    return jobs.ingest_paths(settings, Lake(settings.lake), paths, datetime.now(UTC), vin_key=key)


@task(**_tried_again("hold the lake", _LOCK_PAUSES_S))
def hold_task(stack: ExitStack, lake: Lake, purpose: str, since: str) -> None:
    """Hold the lake until ``stack`` ends, waiting for another run to end."""
    stack.enter_context(lake.lock(purpose, since))


class Parcel:
    """A shard's work, closed: prefect and dask look into tuples and dataclasses that they are handed and rebuild them."""

    def __init__(self, work: ShardWork) -> None:
        self.work = work

    def __str__(self) -> str:
        return str(self.work)


@task(**_tried_again("measure", task_run_name="measure {parcel}"))
def shard_task(parcel: Parcel) -> Made:
    """Measure one shard, in a thread of this process or on a worker of a cluster."""
    work = parcel.work
    return one_at_a_time(work) if work.settings.dask else measure(work)


@task(**_tried_again("keep", task_run_name="keep {shard}"))
def keep_task(lake: Lake, shard: Shard, made: Made) -> None:
    """Write what a shard made, whole or not at all."""
    keep_shard(lake, shard, made)


@flow(name="lightoff-derive", persist_result=False)
def derive_flow(config: str | None = None) -> DeriveSummary:
    """Derive what changed, two tasks a shard; runs inside another flow, which holds the lake."""
    settings = _settings(config)
    return derive(settings, Lake(settings.lake), measured=_by_tasks, keep=_keep_by_task)


def _by_tasks(work: Sequence[ShardWork]) -> Iterator[Made | Exception]:
    if not work:
        return iter(())
    runner, settings = FlowRunContext.get().task_runner, work[0].settings
    most = shards_on_their_way(runner.client, settings.dask) if settings.dask else settings.threads
    return in_order(work, lambda each: _Begun(shard_task.submit(Parcel(sendable(each))), runner, settings.dask), most)


class _Begun:
    """A shard's task at work."""

    def __init__(self, future: PrefectFuture, runner: TaskRunner, where: str) -> None:
        self._future, self._runner, self._where = future, runner, where

    def result(self) -> Made:
        """What the shard made. Raises what its last try raised, or ClusterError."""
        if self._where:
            Awaited(self._runner.client, self._future.wrapped_future, self._where).result()
        return self._future.result()


def _keep_by_task(lake: Lake, shard: Shard, made: Made) -> None:
    keep_task(lake, shard, quote(made))


def _derived(settings: Settings, config: str | None) -> DeriveSummary:
    with _reachable_server(settings):
        return derive_flow.with_options(task_runner=_runner(settings))(config)


@contextmanager
def _reachable_server(settings: Settings) -> Iterator[None]:
    """Workers of a cluster note their tasks on the server of this flow; without its address each would start its own.

    Raises:
        ConfigError: the flow has a server of its own, which workers on other machines cannot reach.
    """
    if not settings.dask:
        yield
        return
    if PREFECT_API_URL.value() is None and local_workers(settings.dask, settings) is None:
        raise ConfigError(
            "a flow whose shards go to workers elsewhere needs a prefect server that they reach: set PREFECT_API_URL"
        )
    with get_client(sync_client=True) as client, temporary_settings({PREFECT_API_URL: str(client.api_url)}):
        yield


def _runner(settings: Settings) -> TaskRunner:
    """Where the shards' tasks run: threads of this process, or the Dask cluster of the settings.

    Raises:
        ConfigError: the packages for a cluster are not installed.
    """
    if not settings.dask:
        return ThreadPoolTaskRunner(max_workers=settings.threads)
    check_cluster(settings.dask)
    try:
        from prefect_dask import DaskTaskRunner
    except ModuleNotFoundError as error:
        raise ConfigError("flows on a Dask cluster need prefect-dask: pip install 'lightoff[dask]'") from error
    workers = local_workers(settings.dask, settings)
    if workers is None:
        return DaskTaskRunner(address=settings.dask)
    return DaskTaskRunner(cluster_kwargs=local_options(workers))


@task(**_tried_again("list"))
def list_task(settings: Settings) -> WeekResult:
    """Judge, rank and write the newest list."""
    lake = Lake(settings.lake)
    week_start = jobs.newest_week(settings, lake, datetime.now(UTC))
    return jobs.make_list(settings, lake, week_start, Path(settings.out) / week_start.isoformat())


@task(**_tried_again("judge"))
def judge_task(settings: Settings) -> AssessSummary:
    """Judge what is known for the list to come."""
    lake = Lake(settings.lake)
    return judged(settings, lake, jobs.newest_week(settings, lake, datetime.now(UTC)))


@task(**_tried_again("data watch"))
def watch_task(settings: Settings, week_start: date) -> list[Notice]:
    """See what changed in the data."""
    lake = Lake(settings.lake)
    return feed_ended(settings, lake, datetime.now(UTC)) + data_watch(settings, lake, week_start, tonight=True)


@task(**_tried_again("train"))
def train_task(settings: Settings) -> Verdict:
    """Train a challenger and hold it against what ranks now."""
    lake = Lake(settings.lake)
    return jobs.retrain(settings, lake, jobs.newest_week(settings, lake, datetime.now(UTC)))


@task(**_tried_again("housekeep"))
def housekeep_task(settings: Settings) -> tuple[list[Tidied], ThinSummary]:
    """Thin old readings and tidy every table."""
    return jobs.housekeep(settings, Lake(settings.lake), datetime.now(UTC))


@flow(name="lightoff-nightly")
def nightly_flow(config: str | None = None) -> None:
    """Ingest, derive and judge, as ``lightoff nightly`` does."""
    settings = _settings(config)
    with _recorded(settings, "nightly") as run:
        derived = _brought_in(settings, config, run)
        judged = judge_task(settings)
        _show("coverage", artifacts.coverage_changes(_scores(settings), judged.week_start))
        _show("judged", f"List of {judged.week_start}: {judged.judged} parts judged, {judged.held} held back, "
              f"{judged.not_judged} not judged, {judged.out_of_scope} out of scope.")
        _log([judged.passed_over] if judged.passed_over else [])
        notices = watch_task(settings, judged.week_start)
        _log(watch_lines(notices))
        alarms.stopped(settings, run, notices)
        if isinstance(derived, ShardsError):
            raise derived


@flow(name="lightoff-weekly")
def weekly_flow(config: str | None = None) -> str:
    """Ingest, derive, judge, rank and write, as ``lightoff weekly`` does; the path of the list."""
    settings = _settings(config)
    with _recorded(settings, "weekly") as run:
        derived = _brought_in(settings, config, run)
        result = list_task(settings)
        jobs.note_list(run, result)
        # Before anything is shown: a server that does not answer must not keep a stop from a person.
        notices = [*feed_ended(settings, Lake(settings.lake), datetime.now(UTC)), *result.notices]
        _log(watch_lines(notices))
        alarms.stopped(settings, run, notices)
        _show("coverage", artifacts.coverage_changes(_scores(settings), result.week_start))
        _show("list", artifacts.list_head(result))
        _show("backtest", jobs.track_record(settings, Lake(settings.lake), result.week_start))
        for name, link in artifacts.links(result, Path(settings.out), settings.out_url).items():
            create_link_artifact(link, link_text=f"{name} of {result.week_start}", key=f"lightoff-{name}")
        _log([result.assessed.passed_over] if result.assessed.passed_over else [])
        _log(kept_lines(result.cards) if result.cards is not None else [])
        if isinstance(derived, ShardsError):
            raise derived
    return str(result.outputs.paths["list.csv"])


@flow(name="lightoff-training")
def training_flow(config: str | None = None) -> None:
    """Train a challenger, as ``lightoff train`` does."""
    settings = _settings(config)
    with _recorded(settings, "train"):
        _show("training", artifacts.verdict(train_task(settings)))


@flow(name="lightoff-housekeep")
def housekeep_flow(config: str | None = None) -> None:
    """Tidy the lake, as ``lightoff housekeep`` does."""
    settings = _settings(config)
    with _recorded(settings, "housekeep") as run:
        tidied, thinned = housekeep_task(settings)
        jobs.note_thinned(run, thinned)
        head = [f"- {thinned_line(thinned)}"] if thinned.partitions else []
        _show("housekeep", "\n".join(head + [
            f"- {each.table}: {each.files_before} to {each.files_after} files, {each.removed} removed" for each in tidied]))


def serve_flows(settings: Settings, config: Path | None) -> None:
    """Serve all flows by the clock of the settings until the process is stopped; one run of each at a time.

    Raises:
        ConfigError: a cron line means nothing.
    """
    serve(*_deployments(settings, config), limit=1)


def deploy_flows(settings: Settings, config: Path | None, pool: str) -> list[str]:
    """Hand all flows with their clocks to a work pool of a prefect server; names of the deployments.

    A worker of the pool starts them with the lightoff of its own environment, so nothing of the code is sent.

    Raises:
        ConfigError: no such pool, or a cron line means nothing.
    """
    made = _deployments(settings, config, EntrypointType.MODULE_PATH)
    try:
        deploy(*made, work_pool_name=pool, build=False, push=False, print_next_steps_message=False, ignore_warnings=True)
    except ValueError as error:
        raise ConfigError(f"the flows cannot be handed to a work pool: {error}") from error
    return [f"{each.flow_name}/{each.name}" for each in made]


def _deployments(
    settings: Settings, config: Path | None, by: EntrypointType = EntrypointType.FILE_PATH
) -> list[RunnerDeployment]:
    flows = {"nightly": nightly_flow, "weekly": weekly_flow, "training": training_flow, "housekeep": housekeep_flow}
    parameters = {"config": str(config.resolve()) if config else None}
    try:
        return [
            flows[name].to_deployment(
                f"lightoff-{name}", schedule=Cron(cron, timezone=settings.time_zone), parameters=parameters,
                concurrency_limit=1, description=words, entrypoint_type=by,
            )
            for name, cron, words in jobs.schedules(settings)
        ]
    except ValueError as error:
        raise ConfigError(f"a cron line of the settings means nothing: {error}") from error


def _held(lake: Lake, purpose: str, since: str) -> AbstractContextManager[None]:
    """The lake, held; a run that holds it now is waited for."""
    stack = ExitStack()
    hold_task(stack, lake, purpose, since)
    return stack


def _brought_in(settings: Settings, config: str | None, run: Run) -> DeriveSummary | ShardsError:
    """Ingest, told as soon as it ends, and derive."""
    read = ingest_task(settings, [])
    jobs.note_read(run, read)
    _show("exports", artifacts.balance(read))
    return jobs.most_of(Lake(settings.lake), lambda: _derived(settings, config))


@contextmanager
def _recorded(settings: Settings, command: str) -> Iterator[Run]:
    alarm = partial(alarms.failed, settings)
    with recorded(settings, Lake(settings.lake), f"{command} flow", lambda: datetime.now(UTC), alarm, _held) as run:
        yield run


def _scores(settings: Settings) -> pl.DataFrame:
    return Lake(settings.lake).read("scores", where=pl.col("series") == ISSUED)


def _show(key: str, markdown: str) -> None:
    """Something to read in the run's page on a prefect server."""
    create_markdown_artifact(markdown, key=f"lightoff-{key}")


def _log(lines: Sequence[str]) -> None:
    """What a person should know, into the record of the run."""
    for line in lines:
        get_run_logger().warning(line)


def _settings(config: str | None) -> Settings:
    return read_settings(Path(config) if config else None)
