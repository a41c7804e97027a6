"""How an unknown text file is written, told from its beginning: encoding, delimiter, header line, marks of numbers.

Every finding carries its reason; what the sample cannot tell is an error that shows both readings.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass, field
from itertools import islice

import polars as pl

from pipeline.errors import ConfigError, ExportError
from pipeline.exports.encodings import BOM, likely_encodings, told_encoding
from pipeline.exports.formats import source_of
from pipeline.exports.items import Item
from pipeline.exports.sources import MOST_COLUMNS

SAMPLE_BYTES = 1 << 20
SAMPLE_ROWS = 5_000
_DELIMITERS = (",", ";", "\t", "|")
_MOST_SKIPPED = 30  # lines before the header
# Words for "not sampled" that gateways, spreadsheets and databases write (common practice).
ABSENT = (
    "-", "--", "---", "n/a", "na", "#n/a", "nan", "null", "none", "nil", "nodata", "no data", "?", "inf", "-inf",
    "∞", "-∞", "infinity", "invalid", "err", "error", "k.a.", "n.v.",
)  # fmt: skip
_NUMBER = re.compile(r"^[+-]?\d[\d.,'’ \u00a0\u202f]*(?:[eE][+-]?\d+)?$|^[+-]?[.,]\d+$")
_GROUPED = {
    (",", "."): re.compile(r"^[+-]?\d{1,3}(?:\.\d{3})+,\d+$|^[+-]?\d{1,3}(?:\.\d{3}){2,}$"),
    (".", ","): re.compile(r"^[+-]?\d{1,3}(?:,\d{3})+\.\d+$|^[+-]?\d{1,3}(?:,\d{3}){2,}$"),
}
_BLANKS = re.compile(r"^[+-]?\d{1,3}(?:[ \u00a0\u202f]\d{3})+(?:[.,]\d*)?$")
_APOSTROPHES = re.compile(r"^[+-]?\d{1,3}(?:['’]\d{3})+(?:[.,]\d*)?$")
_COMMA, _POINT = re.compile(r"^[+-]?\d*,\d+$"), re.compile(r"^[+-]?\d*\.\d+$")
_MAYBE_GROUP = re.compile(r"^[+-]?[1-9]\d{0,2},\d{3}$")


@dataclass
class Sample:
    """The beginning of one export: column names, cells as text by column, how it is written and why.

    ``naive`` and ``zoned`` name columns that are stored as timestamps. ``text`` is empty for other formats.
    """

    file: str
    names: list[str]
    cells: dict[str, list[str]]
    rows: int
    text: dict[str, str | int] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)
    absent: list[str] = field(default_factory=list)
    naive: list[str] = field(default_factory=list)
    zoned: list[str] = field(default_factory=list)

    def filled(self, name: str) -> list[str]:
        """Cells of a column that are neither empty nor one of the absent words."""
        gone = {word.lower() for word in self.absent}
        return [cell for cell in self.cells[name] if cell and cell.lower() not in gone]

    def numbers(self, name: str) -> list[float] | None:
        """The column's numbers by the file's marks, None where a filled cell is none."""
        values = [self.number(cell) for cell in self.filled(name)]
        return None if any(value is None for value in values) else [value for value in values if value is not None]

    def number(self, cell: str) -> float | None:
        """One cell as a number by the file's marks."""
        thousands, decimal = str(self.text.get("thousands", "")), str(self.text.get("decimal", "."))
        if thousands in ("'", "’"):
            cell = re.sub("['’]", "", cell)
        elif thousands == " ":
            cell = re.sub("[ \u00a0\u202f]", "", cell)
        elif thousands:
            cell = cell.replace(thousands, "")
        try:
            return float(cell.replace(decimal, "."))
        except ValueError:
            return None


