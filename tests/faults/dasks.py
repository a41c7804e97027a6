"""A Dask cluster on this machine for tests, and a worker of it that dies while it measures."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from pipeline.spread import local_options


@dataclass
class Cluster:
    """Address of the scheduler, and the processes killed so far."""

    address: str
    client: object
    killed: list[int] = field(default_factory=list)

    def pids(self) -> dict[str, int]:
        """Process of each worker."""
        return self.client.run(os.getpid)

    def kill_one_at_work(self) -> None:
        """Kill a worker that has a shard in its hands."""
        busy = [worker for worker, keys in self.client.processing().items() if keys]
        pid = self.pids()[busy[0]]
        os.kill(pid, signal.SIGKILL)
        self.killed.append(pid)

    def killing_after(self, shards: int) -> Callable[[int, int, int], None]:
        """A progress that kills once, after so many shards."""
        calls = []

        def progress(done: int, total: int, readings: int) -> None:
            calls.append(done)
            if len(calls) == shards and done < total:
                self.kill_one_at_work()

        return progress


@contextmanager
def cluster(workers: int) -> Iterator[Cluster]:
    """A cluster that was there before: scheduler and workers are processes and threads of the test."""
    import distributed

    with (
        distributed.LocalCluster(**local_options(workers)) as made,
        distributed.Client(made, set_as_default=False) as client,
    ):
        yield Cluster(made.scheduler_address, client)
