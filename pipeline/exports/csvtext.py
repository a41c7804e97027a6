"""CSV files, gzipped or not: cut into blocks at line ends, each block parsed at once, odd lines set apart."""

from __future__ import annotations

import csv
import gzip
import io
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import numpy as np
import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.rejects import FAULTS, no_faults
from pipeline.exports.sources import RawBatch, TextForm

BLOCK_BYTES = 32 << 20  # parsed at once; bounds memory whatever the size of the file
_MOST_HEADER_BYTES = 1 << 20
_BOM = b"\xef\xbb\xbf"
_LINE_END = ord("\n")


class CsvSource:
    """One CSV file; line 1 is the header."""

    def __init__(self, path: Path, form: TextForm = TextForm()) -> None:
        """Read the header.

        Raises:
            ExportError: the file is empty, damaged, not UTF-8 or has no header.
        """
        self.path, self._form = path, form
        with self._opened() as stream:
            start = stream.readline(_MOST_HEADER_BYTES)
        if not start:
            raise ExportError(str(path), "the file is empty; export it again")
        if len(start) >= _MOST_HEADER_BYTES:
            raise ExportError(
                str(path), f"no line end within {_MOST_HEADER_BYTES} bytes: not a CSV file", line=1
            )
        self._header_bytes = len(start)
        self._decoded(start, 0)
        header = start.removeprefix(_BOM).decode("utf-8").rstrip("\r\n")
        if not header.strip():
            raise ExportError(str(path), "blank; the first line must hold the column names", line=1)
        if "\0" in header:
            raise ExportError(str(path), "NUL bytes in the header: not a text file", line=1)
        cells = [cell.strip() for cell in next(csv.reader([header], delimiter=form.delimiter))]
        self.names = [cell or f"column_{place}" for place, cell in enumerate(cells, 1)]

    def batches(self, wanted: dict[str, pl.DataType]) -> Iterator[RawBatch]:
        """Blocks of rows, see :class:`~pipeline.exports.sources.Source`; no cell may hold a line end."""
        line, position = 2, self._header_bytes
        for block in self._blocks():
            if not block.isascii():
                self._decoded(block, position)
            position += len(block)
            ends = int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == _LINE_END))
            lines = ends + (not block.endswith(b"\n"))
            text = block.replace(b"\r\n", b"\n") if b"\r" in block else block
            yield self._parsed(text, line, lines, wanted)
            line += lines

    def records(self, wanted: list[str]) -> RawBatch:
        """The whole file through the csv module: quoted cells may hold line ends."""
        with self._opened() as stream:
            content = stream.read()
        reader = csv.reader(io.StringIO(self._decoded(content, 0).removeprefix("\ufeff"), newline=""), delimiter=self._form.delimiter)
        rows: list[list[str]] = []
        lines: list[int] = []
        rejected: list[tuple[int, str, str, str]] = []
        started = 1
        try:
            for cells in reader:
                line, started = started, reader.line_num + 1
                if line == 1 or (len(cells) <= 1 and not "".join(cells).strip()):
                    continue
                if any("\0" in cell for cell in cells):
                    rejected.append((line, "", ",".join(cells), _NUL))
                elif len(cells) != len(self.names):
                    rejected.append((line, "", ",".join(cells), _ragged(len(cells), len(self.names))))
                else:
                    rows.append(cells)
                    lines.append(line)
        except csv.Error as error:
            raise ExportError(str(self.path), f"cannot be cut into cells: {error}", line=started) from error
        places = {name: self.names.index(name) for name in wanted}
        frame = pl.DataFrame(
            {"line": lines} | {name: [row[place] for row in rows] for name, place in places.items()},
            schema={"line": pl.Int64} | {name: pl.String for name in wanted},
        )
        return RawBatch(frame, len(rows) + len(rejected), pl.DataFrame(rejected, schema=FAULTS, orient="row"))

    # -- bytes -----------------------------------------------------------------------------------------------

    @contextmanager
    def _opened(self) -> Iterator[BinaryIO]:
        try:
            with self.path.open("rb") as raw:
                if self.path.name.lower().endswith(".gz"):
                    with gzip.open(raw) as unpacked:
                        yield unpacked
                else:
                    yield raw
        except (EOFError, gzip.BadGzipFile, zlib.error) as error:
            raise ExportError(
                str(self.path), f"the gzip file is cut off or damaged ({error}); transfer it again"
            ) from error
        except OSError as error:
            raise ExportError(
                str(self.path), f"cannot be read: {error}; check the disk and the rights"
            ) from error

    def _blocks(self) -> Iterator[bytes]:
        """Whole lines after the header, about ``BLOCK_BYTES`` at a time."""
        with self._opened() as stream:
            stream.read(self._header_bytes)
            carried = b""
            while chunk := stream.read(BLOCK_BYTES):
                cut = chunk.rfind(b"\n") + 1
                if not cut and len(carried) > BLOCK_BYTES:
                    raise ExportError(
                        str(self.path), f"no line end within {len(carried)} bytes: not a CSV file"
                    )
                if cut:
                    yield carried + chunk[:cut]
                    carried = b""
                carried += chunk[cut:]
            if carried:
                yield carried

    def _decoded(self, content: bytes, position: int) -> str:
        """The text of ``content``, which begins at byte ``position`` of the file."""
        try:
            return content.decode("utf-8")
        except UnicodeDecodeError as error:
            at = position + error.start
            raise ExportError(
                str(self.path),
                f"not UTF-8 at byte {at} (0x{content[error.start]:02x}); save the file as UTF-8",
            ) from error

    # -- cells -----------------------------------------------------------------------------------------------

    def _parsed(self, text: bytes, line: int, lines: int, wanted: dict[str, pl.DataType]) -> RawBatch:
        numbers = pl.int_range(line, line + lines, dtype=pl.Int64, eager=True)
        rejected = no_faults()
        frame = self._typed(text, wanted) if self._even(text, lines) else None
        if frame is None:
            good, rejected = self._sorted_out(text, line)
            numbers = good["line"]
            text = ("\n".join(good["text"]) + "\n").encode() if good.height else b""
            frame = self._typed(text, wanted)
        if frame is None:
            frame = self._typed(text, {name: pl.String for name in wanted})
        if frame is None or frame.height != numbers.len():
            raise ExportError(str(self.path), f"lines {line} to {line + lines - 1} cannot be cut into cells")
        return RawBatch(
            frame.insert_column(0, numbers.alias("line")), frame.height + rejected.height, rejected
        )

    def _even(self, text: bytes, lines: int) -> bool:
        """Whether, by a count of bytes, every line may be a row; one too long fails in the parser."""
        if any(mark in text for mark in (b'"', b"\0", b"\r")):
            return False
        commas = int(np.count_nonzero(np.frombuffer(text, dtype=np.uint8) == ord(self._form.delimiter)))
        return commas == lines * (len(self.names) - 1)

    def _typed(self, text: bytes, wanted: dict[str, pl.DataType]) -> pl.DataFrame | None:
        """The wanted columns of the lines, None where a cell does not parse or a line has too many cells."""
        if not text:
            return pl.DataFrame(schema=wanted)
        schema = {f"cell_{place}": pl.String for place in range(len(self.names))}
        places = {name: f"cell_{self.names.index(name)}" for name in wanted}
        schema |= {places[name]: kind for name, kind in wanted.items()}
        try:
            frame = pl.read_csv(text, has_header=False, schema=schema, separator=self._form.delimiter)
        except pl.exceptions.PolarsError:
            return None
        return frame.select(pl.col(place).alias(name) for name, place in places.items())

    def _sorted_out(self, text: bytes, line: int) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Lines that are rows (line, text) and faults of those that are not; blank lines are left out."""
        wanted, mark = len(self.names) - 1, re.escape(self._form.delimiter)
        # With each quoted cell as one mark, what is left are commas between cells and stray quotes.
        bare = pl.col("text").str.replace_all(rf'(^|{mark})"(?:[^"]|"")*"', "${1}\x02")
        lines = (
            pl.DataFrame({"text": text.decode("utf-8").removesuffix("\n").split("\n")})
            .with_row_index("line", offset=line)
            .with_columns(pl.col("line").cast(pl.Int64))
            .filter(pl.col("text").str.strip_chars().str.len_bytes() > 0)
            .with_columns(
                marks=bare.str.count_matches(self._form.delimiter, literal=True), stray=bare.str.contains(rf'"|\x02[^{mark}]')
            )
            .with_columns(
                reason=pl.when(pl.col("text").str.contains("\0", literal=True))
                .then(pl.lit(_NUL))
                .when(pl.col("text").str.contains("\r", literal=True))
                .then(pl.lit("a carriage return within the line; end lines with LF or CRLF"))
                .when(pl.col("stray"))
                .then(pl.lit("a quotation mark is not closed, or stands inside an unquoted cell"))
                .when(pl.col("marks") != wanted)
                .then(
                    pl.format(
                        "{} cells where the header has {}; write an empty cell where nothing was sampled",
                        pl.col("marks") + 1,
                        wanted + 1,
                    )
                )
            )
        )
        bad = lines.filter(pl.col("reason").is_not_null())
        return (
            lines.filter(pl.col("reason").is_null()).select("line", "text"),
            bad.select("line", column=pl.lit(""), value="text", reason="reason"),
        )


_NUL = "the line holds NUL bytes; the file was damaged on the way, export it again"


def _ragged(found: int, wanted: int) -> str:
    return f"{found} cells where the header has {wanted}; quote cells that hold commas or line ends"
