"""Which files are exports: CSV, gzipped CSV and Parquet under the named files and folders."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from pipeline.errors import ExportError

SUFFIXES = (".csv", ".csv.gz", ".parquet")
_CHUNK_BYTES = 1 << 20


def find_exports(paths: list[Path]) -> tuple[list[Path], list[Path]]:
    """Export files and ignored files under ``paths``, both sorted by path, each file once.

    Folders are searched to any depth; hidden files and folders in them are passed over.

    Raises:
        ExportError: a path does not exist, or there is no export file at all.
    """
    candidates: dict[Path, Path] = {}
    for path in paths:
        if path.is_dir():
            members = _below(path)
        elif path.exists():
            members = [path]
        else:
            raise ExportError(str(path), "no such file or folder; check the path")
        for member in members:
            candidates.setdefault(member.resolve(), member)
    ordered = sorted(candidates.values(), key=lambda member: member.as_posix())
    found = [member for member in ordered if member.name.lower().endswith(SUFFIXES)]
    ignored = [member for member in ordered if not member.name.lower().endswith(SUFFIXES)]
    if not found:
        where = ", ".join(str(path) for path in paths) or "no path"
        looked = ", ".join(f"*{suffix}" for suffix in SUFFIXES)
        raise ExportError(
            where, f"no export here: looked for {looked} at any depth and found {len(ignored)} other files"
        )
    return found, ignored


def fingerprint(path: Path) -> tuple[str, int]:
    """Export id (first 16 hex digits of the content's SHA-256) and size in bytes.

    Raises:
        ExportError: the file cannot be read.
    """
    digest, size = hashlib.sha256(), 0
    try:
        with path.open("rb") as handle:
            while chunk := handle.read(_CHUNK_BYTES):
                digest.update(chunk)
                size += len(chunk)
    except OSError as error:
        raise ExportError(str(path), f"cannot be read: {error.strerror}; check its rights") from error
    return digest.hexdigest()[:16], size


def named_fingerprint(path: Path) -> tuple[str, int]:
    """As :func:`fingerprint` of a file whose name says whose rows it holds, or of which day.

    Two such files of one content say different things.
    """
    content, size = fingerprint(path)
    return hashlib.sha256(f"{content} {path.name}".encode()).hexdigest()[:16], size


def _below(folder: Path) -> list[Path]:
    members = []
    for here, folders, names in os.walk(folder):
        folders[:] = [name for name in folders if not name.startswith(".")]
        members += [Path(here) / name for name in names if not name.startswith(".")]
    return members
