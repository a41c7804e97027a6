"""Which files are exports: tables as text, packed or not, Parquet, and members of zip files."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import ExportError
from pipeline.exports.items import ARCHIVE, SUFFIXES, Item, members

LOOKED = ", ".join(f"*{suffix}" for suffix in (*SUFFIXES, ARCHIVE))
IGNORED = f"not one of {LOOKED}; a link to a folder within a folder is not followed"
_CHUNK_BYTES = 1 << 20


class Identity(NamedTuple):
    """Which content an export has: id (first 16 hex digits of its SHA-256), size in bytes, and the size and
    time of change (ns) of the file on disk before it was read.
    """

    export_id: str
    bytes: int
    state: tuple[int, int]


def find_exports(paths: list[Path]) -> tuple[list[Item], list[Item]]:
    """Exports and ignored files under ``paths``, both sorted by name, each once.

    Folders are searched to any depth, zip files one deep; hidden files and folders in them are passed over.
    What cannot be searched (a damaged archive, a locked folder) counts as found: reading it tells why.

    Raises:
        ExportError: a path does not exist, or there is no export at all.
    """
    candidates: dict[tuple[str, str], Item] = {}
    for path in paths:
        if path.is_dir():
            files = _below(path)
        elif path.exists():
            files = [path]
        else:
            raise ExportError(str(path), "no such file or folder; check the path")
        for file in files:
            real = os.path.realpath(file)
            for item in _within(file):
                candidates.setdefault((real, item.member), item)
    ordered = sorted(candidates.values(), key=str)
    found = [item for item in ordered if item.format or _unsearched(item)]
    ignored = [item for item in ordered if not (item.format or _unsearched(item))]
    if not found:
        where = ", ".join(str(path) for path in paths) or "no path"
        raise ExportError(
            where, f"no export here: looked for {LOOKED} at any depth and found {len(ignored)} other files"
        )
    return found, ignored


def fingerprint(item: Item | Path) -> Identity:
    """Content and state of an export; a member that cannot be unpacked is told by its directory entry.

    Raises:
        ExportError: the file cannot be read.
    """
    item = item if isinstance(item, Item) else Item(item)
    state = item.state()
    try:
        digest, size = _content(item)
    except ExportError:
        if not item.member:
            raise
        digest, size = hashlib.sha256(item.entry().encode("utf-8", "replace")), 0
    return Identity(digest.hexdigest()[:16], size, state)


def named_fingerprint(item: Item) -> Identity:
    """As :func:`fingerprint` of an export whose name says whose rows it holds, or of which day.

    Two such files of one content say different things.
    """
    found = fingerprint(item)
    digest = hashlib.sha256(f"{found.export_id} {item.name}".encode("utf-8", "replace"))
    return found._replace(export_id=digest.hexdigest()[:16])


def _content(item: Item) -> tuple[hashlib._Hash, int]:
    digest, size = hashlib.sha256(), 0
    with item.stored() as handle:
        while chunk := handle.read(_CHUNK_BYTES):
            digest.update(chunk)
            size += len(chunk)
    return digest, size


def _within(file: Path) -> list[Item]:
    """The file itself, or the members of a zip file."""
    if not file.name.lower().endswith(ARCHIVE) or file.is_dir():
        return [Item(file)]
    try:
        return members(file) or [Item(file)]
    except ExportError:
        return [Item(file)]


def _unsearched(item: Item) -> bool:
    """A folder that could not be searched; a link to one was left out on purpose."""
    return not item.member and item.path.is_dir() and not item.path.is_symlink()


def _below(folder: Path) -> list[Path]:
    files: list[Path] = []
    # A folder without rights is named by the error; passed over in silence its exports would just be missing.
    for here, folders, names in os.walk(folder, onerror=lambda error: files.append(Path(error.filename))):
        folders[:] = [name for name in folders if not name.startswith(".")]
        files += [Path(here) / name for name in folders if (Path(here) / name).is_symlink()]
        files += [Path(here) / name for name in names if not name.startswith(".")]
    return files
