"""Newline-delimited JSON: one flat object a line, keys may come and go; odd lines set apart."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.encodings import BOM, check_utf8
from pipeline.exports.items import Item
from pipeline.exports.lines import BLOCK_BYTES, blocks, count, lines_in
from pipeline.exports.rejects import no_faults
from pipeline.exports.sources import MOST_COLUMNS, MOST_TABLE_BYTES, RawBatch, too_big, too_wide

# A text or number behind its key.
_VALUE = r'([^\\]")\s*:\s*(?:"(?:[^"\\]|\\.)*"|[^",{}\[\]]+)'


class NdjsonSource:
    """One file of JSON objects, line 1 is the first (RFC 8259 objects and UTF-8, one a line)."""

    def __init__(self, item: Item | Path) -> None:
        """Read the whole file once for its keys.

        Raises:
            ExportError: the file is empty, damaged, not UTF-8 or holds no objects.
        """
        self._item = item if isinstance(item, Item) else Item(item)
        self.path, self._file = self._item.path, str(self._item)
        self.notes: list[str] = []
        self._doubtful: set[int] = set()  # first lines of blocks to be read line by line
        keys: dict[str, None] = {}
        empty = True
        for line, text, _ in self._blocks():
            empty = False
            for row in map(_object, _shapes(text)):
                if isinstance(row, str):
                    self._doubtful.add(line)
                else:
                    keys |= dict.fromkeys(row)
            if len(keys) > MOST_COLUMNS:
                raise too_wide(self._file)
        if empty:
            raise ExportError(self._file, "the file is empty; export it again")
        if not keys:
            raise ExportError(self._file, "no JSON object in it; write one flat object a line")
        self.names = list(keys)

    def batches(self, wanted: dict[str, pl.DataType]) -> Iterator[RawBatch]:
        """Blocks of rows, see :class:`~pipeline.exports.sources.Source`."""
        for line, text, final in self._blocks():
            yield self._parsed(text, line, wanted, final and not text.endswith(b"\n"))

    def records(self, wanted: list[str]) -> RawBatch:
        """The whole file as text."""
        kinds = {name: pl.String for name in wanted}
        parts, size = [RawBatch(pl.DataFrame(schema={"line": pl.Int64} | kinds), 0, no_faults())], 0
        for batch in self.batches(kinds):
            size += int(batch.frame.estimated_size())
            if size > MOST_TABLE_BYTES:
                raise too_big(self._file)
            parts.append(batch)
        return RawBatch(
            pl.concat(part.frame for part in parts),
            sum(part.rows_in for part in parts),
            pl.concat(part.rejected for part in parts),
        )

    def _blocks(self) -> Iterator[tuple[int, bytes, bool]]:
        """Number of the first line, whole lines, and whether they are the last."""
        line, position = 1, 0
        with self._item.open() as stream:
            for block, final in blocks(stream, BLOCK_BYTES, b"\n", self._file):
                check_utf8(block, position, self._file)
                yield line, block if position else block.removeprefix(BOM), final
                position += len(block)
                line += lines_in(block)

    def _parsed(self, text: bytes, line: int, wanted: dict[str, pl.DataType], cut_short: bool) -> RawBatch:
        lines = lines_in(text)
        flat = b"[" not in text and count(text, ord("{")) == lines
        if flat and line not in self._doubtful:
            frame = _typed(text, wanted)
            if frame is not None and frame.height == lines:
                self.notes += ["no line end after the last row"] if cut_short else []
                numbers = pl.int_range(line, line + lines, dtype=pl.Int64, eager=True)
                return RawBatch(frame.insert_column(0, numbers.alias("line")), lines, no_faults())
        return self._sorted_out(text, line, wanted, cut_short)

    def _sorted_out(
        self, text: bytes, line: int, wanted: dict[str, pl.DataType], cut_short: bool
    ) -> RawBatch:
        """The block line by line: what is no object, or nests values where one is needed, is set apart."""
        rows = _numbered(text, line)
        texts = {name: pl.String for name in wanted}
        bad = rows.clear().with_columns(reason=pl.lit(""))
        frame = _typed(_packed(rows), texts) if line not in self._doubtful else None
        for judge in (_judged, _judged_by_parser):
            if frame is None or frame.height != rows.height:
                told = rows.with_columns(reason=pl.Series(judge(rows["text"]), dtype=pl.String))
                bad = pl.concat([bad, told.filter(pl.col("reason").is_not_null())])
                rows = told.filter(pl.col("reason").is_null()).drop("reason")
                frame = _typed(_packed(rows), texts)
        if frame is None or frame.height != rows.height:
            raise ExportError(self._file, "cannot be read as JSON objects in this block", line=line)
        bad = bad.sort("line")
        faults = [bad.select("line", column=pl.lit(""), value="text", reason="reason")]
        if cut_short and bad.height and (not rows.height or bad["line"][-1] > rows["line"][-1]):
            last = pl.col("line") == bad["line"][-1]
            faults[0] = faults[0].with_columns(
                reason=pl.when(last).then(pl.col("reason") + _CUT_OFF).otherwise("reason")
            )
        elif cut_short and rows.height:
            self.notes.append("no line end after the last row")
        frame = frame.insert_column(0, rows["line"])
        nested = _nested(frame, rows["text"], wanted)
        if nested.height:
            faults.append(nested)
            frame = frame.join(nested, on="line", how="anti", maintain_order="left")
        rejected = pl.concat(faults).sort("line")
        return RawBatch(frame, frame.height + rejected.height, rejected)


def _shapes(text: bytes) -> pl.Series:
    """One line of each sequence of keys; the lines of a gateway have few."""
    lines = pl.DataFrame({"text": text.decode("utf-8").split("\n")})
    bare = pl.col("text").str.replace_all(_VALUE, "${1}:")
    lines = lines.filter(pl.col("text").str.strip_chars().str.len_bytes() > 0)
    return lines.filter(bare.is_first_distinct())["text"]


def _typed(text: bytes, kinds: dict[str, pl.DataType]) -> pl.DataFrame | None:
    """The wanted keys of the objects, None where a line or a value does not parse."""
    if not text:
        return pl.DataFrame(schema=kinds)
    try:
        return pl.read_ndjson(text, schema=kinds)
    except pl.exceptions.PolarsError:
        return None


def _numbered(text: bytes, line: int) -> pl.DataFrame:
    """Lines that are not blank, with their numbers."""
    return (
        pl.DataFrame({"text": text.decode("utf-8").removesuffix("\n").split("\n")})
        .with_row_index("line", offset=line)
        .with_columns(pl.col("line").cast(pl.Int64))
        .filter(pl.col("text").str.strip_chars().str.len_bytes() > 0)
    )


def _packed(rows: pl.DataFrame) -> bytes:
    return ("\n".join(rows["text"]) + "\n").encode("utf-8") if rows.height else b""


def _judged(texts: pl.Series) -> list[str | None]:
    """Why lines are no rows, None where they are."""
    found = map(_object, texts)
    return [reason if isinstance(reason, str) else None for reason in found]


def _judged_by_parser(texts: pl.Series) -> list[str | None]:
    """The same for what the parser alone refuses, such as numbers too large for it."""
    return [_NO_OBJECT if _typed(text.encode("utf-8"), {"": pl.String}) is None else None for text in texts]


def _object(text: str) -> dict[str, object] | str:
    """The object of a line, or why there is none."""
    try:
        found = json.loads(text, parse_constant=_refused, object_pairs_hook=_Pairs)
    except (ValueError, RecursionError):
        return _NO_OBJECT
    if not isinstance(found, _Pairs):
        return _NO_OBJECT
    twice = [key for key, _ in found if sum(key == other for other, _ in found) > 1]
    return f"key {twice[0]!r} stands there more than once; leave one of them" if twice else dict(found)


class _Pairs(list[tuple[str, object]]):
    """The keys and values of an object as they stand there."""


def _refused(word: str) -> float:
    raise ValueError(f"{word} is no number of JSON")


def _nested(frame: pl.DataFrame, texts: pl.Series, wanted: dict[str, pl.DataType]) -> pl.DataFrame:
    """Faults of rows that hold a list or object in a wanted column; a text may begin like one."""
    suspect = pl.any_horizontal(pl.col(list(wanted)).str.contains(r"^[\[{]"))
    lines = frame.with_columns(text=texts).filter(suspect.fill_null(False)).select("line", "text")
    faults = []
    for line, text in lines.iter_rows():
        row = json.loads(text)
        names = [name for name in wanted if isinstance(row.get(name), dict | list)]
        if names:
            reason = f"a list or object within {', '.join(names)}; write one flat object a line"
            faults.append((line, names[0], json.dumps(row[names[0]], ensure_ascii=False), reason))
    schema = {"line": pl.Int64, "column": pl.String, "value": pl.String, "reason": pl.String}
    return pl.DataFrame(faults, schema=schema, orient="row")


_NO_OBJECT = "not one JSON object; write one flat object a line"
_CUT_OFF = "; the file ends within this line and may be cut off, transfer it again"
