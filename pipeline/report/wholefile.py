"""Files replaced whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A temporary path beside ``path`` that takes its place when everything is written."""
    temporary = path.with_name(f".{path.name}.new")
    try:
        yield temporary
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