def sniff(item: Item, decimal: str = "", encoding: str = "") -> Sample:
    """Read the beginning of an export.

    Args:
        decimal: the decimal mark where the caller knows it.
        encoding: the encoding where the caller knows it.

    Raises:
        ExportError: the file is empty, damaged or no table.
        ConfigError: the sample can be read in two ways.
    """
    if item.format in ("parquet", "ndjson"):
        return _typed(item)
    if item.format not in ("csv", "tsv"):
        source_of(item)  # tells what is wrong with an archive
        raise ExportError(str(item), "neither CSV, TSV, newline-delimited JSON nor Parquet; export it as one of them")
    with item.open() as stream:
        start = stream.read(SAMPLE_BYTES)
        whole = not stream.read(1)
    if not start:
        raise ExportError(str(item), "the file is empty; export it again")
    why: dict[str, str] = {}
    found = encoding or _encoding(start, str(item), why)
    try:
        text = start.removeprefix(BOM).decode(found, errors="strict" if whole else "ignore").removeprefix("\ufeff")
    except (UnicodeDecodeError, LookupError) as error:
        raise ExportError(str(item), f"not {found}: {error}; name its encoding with --encoding") from error
    if "\0" in text:
        raise ExportError(str(item), "holds NUL bytes: not a text file; export it as CSV")
    lines = re.split(r"\r\n|\n|\r", text)
    lines = lines if whole else lines[:-1]
    delimiter, skipped, rows = _cut(lines, str(item), why)
    sample = _of_rows(str(item), rows)
    sample.why = why
    sample.text = {"delimiter": delimiter, "encoding": found, "skip_lines": skipped}
    _find_absent(sample)
    _find_marks(sample, decimal)
    return sample


def _typed(item: Item) -> Sample:
    """A file whose cells are typed: a first batch as text."""
    source = source_of(item)
    batch = next(iter(source.batches(dict.fromkeys(source.names, pl.String))), None)
    frame = batch.frame.head(SAMPLE_ROWS) if batch is not None else pl.DataFrame(schema={"line": pl.Int64})
    times = {name: kind for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)}
    texts = frame.with_columns(pl.col(name).dt.to_string("iso:strict") for name in times)
    texts = texts.with_columns(pl.all().cast(pl.String, strict=False).fill_null("").str.strip_chars())
    names = [name for name in source.names if name in texts.columns]
    sample = Sample(str(item), source.names, {name: texts[name].to_list() for name in names}, texts.height)
    sample.cells |= {name: [] for name in source.names if name not in sample.cells}
    sample.naive = [name for name, kind in times.items() if kind.time_zone is None]
    sample.zoned = [name for name, kind in times.items() if kind.time_zone is not None]
    _find_absent(sample)
    return sample


def _encoding(start: bytes, file: str, why: dict[str, str]) -> str:
    told = told_encoding(start, "utf-8")
    if told != "utf-8":
        why["encoding"] = "the file begins with the byte order mark of it"
        return told
    try:
        start.decode("utf-8")
        why["encoding"] = "every byte of the sample is UTF-8"
        return "utf-8"
    except UnicodeDecodeError as error:
        if error.start >= len(start) - 3:  # a letter cut at the end of the sample
            why["encoding"] = "every byte of the sample is UTF-8"
            return "utf-8"
    fitting = likely_encodings(b"\n" + start)  # the first line, the header, is whole
    if not fitting:
        raise ExportError(file, "not UTF-8, and no encoding fits; name its encoding with --encoding")
    others = f"; {', '.join(fitting[1:])} fit as well: look at the headers" if fitting[1:] else ""
    why["encoding"] = f"not UTF-8; the bytes fit {fitting[0]}{others}"
    return fitting[0]


def _cut(lines: list[str], file: str, why: dict[str, str]) -> tuple[str, int, list[list[str]]]:
    """Delimiter, lines before the header, and the rows from the header on."""
    best: tuple[int, int, str, int, list[list[str]]] | None = None
    for delimiter in _DELIMITERS:
        for skipped in range(min(_MOST_SKIPPED, len(lines))):
            if not lines[skipped].strip():
                continue
            body = "\n".join(lines[skipped : skipped + SAMPLE_ROWS])
            rows = [row for row in islice(csv.reader(io.StringIO(body), delimiter=delimiter), SAMPLE_ROWS) if row]
            width = len(rows[0])
            if width < 2 or not _is_header(rows[0]):
                continue
            same = sum(abs(len(row) - width) <= (0 if len(row) < width else 1) for row in rows[1:])
            share = round(100 * same / (len(rows) - 1)) if rows[1:] else 100
            if share < 50:
                continue
            score = (share, width, delimiter, skipped, rows)
            if best is None or score[:2] > best[:2]:
                best = score
    if best is None:
        raise ExportError(
            file,
            "no line looks like column names with rows of as many cells below; is it a table, separated by comma, "
            "semicolon, tab or bar?",
        )
    share, width, delimiter, skipped, rows = best
    if width > MOST_COLUMNS:
        raise ExportError(file, f"more than {MOST_COLUMNS} columns; not an export of a gateway")
    if len(rows) < 2:
        raise ExportError(file, "column names and no rows; take an export of a day with readings")
    why["delimiter"] = f"{share} % of the sample's lines have {width} cells with it"
    if skipped:
        why["skip_lines"] = f"line {skipped + 1} is the first with {width} cells"
    return delimiter, skipped, rows


