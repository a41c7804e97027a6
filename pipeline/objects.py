"""A lake in an object store: ``s3://bucket/prefix``. How to reach it stands in the environment, never in settings.

``AWS_ACCESS_KEY_ID``, ``AWS_SECRET_ACCESS_KEY``, ``AWS_SESSION_TOKEN`` (without keys: the role of the machine),
``AWS_REGION``, and for a store of one's own ``AWS_ENDPOINT_URL``, with ``AWS_ALLOW_HTTP=true`` if it has no TLS.
"""

from __future__ import annotations

import errno
import json
import os
import re
import shutil
import tempfile
import zlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from urllib.parse import urlsplit
from uuid import uuid4

import pyarrow.dataset
from deltalake import CommitProperties, DeltaTable, Field, Schema
from deltalake.exceptions import DeltaError, TableNotFoundError
from deltalake.schema import PrimitiveType
from pyarrow import fs

from pipeline.errors import LakeError, UnfitError
from pipeline.store import LOCK, alone, of_lake, refuse_if_held

SCHEME = "s3://"
_CHECK = "check bucket, region and endpoint, rights, and the AWS_* variables of the environment, then run again"
_SECRET = ("AWS_SECRET_ACCESS_KEY", "AWS_SESSION_TOKEN", "AWS_ACCESS_KEY_ID")
_RETRIES, _CONNECT_S, _REQUEST_S = 4, 10, 120  # a request may be slow; a store that is gone is given up in seconds
_AT_ONCE = 8  # small requests wait for the store, not for the processor
_CHUNK = 4 << 20
_LONGEST = 300  # characters of a store's answer that are shown
_LOCK_SCHEMA = Schema([Field("none", PrimitiveType("string"))])
_held: set[object] = set()  # tokens of the locks that this process holds now


