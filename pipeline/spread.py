"""Shards over a Dask cluster. The only module that imports dask; it needs the extra ``dask``.

Workers measure, the process that asked for it writes: what a shard made comes back as frames of trips and daily
indicators, which grow with vehicles and days and not with readings, a few shards at a time. No folder is shared beside the
lake, so a lake in an object store needs nothing more, and a worker that dies leaves nothing behind that counts.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from contextlib import ExitStack
from functools import partial
from types import ModuleType

from pipeline.derive import Made, Measure, ShardWork, in_order, measure
from pipeline.errors import ClusterError, ConfigError
from pipeline.settings import CLUSTER, Settings

_CONNECT_S = 30  # from which on a scheduler that does not answer counts as gone
_LOOK_S = 30  # how often a run that waits asks whether there are workers left
_LOOKS = 4  # so often in a row none may be there: a worker that is started anew needs its time
_AHEAD = 2  # shards a worker: one at work and one on its way
_one_shard = threading.Lock()


def spread(where: str, settings: Settings) -> Measure | None:
    """How shards are measured on the cluster ``where``, for :func:`pipeline.derive.derive`; None where it is empty.

    Nothing is reached before there is a shard to measure.

    Args:
        where: ``tcp://HOST:PORT`` of a scheduler, ``local`` for one process a thread of the settings on this machine,
            ``local:N`` for N of them.

    Raises:
        ConfigError: no such address, or the packages are not installed.
    """
    if not where:
        return None
    check_cluster(where)
    return partial(_measured, where, settings)


def check_cluster(where: str) -> None:
    """Refuse what is no cluster, or what needs packages that are not there.

    Raises:
        ConfigError: so.
    """
    if not re.match(CLUSTER, where):
        raise ConfigError(f"{where!r} is no Dask cluster: write tcp://HOST:PORT of its scheduler, local, or local:4")
    _dask()


def local_workers(where: str, settings: Settings) -> int | None:
    """Processes of a cluster on this machine, None where ``where`` names a scheduler."""
    kind, _, number = where.partition(":")
    return None if kind != "local" else int(number or settings.threads)


def local_options(workers: int) -> dict[str, object]:
    """How a cluster on this machine is made: processes of one thread, reached on loopback alone, without a web page."""
    return {
        "n_workers": workers, "threads_per_worker": 1, "processes": True, "host": "127.0.0.1", "dashboard_address": None,
        "silence_logs": "CRITICAL",
    }


def one_at_a_time(work: ShardWork) -> Made:
    """A shard on a worker, which holds one at a time however many threads it was given."""
    with _one_shard:
        return measure(work)


def sendable(work: ShardWork) -> ShardWork:
    """Without settings that are nobody's business on the way: what is sent to workers is not encrypted."""
    bare = work.settings.model_copy(update={"alert_command": [], "alert_webhook": "", "exports": []})
    return ShardWork(bare, work.params, work.units, work.shard, work.program)


class Awaited:
    """A shard at work on the cluster."""

    def __init__(self, client: object, future: object, where: str) -> None:
        self._client, self._future, self._where = client, future, where

    def result(self) -> object:
        """What the worker hands back.

        Raises:
            ClusterError: the cluster is gone, has no workers any more, or loses every worker that tries this shard.
            LightoffError, OSError: what the worker raised.
        """
        distributed = _dask()
        empty = 0
        try:
            while True:
                with self._client.as_current():
                    try:
                        distributed.wait(self._future, timeout=_LOOK_S)
                        break
                    except distributed.TimeoutError:
                        empty = 0 if self._client.nthreads() else empty + 1
                if empty == _LOOKS:
                    raise ClusterError(
                        f"the Dask cluster {self._where} has had no worker for {_LOOKS * _LOOK_S} s; start some"
                    )
            return self._future.result()
        except distributed.KilledWorker as error:
            raise ClusterError(
                f"every worker that tried it died; give the workers more memory, or set `shard_readings` lower ({error})"
            ) from error
        except (CancelledError, distributed.CancelledError, distributed.comm.CommClosedError) as error:
            raise ClusterError(f"the Dask cluster {self._where} was lost: {error}") from error
        except ModuleNotFoundError as error:
            raise ConfigError(f"a worker of {self._where} lacks {error.name}; install lightoff on every worker") from error


def shards_on_their_way(client: object, where: str) -> int:
    """How many shards are given to the cluster at once: each worker has one at work and one on its way.

    Raises:
        ClusterError: no worker is there.
    """
    distributed = _dask()
    try:
        client.wait_for_workers(1, timeout=_CONNECT_S)
    except (OSError, distributed.TimeoutError) as error:
        raise ClusterError(f"the Dask cluster {where} has had no worker for {_CONNECT_S} s; start some") from error
    return _AHEAD * max(len(client.nthreads()), 1)


def reached(where: str, error: Exception) -> ClusterError:
    """The error of a cluster that does not answer."""
    return ClusterError(
        f"the Dask cluster {where} does not answer: {error}; check its address, and that scheduler and workers run"
    )


def _measured(where: str, settings: Settings, work: Sequence[ShardWork]) -> Iterator[Made | Exception]:
    if not work:
        return
    distributed = _dask()
    workers = local_workers(where, settings)
    with ExitStack() as stack:
        try:
            place = where
            if workers is not None:
                place = stack.enter_context(distributed.LocalCluster(**local_options(workers)))
            client = stack.enter_context(distributed.Client(place, timeout=_CONNECT_S, set_as_default=False))
        except (OSError, distributed.TimeoutError, ValueError, RuntimeError) as error:
            raise reached(where, error) from error

        def begin(each: ShardWork) -> Awaited:
            # Not pure: a shard of the same description may have other files the next time.
            return Awaited(client, client.submit(one_at_a_time, sendable(each), pure=False), where)

        yield from in_order(work, begin, shards_on_their_way(client, where))


def _dask() -> ModuleType:
    try:
        import distributed
    except ModuleNotFoundError as error:
        raise ConfigError(
            "a Dask cluster needs packages that are not installed: pip install 'lightoff[dask]', on the workers, too"
        ) from error
    return distributed
