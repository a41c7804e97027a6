"""Layouts: TOML files that say how the files of one gateway or portal map onto the inputs.

One layout a file. Every error is a :class:`~pipeline.errors.ConfigError` that names the file, the key and what
to do.
"""

from __future__ import annotations

import tomllib
import unicodedata
from pathlib import Path, PurePosixPath

from pydantic import ValidationError

from pipeline.errors import ConfigError, ExportError
from pipeline.exports.layoutmodel import Layout


def read_layouts(folder: Path) -> list[Layout]:
    """Every layout of a folder, by file name.

    Raises:
        ConfigError: the folder or a file cannot be read, a key is unknown, missing or impossible, or two
            layouts have one name.
    """
    if not folder.is_dir():
        raise ConfigError(f"{folder}: no such folder; create it, or leave the setting layouts empty")
    layouts = [read_layout(path) for path in sorted(folder.glob("*.toml"))]
    seen: dict[str, Layout] = {}
    for layout in layouts:
        other = seen.setdefault(layout.name, layout)
        if other is not layout:
            raise ConfigError(
                f"{layout.path}: name: {layout.name!r} is also the name of {other.path}; rename one of them"
            )
    return layouts


def read_layout(path: Path) -> Layout:
    """One layout.

    Raises:
        ConfigError: see :func:`read_layouts`.
    """
    try:
        text = path.read_text(encoding="utf-8")
        body = tomllib.loads(text)
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror}; check its rights") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: not UTF-8 at byte {error.start}; save the layout as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{path}: not a TOML file: {error}; correct that place") from error
    try:
        return Layout.model_validate({"name": path.stem} | body | {"path": path})
    except ValidationError as error:
        raise ConfigError(f"{path}: " + "; ".join(_problem(item) for item in error.errors())) from error


def layout_for(path_text: str, layouts: list[Layout]) -> Layout | None:
    """The layout whose patterns match the end of a path, None where none does.

    Args:
        path_text: path with forward slashes; of a packed file ``archive.zip/member.csv``.

    Raises:
        ExportError: more than one layout matches.
    """
    path = PurePosixPath(path_text)
    matching = [layout for layout in layouts if any(path.match(glob) for glob in layout.files.match)]
    if len(matching) > 1:
        both = " and ".join(f"{layout.name!r} ({layout.path.name})" for layout in matching)
        raise ExportError(
            path_text, f"the layouts {both} match this file; narrow [files] match so that one does"
        )
    return matching[0] if matching else None


def plain_header(text: str) -> str:
    """A header in the form in which headers are compared.

    Blanks at its ends and doubled ones do not count, nor do the compatibility forms of Unicode (UAX #15,
    NFKC: the one-character degree Celsius becomes two), nor signs that were encoded twice.
    """
    return " ".join(unicodedata.normalize("NFKC", undone(text).replace("º", "°")).split())


def undone(text: str) -> str:
    """The text with signs that were taken for Latin-1 and encoded once more ("Â°C") put right."""
    if not any(mark in text for mark in "ÂÃâ"):
        return text
    for encoding in ("latin-1", "cp1252"):
        try:
            return text.encode(encoding).decode("utf-8")
        except UnicodeError:
            continue
    return text


def _problem(item: dict) -> str:
    """One problem of a layout: its key, and what to do."""
    key = ".".join(str(part) for part in item["loc"]) or "layout"
    message = item["msg"].removeprefix("Value error, ")
    if item["type"] == "missing":
        message = "missing; add it"
    elif item["type"] == "extra_forbidden":
        message = "not a key of a layout; correct the spelling or remove it"
    return f"{key}: {message}"