def _is_header(cells: list[str]) -> bool:
    """Names and not values: at least one letter in most cells, no instants, no numbers."""
    named = [cell.strip() for cell in cells if cell.strip()]
    values = sum(bool(_NUMBER.match(cell) or re.match(r"^\d{1,4}[-/.:]\d", cell)) for cell in named)
    return len(named) * 2 >= len(cells) and not values


def _of_rows(file: str, rows: list[list[str]]) -> Sample:
    names = [cell.strip() or f"column_{place}" for place, cell in enumerate(rows[0], 1)]
    body = [row for row in rows[1:] if len(row) >= len(names)]
    cells = {name: [row[place].strip() for row in body] for place, name in enumerate(names)}
    return Sample(file, names, cells, len(body))


def _find_absent(sample: Sample) -> None:
    """Words that mean "not sampled" in columns that hold numbers besides."""
    found: Counter[str] = Counter()
    for cells in sample.cells.values():
        kinds = Counter(cell for cell in cells if cell.lower() in ABSENT)
        if kinds and any(_NUMBER.match(cell) for cell in cells):
            found.update(kinds)
    sample.absent = list(found)


def _find_marks(sample: Sample, decimal: str) -> None:
    """Decimal mark and mark between thousands."""
    cells = {cell for name in sample.names for cell in sample.filled(name) if _NUMBER.match(cell)}
    why = sample.why
    for (point, group), pattern in _GROUPED.items():
        grouped = next((cell for cell in sorted(cells) if pattern.match(cell)), None)
        if grouped is not None and decimal in ("", point):
            sample.text |= {"decimal": point, "thousands": group}
            why["thousands"] = f"'{grouped}' can only be read so"
            return
    commas = sorted(cell for cell in cells if _COMMA.match(cell))
    points = sorted(cell for cell in cells if _POINT.match(cell))
    # One to three digits, a mark and three digits may be thousands; anything else has a decimal mark.
    sure = {
        ",": next((cell for cell in commas if not _MAYBE_GROUP.match(cell)), None),
        ".": next((cell for cell in points if not _MAYBE_GROUP.match(cell.replace(".", ","))), None),
    }
    mark = decimal or next((mark for mark, cell in sure.items() if cell is not None), ".")
    if not decimal and all(sure.values()):
        raise ConfigError(
            f"{sample.file}: '{sure[',']}' has a decimal comma and '{sure['.']}' a decimal point; say --decimal with "
            "the mark of the signals"
        )
    if not decimal and commas and not any(sure.values()):
        cell = commas[0]
        raise ConfigError(
            f"{sample.file}: '{cell}' can be {cell.replace(',', '.')} (decimal comma) or {cell.replace(',', '')} "
            "(comma between thousands), and no cell of the sample tells; say --decimal ',' or --decimal '.'"
        )
    sample.text["decimal"] = mark
    if decimal:
        why["decimal"] = "as you said"
    elif sure[mark] is not None:
        why["decimal"] = f"'{sure[mark]}'"
    others = points if mark == "," else commas
    if others:
        sample.text["thousands"] = "." if mark == "," else ","
        why["thousands"] = f"'{others[0]}' beside a decimal {'comma' if mark == ',' else 'point'}"
    for pattern, group in ((_BLANKS, " "), (_APOSTROPHES, "'")):
        grouped = next((cell for cell in sorted(cells) if pattern.match(cell)), None)
        if grouped is not None:
            sample.text["thousands"] = group
            why["thousands"] = f"'{grouped}'"
