"""What every reader hands on: raw frames with a line number a row, and the rows that are no rows at all."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from traceback import extract_tb
from typing import Protocol

import polars as pl

from pipeline.errors import ExportError, LightoffError

MOST_COLUMNS = 10_000  # a header of more is no export of a gateway
MOST_TABLE_BYTES = 256 << 20  # of a small table, which is read whole


@dataclass(frozen=True)
class TextForm:
    """How a text file is cut into cells; ``absent`` are whole cells that mean "not sampled"."""

    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    skip_lines: int = 0
    absent: tuple[str, ...] = ()


@dataclass(frozen=True)
class RawBatch:
    """Some rows of a file.

    ``frame`` has ``line`` and the wanted columns, as text or already typed; ``rejected`` the rows that could
    not be cut into cells (line, column, value, reason); ``rows_in`` counts both.
    """

    frame: pl.DataFrame
    rows_in: int
    rejected: pl.DataFrame


class Source(Protocol):
    """One export file whose column names are known.

    ``notes`` are things said about the file that cost no row; they are whole once it was read.
    """

    path: Path
    names: list[str]
    notes: list[str]

    def batches(self, wanted: dict[str, pl.DataType]) -> Iterator[RawBatch]:
        """Rows in file order, a bounded number at a time; columns typed as wanted where every cell allows it.

        Raises:
            ExportError: the file is damaged.
        """
        ...

    def records(self, wanted: list[str]) -> RawBatch:
        """The whole of a small table, every column as text.

        Raises:
            ExportError: the file is damaged.
        """
        ...


@contextmanager
def one_file(file: str) -> Iterator[None]:
    """Whatever a reader or a library does not expect of one file, as an error of that file: others are read on.

    The text of such an error may hold cells that are not kept, so only its kind and place are told.

    Raises:
        ExportError: something unexpected; what the project raises itself, and errors of the machine, stay as they are.
    """
    try:
        yield
    except (LightoffError, CancelledError, OSError, MemoryError):
        raise
    except (Exception, pl.exceptions.PanicException) as error:
        place = [frame for frame in extract_tb(error.__traceback__) if "exports" in Path(frame.filename).parts][-1]
        what = f"{type(error).__name__} at {Path(place.filename).name}, line {place.lineno}"
        raise ExportError(file, f"cannot be read: unexpected {what}; other files are not affected") from error


def too_wide(file: str) -> ExportError:
    """More columns than any export has."""
    return ExportError(
        file, f"more than {MOST_COLUMNS} columns; not an export of readings or a small table", line=1
    )


def too_big(file: str) -> ExportError:
    """A small table that is none."""
    return ExportError(file, f"a small table of more than {MOST_TABLE_BYTES >> 20} MB; split it")
