"""Ingest runs in processes of their own, forked from one that has imported everything, and killed at a given instant.

Run as ``python -m tests.faults.zygote``. Each line of standard input is a JSON list ``[lake, exports, kill_after_s]``
(null: not killed); each line of output says how the run ended: ``killed``, ``code`` and ``seconds``.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
import traceback
from pathlib import Path

from pipeline import ingest as stage
from pipeline.exports import staging
from pipeline.settings import PROJECT
from tests.faults.lakes import ARRIVED, run
from pipeline.lake import Lake
from pipeline.settings import Settings


# No threads of the libraries' allocators and of the linear algebra: a fork copies only the thread that calls it.
QUIET = {
    "OPENBLAS_NUM_THREADS": "1",
    "_RJEM_MALLOC_CONF": "background_thread:false",
    "JE_ARROW_MALLOC_CONF": "background_thread:false",
}


class Zygote:
    """The process that forks the runs, seen from a test."""

    def __init__(self) -> None:
        environment = os.environ | QUIET | {"PYTHONPATH": str(PROJECT)}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.faults.zygote"],
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        #: Names of the threads of the process that forks besides the main one.
        self.threads: list[str] = self._answer()["threads"]

    def run(self, lake: Lake, exports: Path, kill_after_s: float | None = None) -> dict[str, float]:
        """One ingest; how it ended."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps([str(lake.root), str(exports), kill_after_s]) + "\n")
        self._process.stdin.flush()
        return self._answer()

    def close(self) -> None:
        """End it."""
        self._process.communicate(timeout=30)

    def _answer(self) -> dict:
        assert self._process.stdout is not None
        return json.loads(self._process.stdout.readline())


def _serve() -> None:
    # Small enough that a small export makes several groups, packages and spills. Only in this process.
    stage.GROUP_ROWS, stage.PACKAGE_ROWS, staging.SPILL_ROWS = 1500, 400, 300
    tasks = [task for task in Path("/proc/self/task").iterdir() if int(task.name) != os.getpid()]
    names = [(task / "comm").read_text(encoding="utf-8").strip() for task in tasks]
    print(json.dumps({"threads": names}), flush=True)
    for line in sys.stdin:
        lake, exports, kill_after_s = json.loads(line)
        began = time.monotonic()
        child = os.fork()
        if not child:
            os._exit(_ingested(lake, Path(exports)))
        ended = os.pidfd_open(child)
        killed = not select.select([ended], [], [], kill_after_s)[0]
        if killed:
            # Not waited for yet, so that the number still is the child's.
            os.kill(child, signal.SIGKILL)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        os.close(ended)
        told = {"killed": code == -signal.SIGKILL, "code": code, "seconds": time.monotonic() - began}
        print(json.dumps(told), flush=True)


def _ingested(lake: str, exports: Path) -> int:
    settings = Settings(lake=lake, buckets=2)
    try:
        run(settings, Lake(lake), exports, at=ARRIVED)
    except BaseException:  # a forked child must not run on into its parent's loop
        traceback.print_exc()
        return 1
    return 0


if __name__ == "__main__":
    _serve()
