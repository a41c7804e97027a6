"""Filled sheets as people send them back: CSV of any spreadsheet, or the first sheet of an XLSX file, as text cells."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from python_calamine import CalamineError, CalamineWorkbook

from pipeline.errors import ExportError

MOST_BYTES = 20_000_000
MOST_ROWS = 200_000
_SAVE = "save the sheet as XLSX or as CSV in UTF-8"


@dataclass(frozen=True)
class SheetRow:
    """One row below the header: its line in the file (the header's is 1 in a sheet without title rows) and its cells."""

    line: int
    cells: dict[str, str]


def read_sheet(path: Path) -> tuple[list[str], list[SheetRow]]:
    """Header (lower case, blanks as ``_``) and rows of a sheet; rows without any text are left out.

    Dates of an XLSX file come as ``2026-04-27``, whole numbers without a decimal point.

    Raises:
        ExportError: the file cannot be read, is no sheet, is too large, or names a column twice.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise ExportError(str(path), f"is larger than {MOST_BYTES // 1_000_000} MB; send the sheets one by one")
        lines = _workbook(path) if path.suffix.lower() in (".xlsx", ".xlsm") else _text(path)
    except OSError as error:
        raise ExportError(str(path), f"cannot be read: {error.strerror or error}") from error
    filled = [(number, cells) for number, cells in enumerate(lines, start=1) if any(cells)]
    if not filled:
        raise ExportError(str(path), "holds no row; give the sheet that lies beside the cards")
    if len(filled) > MOST_ROWS:
        raise ExportError(str(path), f"holds more than {MOST_ROWS:,} rows; send the sheets one by one")
    header = ["_".join(cell.lower().split()) for cell in filled[0][1]]
    for name in header:
        if name and header.count(name) > 1:
            raise ExportError(str(path), "this column stands twice; delete one", filled[0][0], name)
    return header, [
        SheetRow(number, {name: cell for name, cell in zip(header, cells, strict=False) if name})
        for number, cells in filled[1:]
    ]


def _workbook(path: Path) -> list[list[str]]:
    try:
        with CalamineWorkbook.from_path(path) as book:
            rows = book.get_sheet_by_index(0).to_python(skip_empty_area=False)
    except CalamineError as error:
        raise ExportError(str(path), f"is no XLSX file that can be opened ({error}); {_SAVE}") from error
    return [[cell_text(cell) for cell in row] for row in rows]


def _text(path: Path) -> list[list[str]]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ExportError(str(path), f"is not UTF-8 from byte {error.start} on; {_SAVE}") from error
    first = text.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)  # a spreadsheet writes the separator of its country
    try:
        return [[cell_text(cell) for cell in row] for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator)]
    except csv.Error as error:
        raise ExportError(str(path), f"is no CSV file ({error}); {_SAVE}") from error


def cell_text(cell: object) -> str:
    """A cell as text, as a sheet brings it back: single blanks for blanks of any kind and number, line breaks included,
    and without an apostrophe that keeps a spreadsheet from running the text.
    """
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time() == datetime.min.time() else cell.isoformat()
    if isinstance(cell, date):
        return cell.isoformat()
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    text = " ".join(str(cell).split())
    return text[1:] if text[:1] == "'" and text[1:2] in ("=", "+", "-", "@") else text
