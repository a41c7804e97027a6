"""Text in blocks of whole lines, and rows whose quoted cells run over several lines."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import BinaryIO

import numpy as np
import polars as pl

from pipeline.errors import ExportError

BLOCK_BYTES = 8 << 20  # parsed at once; bounds memory whatever the size of the file
MOST_LINES = 100  # a quoted cell that runs on for longer was never closed


def blocks(stream: BinaryIO, size: int, end: bytes, file: str) -> Iterator[tuple[bytes, bool]]:
    """Whole lines, about ``size`` bytes at a time, and whether they are the last; those may lack the line end.

    Raises:
        ExportError: a line is longer than that.
    """
    waiting, carried = b"", b""
    while chunk := stream.read(size):
        cut = chunk.rfind(end) + 1
        if not cut and len(carried) > size:
            raise ExportError(file, f"no line end within {len(carried)} bytes: not a text file")
        if cut:
            if waiting:
                yield waiting, False
            waiting, carried = carried + chunk[:cut], b""
        carried += chunk[cut:]
    if waiting and carried:
        yield waiting, False
    if waiting or carried:
        yield carried or waiting, True


def count(text: bytes, mark: int) -> int:
    """How often a byte stands in the text."""
    return int(np.count_nonzero(np.frombuffer(text, dtype=np.uint8) == mark))


def lines_in(text: bytes) -> int:
    """Lines, that after the last line end included."""
    return count(text, ord("\n")) + (bool(text) and not text.endswith(b"\n"))


def rows_over_lines(
    text: bytes, first: int, final: bool, is_row: Callable[[str], bool]
) -> tuple[pl.DataFrame, bytes]:
    """Rows as (``line`` they begin on, ``text``); lines from an odd quotation mark to the next may be one row.

    Where they are none, or are more than :data:`MOST_LINES`, the mark is a stray one and each line stands alone.

    Args:
        text: lines from the beginning of a row on, as UTF-8; ``first`` is the number of the first.
        final: whether no line follows.
        is_row: whether several lines together are a row.

    Returns:
        ``(rows, rest)``: ``rest`` are last lines, of a row that may go on in what follows.
    """
    lines = pl.Series("text", text.decode("utf-8").removesuffix("\n").split("\n"), dtype=pl.String)
    odd = (lines.str.count_matches('"', literal=True) % 2 == 1).arg_true().to_list()
    owner = np.arange(lines.len())
    turn, held = 0, lines.len()
    while turn < len(odd):
        opened, closed = odd[turn], odd[turn + 1] if turn + 1 < len(odd) else None
        if closed is None:
            if not final and lines.len() - opened < MOST_LINES:
                held = opened
        elif closed - opened < MOST_LINES and is_row("\n".join(lines[opened : closed + 1])):
            owner[opened : closed + 1] = opened
            turn += 1
        turn += 1
    rest = "".join(f"{line}\n" for line in lines[held:])
    rows = pl.DataFrame({"line": owner[:held] + first, "text": lines[:held]})
    if odd:
        rows = rows.group_by("line", maintain_order=True).agg(pl.col("text").str.join("\n"))
    return rows, rest.encode("utf-8")
