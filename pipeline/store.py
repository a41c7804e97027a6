"""Where a lake lies: a folder, or a prefix in an object store; how its small files and its lock are kept there.

Only :mod:`pipeline.lake` uses this module and :mod:`pipeline.objects`; everything else asks the lake.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

import pyarrow.dataset

from pipeline.errors import LakeError

_ENDED = "ended"
LOCK = "_lock.json"
_CLOCK = "_clock.json"


class Store(Protocol):
    """What a lake asks of the place it lies in. Places are paths below the lake with ``/`` between the steps."""

    uri: str  # names the lake in messages; holds no secret
    root: Path | None  # folder of the lake, None where it is not on a disk
    scratch: Path  # folder on this machine for what is only held for a while
    options: dict[str, str] | None  # what the table format needs to reach the place
    frame_options: dict[str, str | int] | None  # the same for the frame library
    writers: int  # files that are worth writing at once

    def put(self, place: str, content: memoryview) -> tuple[int, int]:
        """Write a new file; its bytes and the instant of writing (ms). Raises OSError."""

    def note(self, place: str, content: dict[str, object]) -> None:
        """Put a small file in place, whole, in one step. Raises OSError."""

    def noted(self, place: str) -> dict[str, object] | None:
        """What :meth:`note` put there, None where there is nothing. Raises OSError."""

    def erase(self, place: str) -> None:
        """Remove a small file. Raises OSError."""

    def modified_ms(self, place: str) -> int:
        """Instant (ms) at which a file or folder was last changed. Raises OSError."""

    @contextmanager
    def hold(self, holder: dict[str, object]) -> Iterator[None]:
        """Hold the lake for one run. Raises LakeError where another holds it."""

    @contextmanager
    def on_disk(self, places: list[str]) -> Iterator[list[str]]:
        """Paths on this machine of files of the lake, valid inside the context. Raises OSError."""

    @contextmanager
    def folder(self, place: str, changes: bool) -> Iterator[Path]:
        """A folder of small files on this machine; with ``changes`` what is written there is kept. Raises OSError."""

    def dataset(self, place: str, table: object) -> pyarrow.dataset.Dataset | None:
        """The files of an opened table as they are read bit by bit, None where the engine reads them itself."""

    def unread(self, name: str | None, error: BaseException) -> LakeError:
        """The error of a table that cannot be read, None for the lake as such."""

    def unwritten(self, name: str | None, error: BaseException) -> LakeError:
        """The error of a write that failed."""


class Folder:
    """A lake in a folder."""

    options = frame_options = None
    writers = 2

    def __init__(self, path: str) -> None:
        self.root = self.scratch = Path(path).resolve()
        self.uri = str(self.root)

    def put(self, place: str, content: memoryview) -> tuple[int, int]:
        target = self.root / place
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content)
        written = target.stat()
        return written.st_size, written.st_mtime_ns // 1_000_000

    def note(self, place: str, content: dict[str, object]) -> None:
        path = self.root / place
        temporary = path.with_suffix(".new")
        self.root.mkdir(parents=True, exist_ok=True)
        temporary.write_text(json.dumps(content), encoding="utf-8")
        os.replace(temporary, path)

    def noted(self, place: str) -> dict[str, object] | None:
        path = self.root / place
        return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else None

    def erase(self, place: str) -> None:
        (self.root / place).unlink()

    def modified_ms(self, place: str) -> int:
        return (self.root / place).stat().st_mtime_ns // 1_000_000

    @contextmanager
    def hold(self, holder: dict[str, object]) -> Iterator[None]:
        """Hold the folder for one run; a lock left by a process that no longer runs is taken over."""
        try:
            self.root.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LakeError(f"{self.root}: cannot be made: {error}; choose another folder with `lake`") from error
        path = self.root / LOCK
        try:
            # One process at a time looks at the lock: two that find it dead would else both take it over.
            with alone(self.root):
                if path.exists():
                    refuse_if_held(self.uri, _holder(path), path.name)
                self.note(LOCK, holder)
        except OSError as error:
            raise self.unwritten(None, error) from error
        try:
            yield
        finally:
            path.unlink(missing_ok=True)

    @contextmanager
    def on_disk(self, places: list[str]) -> Iterator[list[str]]:
        yield [f"{self.root}/{place}" for place in places]

    @contextmanager
    def folder(self, place: str, changes: bool) -> Iterator[Path]:
        yield self.root / place

    def dataset(self, place: str, table: object) -> None:
        return None

    def unread(self, name: str | None, error: BaseException) -> LakeError:
        return LakeError(f"{of_lake(self.uri, name)} cannot be opened: {error}")

    def unwritten(self, name: str | None, error: BaseException) -> LakeError:
        return LakeError(f"{of_lake(self.uri, name)} cannot be written: {error}; check rights and space, then run again")


def present_ms(store: Store) -> int:
    """The instant (ms) as the place tells it that the lake lies in: when a small file was put there. Raises OSError."""
    store.note(_CLOCK, {})
    try:
        return store.modified_ms(_CLOCK)
    finally:
        store.erase(_CLOCK)


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """One process of this machine at a time works inside. Raises OSError."""
    opened = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(opened, fcntl.LOCK_EX)
        yield
    finally:
        os.close(opened)


def this_process() -> dict[str, object]:
    """What tells this process from every other."""
    return {"host": socket.gethostname(), "pid": os.getpid(), "began": _began(os.getpid())}


def refuse_if_held(uri: str, holder: dict[str, object], lock: str) -> None:
    """Pass over a lock whose process is gone.

    Raises:
        LakeError: the process runs, or is on another machine.
    """
    alive = holder.get("host") != socket.gethostname() or runs(holder.get("pid", 0), holder.get("began"))
    if holder and alive:
        raise LakeError(
            f"{uri} is held by '{holder['purpose']}' (process {holder['pid']} on {holder['host']}) "
            f"since {holder['since']}; wait for it, or remove {lock} if that process is gone"
        )


def of_lake(uri: str, name: str | None) -> str:
    return f"table {name!r} of {uri}" if name else f"the lake {uri}"


def _holder(path: Path) -> dict[str, object]:
    try:
        return json.loads(path.read_text(encoding="utf-8") or "{}")
    except json.JSONDecodeError:
        return {}


def runs(pid: int, began: str | None = None) -> bool:
    """Whether the process of that number is alive on this machine and no later one that got the same number."""
    if pid <= 0:
        return False
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    now = _began(pid)
    return now != _ENDED and (began is None or now is None or now == began)


def _began(pid: int) -> str | None:
    """When a process began, in the system's ticks; ``_ENDED`` if it only waits for its parent, None if unknown."""
    try:
        status = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    # proc_pid_stat(5): after the name in brackets come the state (field 3) and, as field 22, the start time.
    fields = status.rpartition(")")[2].split()
    return _ENDED if fields[0] == "Z" else fields[19]