class Bucket:
    """A lake below a prefix of a bucket."""

    root = None
    writers = _AT_ONCE

    def __init__(self, uri: str) -> None:
        """Nothing is reached yet.

        Raises:
            LakeError: no bucket is named, or the environment contradicts itself.
        """
        self.uri = uri.rstrip("/")
        parts = urlsplit(uri)
        if not parts.netloc or "@" in parts.netloc or parts.query or parts.fragment:
            raise UnfitError("`lake` must be s3://bucket/prefix and nothing more; keys belong into the AWS_* variables")
        self._path = f"{parts.netloc}{parts.path}".rstrip("/")
        self._reach = _reach(self.uri)
        self.options = {f"aws_{key}": value for key, value in self._reach.items()} | {
            "max_retries": str(_RETRIES), "retry_timeout": f"{_REQUEST_S}s",
            "connect_timeout": f"{_CONNECT_S}s", "timeout": f"{_REQUEST_S}s",
        }
        self.frame_options = {**self.options, "max_retries": _RETRIES}  # the frame library wants a number

    # -- ground ----------------------------------------------------------------------------------------------

    @cached_property
    def scratch(self) -> Path:
        """A folder of this user and lake under the system's temporary folder (``TMPDIR``)."""
        folder = Path(tempfile.gettempdir()) / f"lightoff-{os.getuid()}-{zlib.crc32(self.uri.encode()):08x}"
        folder.mkdir(mode=0o700, exist_ok=True)
        if folder.is_symlink() or folder.stat().st_uid != os.getuid():
            raise UnfitError(f"{folder} belongs to somebody else; remove it, or set TMPDIR to a folder of your own")
        return folder

    @cached_property
    def _files(self) -> fs.FileSystem:
        endpoint = urlsplit(self._reach.get("endpoint_url", ""))
        reached = fs.S3FileSystem(
            access_key=self._reach.get("access_key_id"),
            secret_key=self._reach.get("secret_access_key"),
            session_token=self._reach.get("session_token"),
            region=self._reach.get("region"),
            endpoint_override=endpoint.netloc + endpoint.path or None,
            scheme=endpoint.scheme or "https",
            connect_timeout=_CONNECT_S,
            request_timeout=_REQUEST_S,
            retry_strategy=fs.AwsStandardS3RetryStrategy(max_attempts=_RETRIES),
            allow_delayed_open=True,  # a small file is one request
        )
        return fs.SubTreeFileSystem(self._path, reached)

    # -- small files -----------------------------------------------------------------------------------------

    def put(self, place: str, content: memoryview) -> tuple[int, int]:
        with self._files.open_output_stream(place) as stream:
            stream.write(content)
        return self._info(place).size, self.modified_ms(place)

    def note(self, place: str, content: dict[str, object]) -> None:
        self.put(place, memoryview(json.dumps(content).encode()))

    def noted(self, place: str) -> dict[str, object] | None:
        if self._info(place).type == fs.FileType.NotFound:
            return None
        with self._files.open_input_stream(place) as stream:
            return json.loads(stream.read())

    def erase(self, place: str) -> None:
        self._files.delete_file(place)

    def modified_ms(self, place: str) -> int:
        """Instant of a file; of a folder, of the newest file in it."""
        info = self._info(place)
        found = [info]
        if info.type == fs.FileType.Directory:
            found = self._files.get_file_info(fs.FileSelector(place))
        return max(one.mtime_ns for one in found if one.type == fs.FileType.File) // 1_000_000

    def _info(self, place: str) -> fs.FileInfo:
        return self._files.get_file_info(place)

    # -- what the engine and the model files need on a disk ---------------------------------------------------

    @contextmanager
    def on_disk(self, places: list[str]) -> Iterator[list[str]]:
        """Copies of the files, with their partition folders; gone at the end."""
        with tempfile.TemporaryDirectory(prefix="files-", dir=self.scratch) as folder:
            targets = [Path(folder) / place for place in places]
            with ThreadPoolExecutor(_AT_ONCE) as pool:
                list(pool.map(self._fetch, places, targets))
            yield [str(target) for target in targets]

    @contextmanager
    def folder(self, place: str, changes: bool) -> Iterator[Path]:
        with tempfile.TemporaryDirectory(prefix="folder-", dir=self.scratch) as temporary:
            folder = Path(temporary)
            for info in self._files.get_file_info(fs.FileSelector(place, allow_not_found=True)):
                if info.is_file and info.size:
                    self._fetch(f"{place}/{info.base_name}", folder / info.base_name)
            yield folder
            if changes:
                for path in sorted(folder.iterdir(), reverse=True):
                    self.put(f"{place}/{path.name}", memoryview(path.read_bytes()))

    def dataset(self, place: str, table: DeltaTable) -> pyarrow.dataset.Dataset:
        return table.to_pyarrow_dataset(filesystem=fs.SubTreeFileSystem(place, self._files))

    def unread(self, name: str | None, error: BaseException) -> LakeError:
        return LakeError(f"{of_lake(self.uri, name)} cannot be read: {plain(error)}; {_CHECK}")

    def unwritten(self, name: str | None, error: BaseException) -> LakeError:
        return LakeError(f"{of_lake(self.uri, name)} cannot be written: {plain(error)}; {_CHECK}")

    def _fetch(self, place: str, target: Path) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            with self._files.open_input_stream(place) as source, target.open("wb") as copy:
                shutil.copyfileobj(source, copy, _CHUNK)
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise OSError(f"no space for copies in {self.scratch}; free some, or set TMPDIR") from error
            raise

    # -- the lock --------------------------------------------------------------------------------------------

    @contextmanager
    def hold(self, holder: dict[str, object]) -> Iterator[None]:
        """Hold the lake for one run.

        The lock is the first commit of a table without rows, which the table format writes with a conditional put:
        of two runs on whatever machines, one gets it. That holds on stores that honour ``If-None-Match``; on one that
        ignores it two runs that begin within the same instant can both believe that they hold the lake.

        A lock left by a process that is gone is taken over on its own machine, told by its name; two machines of one
        name (copies of a container) must not share a lake. Left by another machine it stays until somebody removes it.
        A run whose lock is removed while it runs does not notice; each of its commits is still atomic.
        """
        holder = holder | {"token": uuid4().hex}
        try:
            with alone(self.scratch):
                # Only this machine takes over its own dead locks, so one process at a time is enough.
                self._take(holder)
        except (DeltaError, OSError) as error:
            raise LakeError(f"the lake {self.uri} cannot be held: {plain(error)}; {_CHECK}") from error
        _held.add(holder["token"])
        try:
            for left in self.scratch.glob("files-*"):
                shutil.rmtree(left)  # of a run that was killed: whoever copies data files holds the lock
            yield
        except BaseException as error:
            try:
                self._release(holder)
            except LakeError as further:
                raise LakeError(f"{error}; {further}") from error
            raise
        else:
            self._release(holder)
        finally:
            _held.discard(holder["token"])

    def _take(self, holder: dict[str, object]) -> None:
        found = self._holder()
        if found is not None:
            if found.get("pid") != os.getpid() or found.get("token") in _held or found.get("host") != holder["host"]:
                refuse_if_held(self.uri, found, f"{self.uri}/{LOCK}/")
            self._files.delete_dir(LOCK)
        try:
            DeltaTable.create(
                f"{self.uri}/{LOCK}", _LOCK_SCHEMA, mode="error", description=json.dumps(holder),
                storage_options=self.options,
                commit_properties=CommitProperties(max_commit_retries=0),  # else a loser becomes the second commit
            )
        except (DeltaError, OSError):
            # Another was faster, or the answer to a put that went through was lost and its repetition refused.
            now = self._holder()
            if now is None or now.get("token") != holder["token"]:
                refuse_if_held(self.uri, now or {}, f"{self.uri}/{LOCK}/")
                raise

    def _holder(self) -> dict[str, object] | None:
        try:
            opened = DeltaTable(f"{self.uri}/{LOCK}", version=0, storage_options=self.options)
        except TableNotFoundError:
            return None
        return json.loads(opened.metadata().description or "{}")

    def _release(self, holder: dict[str, object]) -> None:
        """Remove the lock if it is ours; one that cannot be removed is taken over by the next run on this machine."""
        try:
            if (self._holder() or {}).get("token") == holder["token"]:
                self._files.delete_dir(LOCK)
        except (DeltaError, OSError) as error:
            raise LakeError(
                f"{self.uri}: the lock stays in place: {plain(error)}; the next run on this machine takes it over"
            ) from error


