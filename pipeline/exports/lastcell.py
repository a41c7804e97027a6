"""The last cell of a text that no line end follows: a number cut off inside it is a number, too, and a wrong one."""

from __future__ import annotations

import re

# Numbers of one form that have to stand above before the last is believed to be whole; project's own choice.
LEAST_ALIKE = 20
_LOOKED_AT = 1_000  # last lines that tell how a column is written
TAIL_BYTES = 1 << 16

NO_END = "no line end after the last row"
UNSURE = (
    "the file ends within this line or right after it, without a line end: nobody can tell whether its last value is "
    "whole; end files with a line end, or send the whole file"
)


def may_be_cut(above: bytes, text: bytes, delimiter: str, decimal: str) -> bool:
    """Whether the last cell of the last line may be the beginning of a longer one.

    It is whole where it is empty (nothing of it is used), where its quotation mark is closed, or where it is a number
    with as many decimals as every number above it in its column: one that was cut off would have fewer.

    Args:
        above: text before ``text``; its first line may be a part of one.
    """
    told = (above.partition(b"\n")[2] + text).rsplit(b"\n", _LOOKED_AT)[-_LOOKED_AT:]
    lines = [line.decode("utf-8", errors="replace") for line in told]
    *above, last = (line.rstrip("\r").rsplit(delimiter, 1)[-1].strip() for line in lines)
    if not last or (len(last) > 1 and last.endswith('"')):
        return False
    form = re.compile(rf"[+-]?\d+{re.escape(decimal)}(\d+)")
    found = form.fullmatch(last)
    if found is None:
        return True
    others = [form.fullmatch(cell) for cell in above if cell]
    alike = [other is not None and len(other[1]) == len(found[1]) for other in others]
    return len(alike) < LEAST_ALIKE or not all(alike)
