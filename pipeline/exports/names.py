"""Names of vehicles that look alike and names that the register does not know; kept as they are, and reported."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

# Separators, line ends, control and format characters, reading direction marks among them.
_UNSEEN = ("Z", "C")


def alike(names: Iterable[str], seen: set[str]) -> list[tuple[str, ...]]:
    """Groups of names that differ only by case, blanks or characters that cannot be seen.

    Args:
        names: every name that is known.
        seen: names of this run; a group without any of them is left out.
    """
    groups: dict[str, set[str]] = {}
    for name in set(names) | seen:
        groups.setdefault(_folded(name), set()).add(name)
    return sorted(tuple(sorted(group)) for group in groups.values() if len(group) > 1 and group & seen)


def _folded(name: str) -> str:
    text = unicodedata.normalize("NFKC", name).casefold()
    return "".join(mark for mark in text if unicodedata.category(mark)[0] not in _UNSEEN)
