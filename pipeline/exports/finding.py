"""Which files are exports: tables as text, packed or not, Parquet, and members of zip files."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import ExportError
from pipeline.exports.items import ARCHIVE, SUFFIXES, Item, members

LOOKED = ", ".join(f"*{suffix}" for suffix in (*SUFFIXES, ARCHIVE))
IGNORED = f"not one of {LOOKED}; a link to a folder within a folder is not followed"
OWN = "the folder of the lake or of the lists, not one of exports; it is not searched"
_CHUNK_BYTES = 1 << 20
# Copies of a folder are written one after another in the order of their names: that order says nothing.
_TOGETHER_NS = 60 * 10**9


class Identity(NamedTuple):
    """Which content an export has: id (first 16 hex digits of its SHA-256), size in bytes, and the size and
    time of change (ns) of the file on disk before it was read.
    """

    export_id: str
    bytes: int
    state: tuple[int, int]


def find_exports(paths: list[Path], own: tuple[Path, ...] = ()) -> tuple[list[Item], list[Item]]:
    """Exports and ignored files under ``paths``, each once.

    Folders are searched to any depth, zip files one deep; hidden files and folders in them are passed over.
    What cannot be searched (a damaged archive, a locked folder) counts as found: reading it tells why.

    Of two rows of one key the later stands, so exports come in the order in which their files were changed, and
    those changed within a minute of each other in that of their names, numbers in them compared as numbers.

    Args:
        own: folders that the project writes; met below one of the paths, they are ignored and not searched.

    Raises:
        ExportError: a path does not exist, or there is no export at all.
    """
    candidates: dict[tuple[str, str], Item] = {}
    apart = {os.path.realpath(folder) for folder in own}
    for path in paths:
        if path.is_dir():
            files = _below(path, apart)
        elif path.exists():
            files = [path]
        else:
            raise ExportError(str(path), "no such file or folder; check the path")
        for file in files:
            real = os.path.realpath(file)
            for item in _within(file):
                candidates.setdefault((real, item.member), item)
    ordered = _in_order(candidates.values())
    left_out = [item for item in ordered if os.path.realpath(item.path) in apart]
    found = [item for item in ordered if item not in left_out and (item.format or _unsearched(item))]
    ignored = [item for item in ordered if item in left_out or not (item.format or _unsearched(item))]
    if not found:
        where = ", ".join(str(path) for path in paths) or "no path"
        raise ExportError(
            where, f"no export here: looked for {LOOKED} at any depth and found {len(ignored)} other files"
        )
    return found, ignored


def why_ignored(item: Item, own: tuple[Path, ...]) -> str:
    """The reason for which :func:`find_exports` ignores a file or a folder."""
    return OWN if os.path.realpath(item.path) in {os.path.realpath(folder) for folder in own} else IGNORED


def _in_order(items: Iterable[Item]) -> list[Item]:
    """By time of change, those of one time by name."""
    timed = sorted(((_changed(item), item) for item in items), key=lambda each: (each[0], str(each[1])))
    batch, last, placed = 0, None, []
    for changed, item in timed:
        batch += last is not None and changed - last > _TOGETHER_NS
        last = changed
        placed.append((batch, _natural(str(item)), str(item), item))
    return [item for *_, item in sorted(placed, key=lambda each: each[:3])]


def _changed(item: Item) -> int:
    """Time of change of the file (ns); 0 of one that cannot be asked: reading it tells why."""
    try:
        return item.path.stat().st_mtime_ns
    except OSError:
        return 0


def _natural(text: str) -> list[tuple[str, int, str]]:
    """The text for comparing, sign by sign, a number in it as one sign by its size."""
    parts = re.findall(r"[0-9]+|[^0-9]", text)
    numbers = (part.lstrip("0") if part[0] in "0123456789" else None for part in parts)
    return [
        (part, 0, "") if number is None else ("0", len(number), number)
        for part, number in zip(parts, numbers, strict=True)
    ]


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


def _below(folder: Path, apart: set[str]) -> list[Path]:
    """Files below a folder; of the folders ``apart`` (real paths) only themselves."""
    files: list[Path] = []
    # A folder without rights is named by the error; passed over in silence its exports would just be missing.
    for here, folders, names in os.walk(folder, onerror=lambda error: files.append(Path(error.filename))):
        folders[:] = [name for name in folders if not name.startswith(".")]
        passed = [name for name in folders if apart and os.path.realpath(Path(here) / name) in apart]
        files += [Path(here) / name for name in passed]
        folders[:] = [name for name in folders if name not in passed]
        files += [Path(here) / name for name in folders if (Path(here) / name).is_symlink()]
        files += [Path(here) / name for name in names if not name.startswith(".")]
    return files
