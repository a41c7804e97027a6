"""One export as it lies on disk: a file or a member of a zip file; opened, unpacked and bounded."""

from __future__ import annotations

import gzip
import io
import lzma
import os
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

import pyarrow as pa

from pipeline.errors import ExportError

TEXTS = {".csv": "csv", ".tsv": "tsv", ".ndjson": "ndjson", ".jsonl": "ndjson"}
PACKINGS = {".gz": "gzip", ".zst": "zstd"}
ARCHIVE = ".zip"
SUFFIXES = tuple(text + packing for text in TEXTS for packing in ("", *PACKINGS)) + (".parquet",)

# Telematics text packs ten to fifty times (measured on simulated exports); a file that unpacks to far more
# was made to fill a disk.
BOMB_RATIO = 200
BOMB_BYTES = 1 << 30  # a file that unpacks to less is harmless whatever its ratio
_CHUNK_BYTES = 1 << 20


@dataclass(frozen=True)
class Item:
    """One export: the file ``path``, or ``member`` of the zip file ``path``; written ``archive.zip/member``."""

    path: Path
    member: str = ""

    def __str__(self) -> str:
        return f"{self.path}/{self.member}" if self.member else str(self.path)

    @property
    def name(self) -> str:
        """The last part of the name, in lower case."""
        return (self.member.replace("\\", "/").rsplit("/", 1)[-1] if self.member else self.path.name).lower()

    @property
    def packing(self) -> str:
        """``gzip``, ``zstd`` or, where the bytes are the content itself, empty."""
        return next((kind for suffix, kind in PACKINGS.items() if self.name.endswith(suffix)), "")

    @property
    def format(self) -> str:
        """``csv``, ``tsv``, ``ndjson``, ``parquet``, ``zip``, or empty for what is no export."""
        name = self.name
        if name.endswith((".parquet", ARCHIVE)):
            return name.rsplit(".", 1)[-1]
        for suffix in PACKINGS:
            name = name.removesuffix(suffix)
        return next((kind for suffix, kind in TEXTS.items() if name.endswith(suffix)), "")

    def state(self) -> tuple[int, int]:
        """Size in bytes and time of the last change in ns, of the file on disk.

        Raises:
            ExportError: it is gone, cannot be read, or is a folder, pipe, socket or device.
        """
        with self._told():
            found = self.path.stat()
        if stat.S_ISDIR(found.st_mode):
            raise ExportError(str(self), "a folder that cannot be searched; check its rights")
        if not stat.S_ISREG(found.st_mode):
            raise ExportError(str(self), "a pipe, socket or device, not a file; copy its content into a file")
        return found.st_size, found.st_mtime_ns

    @contextmanager
    def stored(self) -> Iterator[BinaryIO]:
        """The bytes as stored: of a member those within the archive, unpacked.

        Raises:
            ExportError: it cannot be read, or the archive is damaged or locked by a password.
        """
        size, changed = self.state()
        with self._told():
            if not self.member:
                # A pipe that has come into the file's place must not stop the run.
                with open(os.open(self.path, os.O_RDONLY | os.O_NONBLOCK), "rb") as handle:
                    yield handle
            else:
                archive = _archive(self.path, size, changed)
                with archive.open(self._entry(archive, size)) as handle:
                    yield handle

    @contextmanager
    def open(self) -> Iterator[BinaryIO]:
        """The content, unpacked.

        Raises:
            ExportError: as :meth:`stored`, or the packed content is cut off, damaged or a bomb.
        """
        with self.stored() as raw, self._told():
            if not self.packing:
                yield raw
                return
            unpacked = (
                gzip.open(raw) if self.packing == "gzip" else pa.CompressedInputStream(raw, self.packing)
            )
            with io.BufferedReader(_Bounded(unpacked, raw, str(self)), _CHUNK_BYTES) as bounded:
                yield bounded

    @contextmanager
    def seekable(self) -> Iterator[str | BinaryIO]:
        """The stored bytes for readers that jump: the path, or a nameless temporary copy of a member."""
        if not self.member:
            self.state()
            yield str(self.path)
            return
        with self.stored() as raw, tempfile.TemporaryFile() as copy:
            while chunk := raw.read(_CHUNK_BYTES):
                copy.write(chunk)
            copy.seek(0)
            yield copy

    def entry(self) -> str:
        """What the archive's directory says of the member: name, check sum and sizes."""
        with self._told():
            archive = _archive(self.path, *self.state())
            found = [info for info in archive.infolist() if info.filename == self.member]
        return " ".join(f"{info.filename} {info.CRC} {info.file_size} {info.compress_size}" for info in found)

    def _entry(self, archive: zipfile.ZipFile, size: int) -> zipfile.ZipInfo:
        info = archive.getinfo(self.member)
        if sum(other.filename == self.member for other in archive.infolist()) > 1:
            raise ExportError(str(self), "the archive holds two members of this name; name them apart")
        if info.flag_bits & 1:
            raise ExportError(str(self), "locked by a password; unpack the archive and ingest the files")
        if info.file_size > BOMB_BYTES and info.file_size > BOMB_RATIO * min(info.compress_size, size):
            raise ExportError(str(self), _BOMB)
        return info

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Errors of files and packings as those of this export."""
        try:
            yield
        except FileNotFoundError as error:
            raise ExportError(str(self), "the file vanished before it was read whole") from error
        except (EOFError, gzip.BadGzipFile, zlib.error, lzma.LZMAError, zipfile.BadZipFile) as error:
            raise self._damaged(error) from error
        except (KeyError, NotImplementedError, RuntimeError) as error:
            if not self.member:
                raise
            raise self._damaged(error) from error
        except OSError as error:
            if error.errno is None:  # the unpackers' own errors carry none
                raise self._damaged(error) from error
            raise ExportError(
                str(self), f"cannot be read: {error.strerror}; check the disk and the rights"
            ) from error

    def _damaged(self, error: Exception) -> ExportError:
        what = f"{self.packing} file" if self.packing else "zip archive"
        return ExportError(str(self), f"the {what} is cut off or damaged ({error}); transfer it again")


def members(path: Path) -> list[Item]:
    """The members of a zip file, without folders and hidden files.

    Raises:
        ExportError: it is no regular file, or not a whole zip archive.
    """
    whole = Item(path)
    with whole._told():
        archive = _archive(path, *whole.state())
    names = dict.fromkeys(info.filename for info in archive.infolist() if not info.is_dir())
    return [Item(path, name) for name in names if not _hidden(name)]


def _hidden(name: str) -> bool:
    parts = [part for part in name.replace("\\", "/").split("/") if part not in ("", ".", "..")]
    return any(part.startswith(".") or part == "__MACOSX" for part in parts)


@lru_cache(maxsize=1)
def _archive(path: Path, size: int, changed: int) -> zipfile.ZipFile:
    """The opened archive in this state: members follow each other, its directory is read once."""
    return zipfile.ZipFile(path)


_BOMB = (
    f"unpacks to more than {BOMB_RATIO} times its size, beyond {BOMB_BYTES >> 30} GB: not telematics; "
    "check where it comes from"
)


class _Bounded(io.RawIOBase):
    """Unpacked bytes until they are out of all proportion to the packed ones."""

    def __init__(self, unpacked: BinaryIO, packed: BinaryIO, file: str) -> None:
        self._unpacked, self._packed, self._file, self._out = unpacked, packed, file, 0

    def readable(self) -> bool:
        return True

    def readinto(self, room: memoryview) -> int:
        chunk = self._unpacked.read(len(room))
        room[: len(chunk)] = chunk
        self._out += len(chunk)
        if self._out > BOMB_BYTES and self._out > BOMB_RATIO * self._packed.tell():
            raise ExportError(self._file, _BOMB)
        return len(chunk)
