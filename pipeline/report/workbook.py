"""The list and the findings sheet as XLSX files: real types, a header that stays, filters, a print set-up.

Every text is written as text, so no cell can become a formula or a link. The same rows give the same bytes.
"""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import polars as pl
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

MOST_CHARS = 32_767  # most characters of a cell (ECMA-376 part 1, 18.18: ST_Xstring as spreadsheets read it)
_CHARS = {
    "week_start": 11, "rank": 6, "unit_id": 14, "depot": 14, "engine_family": 10, "component": 11, "probability": 11,
    "window_from": 11, "window_to": 11, "action": 36, "rule_out_first": 40, "why": 60, "expected_saving": 11, "saving_low": 11, "saving_high": 11,
    "judged_by": 16, "card": 28, "found": 9, "cause": 30, "readings_taken": 36, "part_fitted": 20, "odometer_km": 12,
    "day": 12,
}
_NUMBERS = {"probability": "0%", "expected_saving": "#,##0", "saving_low": "#,##0", "saving_high": "#,##0", "odometer_km": "#,##0"}


def list_book(path: Path, listed: pl.DataFrame, week_start: date, currency: str) -> None:
    """Write the rows of a list, columns as in ``list.csv``, probability as a share shown in percent.

    Raises:
        OSError: the file cannot be written.
    """
    _book(path, f"list {week_start}", listed, week_start, f"Expected savings in {currency}" if currency else "")


def findings_book(path: Path, rows: pl.DataFrame, week_start: date) -> None:
    """Write the sheet of findings, one row a job, empty where the technician writes.

    ``found`` takes yes or no, ``day`` a date and ``odometer_km`` a number of 0 or more; anything else is refused by
    the spreadsheet already.

    Raises:
        OSError: the file cannot be written.
    """
    _book(path, "findings", rows, week_start, "Send back with: lightoff findings FILE", to_fill=True)


def _book(path: Path, name: str, rows: pl.DataFrame, week_start: date, footer: str, to_fill: bool = False) -> None:
    # Nothing is guessed from a text: neither numbers, nor links, nor formulas.
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
               "nan_inf_to_errors": False, "default_date_format": "yyyy-mm-dd"}
    # A temporary path has no ending that the library knows; it takes any.
    with xlsxwriter.Workbook(str(path), options) as book:
        # The day of the list, not that of the writing: the same list gives the same file.
        book.set_properties({"title": name, "created": datetime(week_start.year, week_start.month, week_start.day)})
        page = book.add_worksheet(name[:31])
        head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        styles = {
            column: book.add_format({
                "valign": "top", "text_wrap": True,
                **({"num_format": _NUMBERS[column]} if column in _NUMBERS else {}),
                **({"num_format": "yyyy-mm-dd"} if kind == pl.Date or column == "day" else {}),
            })
            for column, kind in rows.schema.items()
        }
        for place, column in enumerate(rows.columns):
            page.write_string(0, place, column, head)
            page.set_column(place, place, _CHARS.get(column, 14), styles[column])
        for line, row in enumerate(rows.iter_rows(named=True), start=1):
            for place, (column, value) in enumerate(row.items()):
                _cell(page, line, place, value, styles[column])
        _print_set_up(page, rows, footer)
        if to_fill and rows.height:
            _checked(page, rows)


def _cell(page: Worksheet, line: int, place: int, value: object, style: Format) -> None:
    if value is None or value == "":
        page.write_blank(line, place, None, style)
    elif isinstance(value, date):
        page.write_datetime(line, place, datetime(value.year, value.month, value.day), style)
    elif isinstance(value, (int, float)):
        page.write_number(line, place, value, style)
    else:
        page.write_string(line, place, str(value)[:MOST_CHARS], style)


def _print_set_up(page: Worksheet, rows: pl.DataFrame, footer: str) -> None:
    page.freeze_panes(1, 0)
    page.autofilter(0, 0, max(rows.height, 1), rows.width - 1)
    page.set_landscape()
    page.set_paper(9)  # A4
    page.fit_to_pages(1, 0)
    page.repeat_rows(0)
    page.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    page.set_footer(f"&L{footer.replace('&', '&&')}&RPage &P of &N")


def _checked(page: Worksheet, rows: pl.DataFrame) -> None:
    """What the spreadsheet itself refuses, with what to write instead."""
    rules = {
        "found": {
            "validate": "list", "source": ["yes", "no"], "error_title": "found", "error_message": "yes or no",
            "input_title": "found",
            "input_message": "yes: this part, its plug, wires or heater was at fault; no: it was tested and sound, whatever "
            "else was at fault; not looked at: leave the row empty",
        },
        "cause": {
            "validate": "any", "input_title": "cause",
            "input_message": "what it was; another fault or another part renewed stands here, too",
        },
        "part_fitted": {
            "validate": "any", "input_title": "part_fitted",
            "input_message": "number of the new part where this part was renewed; else leave it empty",
        },
        "odometer_km": {"validate": "decimal", "criteria": ">=", "value": 0, "error_message": "kilometres as a number"},
        "day": {"validate": "date", "criteria": ">=", "value": datetime(2005, 1, 1), "error_message": "a date"},
    }
    for column, rule in rules.items():
        place = rows.columns.index(column)
        page.data_validation(1, place, rows.height, place, rule)