def _reach(uri: str) -> dict[str, str]:
    """What the environment says of the store.

    Raises:
        LakeError: one key without the other, or no TLS without leave.
    """
    names = ("ACCESS_KEY_ID", "SECRET_ACCESS_KEY", "SESSION_TOKEN", "REGION", "ENDPOINT_URL", "ALLOW_HTTP")
    found = {name.lower(): os.environ[f"AWS_{name}"] for name in names if os.environ.get(f"AWS_{name}")}
    if "region" not in found and os.environ.get("AWS_DEFAULT_REGION"):
        found["region"] = os.environ["AWS_DEFAULT_REGION"]
    if ("access_key_id" in found) != ("secret_access_key" in found):
        raise UnfitError(
            f"the lake {uri}: set both AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY in the environment, or neither"
        )
    if found.get("endpoint_url", "").startswith("http://") and found.get("allow_http", "").lower() not in ("true", "1"):
        raise UnfitError(
            f"the lake {uri}: AWS_ENDPOINT_URL has no TLS; name an https:// endpoint, or set AWS_ALLOW_HTTP=true"
        )
    return found


def plain(error: BaseException) -> str:
    """What a store's error says, in one line, without anything secret that the answer may repeat."""
    text = re.sub(r"\x1b\[[0-9;]*m", "", str(error))
    code = re.search(r"<Code>(.*?)</Code>", text, re.DOTALL)
    if code is not None:
        # The rest of the answer repeats the key and what was signed.
        said = re.search(r"<Message>(.*?)</Message>", text, re.DOTALL)
        text = f"the store answered {code[1]}" + (f" ({said[1]})" if said else "")
    text = " ".join(text.replace("↳", " ").split())
    for name in _SECRET:
        if os.environ.get(name):
            text = text.replace(os.environ[name], "***")
    return text if len(text) <= _LONGEST else text[:_LONGEST] + " ..."
