"""CSV and TSV files: cut into blocks at line ends, each block parsed at once, odd lines set apart."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.encodings import BOM, Recoded, check_utf8, is_utf8, told_encoding, what_to_do
from pipeline.exports.items import Item
from pipeline.exports.lastcell import NO_END, TAIL_BYTES, UNSURE, may_be_cut
from pipeline.exports.lines import BLOCK_BYTES, blocks, count, lines_in, rows_over_lines
from pipeline.exports.rejects import FAULTS, no_faults
from pipeline.exports.sources import MOST_COLUMNS, MOST_TABLE_BYTES, RawBatch, TextForm, too_big, too_wide
from pipeline.exports.textcells import absent_words, as_kinds, as_texts, number_columns

_MOST_HEADER_BYTES = 1 << 20
_SAMPLE_ROWS = 1_000  # rows that tell how many cells a row has


class CsvSource:
    """One CSV or TSV file; the first line, after those skipped, is the header."""

    def __init__(self, item: Item | Path, form: TextForm | None = None) -> None:
        """Read the header.

        Args:
            form: how the file is written; without it commas, or tabs where its name ends in ``.tsv``.

        Raises:
            ExportError: the file is empty, damaged, in another encoding or has no header.
        """
        self._item = item if isinstance(item, Item) else Item(item)
        self.path, self._file = self._item.path, str(self._item)
        self._form = form or TextForm(delimiter="\t" if self._item.format == "tsv" else ",")
        self.notes: list[str] = []
        with self._item.open() as raw:
            self._encoding = told_encoding(raw.read(4), self._form.encoding)
        with self._opened() as stream:
            start = stream.read(_MOST_HEADER_BYTES)
        if not start:
            raise ExportError(self._file, "the file is empty; export it again")
        self._read_header(start)

    def batches(self, wanted: dict[str, pl.DataType]) -> Iterator[RawBatch]:
        """Blocks of rows, see :class:`~pipeline.exports.sources.Source`."""
        kinds = as_kinds(wanted, self._form)
        line, position, held, self._above = self._first, self._header_bytes, b"", b""
        with self._opened() as stream:
            stream.read(self._header_bytes)
            for block, final in blocks(stream, BLOCK_BYTES, self._end, self._file):
                check_utf8(block, position, self._file)
                position += len(block)
                text = held + self._line_ends(block)
                batch, held = self._parsed(text, line, kinds, final)
                line += lines_in(text) - lines_in(held)
                yield RawBatch(as_texts(batch.frame, wanted, self._form), batch.rows_in, batch.rejected)

    def records(self, wanted: list[str]) -> RawBatch:
        """The whole file through the csv module."""
        with self._opened() as stream:
            stream.read(self._header_bytes)
            content = stream.read(MOST_TABLE_BYTES + 1)
        if len(content) > MOST_TABLE_BYTES:
            raise too_big(self._file)
        check_utf8(content, self._header_bytes, self._file)
        reader = csv.reader(
            io.StringIO(content.decode("utf-8"), newline=""), delimiter=self._form.delimiter
        )
        rows: list[list[str]] = []
        lines: list[int] = []
        rejected: list[tuple[int, str, str, str]] = []
        started = self._first
        try:
            for cells in reader:
                line, started = started, self._first + reader.line_num
                if len(cells) <= 1 and not "".join(cells).strip():
                    continue
                if reason := self._fault(cells):
                    rejected.append((line, "", self._form.delimiter.join(cells), reason))
                else:
                    rows.append(cells)
                    lines.append(line)
        except csv.Error as error:
            raise ExportError(self._file, f"cannot be cut into cells: {error}", line=started) from error
        if content and not content.endswith((b"\n", b"\r")):
            last = rejected.pop() if rejected and rejected[-1][0] > max(lines, default=0) else None
            rejected += [(*last[:3], last[3] + _CUT_OFF)] if last else []
            self.notes += [] if last else [NO_END]
        places = {name: self.names.index(name) for name in wanted}
        frame = pl.DataFrame(
            {"line": lines} | {name: [row[place] for row in rows] for name, place in places.items()},
            schema={"line": pl.Int64} | {name: pl.String for name in wanted},
        )
        numbers = number_columns(frame, self._form)
        kinds = {name: pl.Float64 if name in numbers else pl.String for name in wanted}
        frame = as_texts(frame, kinds, self._form)
        return RawBatch(frame, len(rows) + len(rejected), pl.DataFrame(rejected, schema=FAULTS, orient="row"))

    # -- bytes -----------------------------------------------------------------------------------------------

    @contextmanager
    def _opened(self) -> Iterator[BinaryIO]:
        """The text as UTF-8."""
        with self._item.open() as raw:
            if is_utf8(self._encoding):
                yield raw
            else:
                yield io.BufferedReader(Recoded(raw, self._encoding, self._file), _MOST_HEADER_BYTES)

    def _read_header(self, start: bytes) -> None:
        """Line ends, column names and the number of cells a row, told from the beginning of the file."""
        ends = re.search(rb"\r\n|\n|\r", start)
        # Lone carriage returns: line ends of old, and of some spreadsheets still.
        self._end = b"\r" if ends and ends.group() == b"\r" else b"\n"
        at = 0
        for _ in range(self._form.skip_lines):
            at = (start.find(self._end, at) + 1) or len(start)
        stop = start.find(self._end, at) + 1
        if not stop and len(start) >= _MOST_HEADER_BYTES:
            if start.count(self._form.delimiter.encode(), at) >= MOST_COLUMNS:
                raise too_wide(self._file)
            raise ExportError(
                self._file, f"no line end within {_MOST_HEADER_BYTES} bytes: not a CSV file", line=1
            )
        self._header_bytes = stop or len(start)
        number = self._form.skip_lines + 1
        self._first = number + 1
        check_utf8(start[: self._header_bytes], 0, self._file)
        header = start[at : self._header_bytes].removeprefix(BOM).decode("utf-8").rstrip("\r\n")
        self._header = header
        if not header.strip():
            raise ExportError(self._file, f"blank; line {number} must hold the column names", line=number)
        if "\0" in header:
            raise ExportError(self._file, f"NUL bytes in the header; {what_to_do(start)}", line=number)
        if header.count(self._form.delimiter) >= MOST_COLUMNS:
            raise too_wide(self._file)
        cells = [cell.strip() for cell in next(csv.reader([header], delimiter=self._form.delimiter))]
        self.names = [cell or f"column_{place}" for place, cell in enumerate(cells, 1)]
        self._extra = False
        self._shape(start[self._header_bytes :], whole=len(start) < _MOST_HEADER_BYTES)

    def _shape(self, sample: bytes, whole: bool) -> None:
        """Whether all rows are one empty cell longer than the header, or one shorter than a header with one."""
        text = sample.decode("utf-8", errors="replace")
        if '"' not in text:
            # Lines are rows: where all have as many cells as the header, there is no habit to find.
            lines = text.split(self._end.decode(), _SAMPLE_ROWS + 1)
            counts = {line.count(self._form.delimiter) for line in lines[:-1] if line}
            if counts == {len(self.names) - 1} and self._header.rstrip()[-1:] != self._form.delimiter.strip()[:1]:
                return
        rows: list[list[str]] = []
        try:
            for row in csv.reader(io.StringIO(text, newline=""), delimiter=self._form.delimiter):
                rows.append(row)
                if len(rows) > _SAMPLE_ROWS:
                    break
        except csv.Error:
            return  # told with its line when the row is read
        rows = [row for row in (rows if whole and len(rows) <= _SAMPLE_ROWS else rows[:-1]) if row]
        widths = {len(row) for row in rows}
        if widths == {len(self.names) + 1} and not any(row[-1].strip() for row in rows):
            self._extra = True
            self.notes.append("every row has one empty cell more than the header")
        elif (
            widths == {len(self.names) - 1} and self._header.rstrip()[-1:] == self._form.delimiter.strip()[:1]
        ):
            del self.names[-1]
            self.notes.append("the header has one empty name more than the rows have cells")

    def _line_ends(self, block: bytes) -> bytes:
        if b"\r" in block:
            block = block.replace(b"\r\n", b"\n")
            if self._end == b"\r":
                block = block.replace(b"\r", b"\n")
        return block

    # -- cells -----------------------------------------------------------------------------------------------

    @property
    def _width(self) -> int:
        return len(self.names) + self._extra

    def _parsed(
        self, text: bytes, line: int, kinds: dict[str, pl.DataType], final: bool
    ) -> tuple[RawBatch, bytes]:
        """The rows, and lines at the end whose row may go on in the next block."""
        lines = lines_in(text)
        cut_short = final and not text.endswith(b"\n")
        # What an answer lacks at its end is told by its length, and what is not read cannot be wrong.
        read = self.names[-1] in kinds and self.names[-1] != "response"
        self._above, above = text[-TAIL_BYTES:], self._above
        unsure = cut_short and read and may_be_cut(above, text, self._form.delimiter, self._form.decimal)
        frame = self._typed(text, kinds) if not unsure and self._even(text, lines) else None
        if frame is not None and frame.height == lines:
            self.notes += [NO_END] if cut_short else []
            numbers = pl.int_range(line, line + lines, dtype=pl.Int64, eager=True)
            return RawBatch(frame.insert_column(0, numbers.alias("line")), lines, no_faults()), b""
        rows, held = rows_over_lines(text, line, final, self._is_row)
        good, rejected = self._sorted_out(rows, cut_short, unsure)
        cells = ("\n".join(good["text"]) + "\n").encode() if good.height else b""
        frame = self._typed(cells, kinds)
        if frame is None:
            frame = self._typed(cells, {name: pl.String for name in kinds})
        if frame is None or frame.height != good.height:
            raise ExportError(self._file, f"lines {line} to {line + lines - 1} cannot be cut into cells")
        frame = frame.insert_column(0, good["line"])
        return RawBatch(frame, frame.height + rejected.height, rejected), held

    def _even(self, text: bytes, lines: int) -> bool:
        """Whether, by a count of bytes, every line may be a row; one too long fails in the parser."""
        if any(mark in text for mark in (b'"', b"\0", b"\r", self._header.encode())):
            return False
        return count(text, ord(self._form.delimiter)) == lines * (self._width - 1)

    def _typed(self, text: bytes, kinds: dict[str, pl.DataType]) -> pl.DataFrame | None:
        """The wanted columns of the rows, None where a cell does not parse or a row has too many cells."""
        if not text:
            return pl.DataFrame(schema=kinds)
        schema = {f"cell_{place}": pl.String for place in range(self._width)}
        places = {name: f"cell_{self.names.index(name)}" for name in kinds}
        schema |= {places[name]: kind for name, kind in kinds.items()}
        try:
            frame = pl.read_csv(
                text,
                has_header=False,
                schema=schema,
                separator=self._form.delimiter,
                decimal_comma=self._form.decimal == ",",
                null_values=absent_words(self._form) or None,
            )
        except pl.exceptions.PolarsError:
            return None
        if self._extra and frame[f"cell_{len(self.names)}"].null_count() < frame.height:
            return None
        return frame.select(pl.col(place).alias(name) for name, place in places.items())

    def _is_row(self, text: str) -> bool:
        mark = re.escape(self._form.delimiter)
        bare = re.sub(rf'(^|{mark})"(?:[^"]|"")*"(?=\r?$|{mark})', r"\1", text)
        return '"' not in bare and bare.count(self._form.delimiter) == self._width - 1

    def _sorted_out(self, rows: pl.DataFrame, cut_short: bool, unsure: bool) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Rows that are good (line, text) and faults of the others; blank lines are left out."""
        mark = re.escape(self._form.delimiter)
        # With each quoted cell as one mark, what is left are delimiters between cells and stray quotes.
        bare = pl.col("text").str.replace_all(rf'(^|{mark})"(?:[^"]|"")*"', "${1}\x02")
        judged = (
            rows.filter(pl.col("text").str.strip_chars().str.len_bytes() > 0)
            .with_columns(bare=bare)
            .with_columns(
                marks=pl.col("bare").str.count_matches(self._form.delimiter, literal=True),
                stray=pl.col("bare").str.contains(rf'"|\x02[^{mark}]'),
            )
            .with_columns(
                reason=pl.when(pl.col("text").str.contains("\0", literal=True))
                .then(pl.lit(_NUL))
                .when(pl.col("text") == self._header)
                .then(pl.lit("the header line again; the file was put together from several"))
                .when(pl.col("bare").str.contains("\r", literal=True))
                .then(pl.lit("a carriage return within the line; end lines with LF or CRLF"))
                .when(pl.col("stray"))
                .then(pl.lit("a quotation mark is not closed, or stands inside an unquoted cell"))
                .when(pl.col("marks") != self._width - 1)
                .then(
                    pl.format(
                        f"{{}} cells where {self._whose} {{}}; write an empty cell where nothing was sampled",
                        pl.col("marks") + 1,
                        self._width,
                    )
                )
                .when(pl.lit(self._extra) & ~pl.col("text").str.contains(rf'{mark}\s*(?:"")?\s*$'))
                .then(pl.lit("the cell after the last column is empty in the rows before, and here it is not"))
            )
        )
        if cut_short and judged.height:
            last = pl.col("line") == judged["line"][-1]
            self.notes += [NO_END] if judged["reason"][-1] is None else []
            told = (pl.col("reason") + _CUT_OFF).fill_null(pl.lit(UNSURE if unsure else None, pl.String))
            judged = judged.with_columns(reason=pl.when(last).then(told).otherwise("reason"))
        bad = judged.filter(pl.col("reason").is_not_null())
        return (
            judged.filter(pl.col("reason").is_null()).select("line", "text"),
            bad.select("line", column=pl.lit(""), value="text", reason="reason"),
        )

    def _fault(self, cells: list[str]) -> str:
        """Why the cells are no row of a small table; empty where they are."""
        if any("\0" in cell for cell in cells):
            return _NUL
        if len(cells) != self._width or (self._extra and cells[-1].strip()):
            return (
                f"{len(cells)} cells where {self._whose} {self._width}; quote cells that hold delimiters or "
                "line ends"
            )
        if [cell.strip() or f"column_{place}" for place, cell in enumerate(cells, 1)] == self.names:
            return "the header line again; the file was put together from several"
        return ""

    @property
    def _whose(self) -> str:
        return "the other rows have" if self._extra else "the header has"


_NUL = "the line holds NUL bytes; the file was damaged on the way, export it again"
_CUT_OFF = "; the file ends within this line and may be cut off, transfer it again"
