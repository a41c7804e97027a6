"""The cards of one list as files: ``cards/<vehicle>.html`` and ``.pdf``, and the sheet to be filled in."""

from __future__ import annotations

import csv
import hashlib
import io
import re
from itertools import count
from pathlib import Path

import polars as pl

from pipeline.errors import ExportError, LightoffError
from pipeline.exports.sheets import read_sheet
from pipeline.lake import Lake
from pipeline.report.card import Card, cards, file_stem
from pipeline.report.cardfacts import read_card_facts
from pipeline.report.cardhtml import card_page
from pipeline.report.cardpdf import card_pdf
from pipeline.report.wholefile import whole
from pipeline.report.words import read_indicators
from pipeline.report.workbook import findings_book
from pipeline.settings import Settings

FOLDER = "cards"
SHEET = "findings"
_SHEETS = (".csv", ".xlsx")
FILLED_COLUMNS = ("found", "cause", "readings_taken", "part_fitted", "odometer_km", "day")
GIVEN_COLUMNS = ("card", "unit_id", "component")
SHEET_COLUMNS = (*GIVEN_COLUMNS, *FILLED_COLUMNS)


def write_cards(
    lake: Lake, settings: Settings, ranked: pl.DataFrame, weeks: pl.DataFrame, folder: Path, currency: str
) -> Path | None:
    """Write the cards of the vehicles at the top of a list, as many as ``card_vehicles`` says.

    Each file is replaced whole. Cards of an earlier run of the same list that it no longer has are removed: a card
    that lies about is worked on. A sheet of findings in which somebody has written is left as it is, and the new one lies
    beside it as ``findings-2`` (:func:`kept_lines` says so).

    Returns:
        The folder, None where no card was wanted or nothing is listed.

    Raises:
        LightoffError: a file cannot be written.
        ConfigError: ``cards.toml`` or ``indicators.csv`` cannot be read.
    """
    listed = ranked.filter(pl.col("list_rank").is_not_null()).sort("list_rank")
    units = listed["unit_id"].unique(maintain_order=True).head(settings.card_vehicles).to_list()
    target = folder / FOLDER
    wanted = ranked.filter(pl.col("list_rank").is_null() | pl.col("unit_id").is_in(units))
    made = cards(lake, settings, wanted, weeks, read_card_facts(settings), read_indicators(settings), currency)
    stems = distinct_stems([card.unit_id for card in made])
    try:
        if target.is_dir():
            for path in target.iterdir():
                if path.suffix in (".html", ".pdf") and path.stem not in stems:
                    path.unlink()
        if not made:
            return None
        target.mkdir(parents=True, exist_ok=True)
        for card, stem in zip(made, stems, strict=True):
            with whole(target / f"{stem}.html") as temporary:
                temporary.write_text(card_page(card), encoding="utf-8", newline="\n")
            with whole(target / f"{stem}.pdf") as temporary:
                temporary.write_bytes(card_pdf(card))
        stem = _unfilled_stem(target)
        with whole(target / f"{stem}.csv") as temporary:
            temporary.write_text(sheet(made), encoding="utf-8", newline="")
        with whole(target / f"{stem}.xlsx") as temporary:
            findings_book(temporary, _sheet_frame(made), made[0].week_start)
    except OSError as error:
        raise LightoffError(f"{target}: cannot be written: {error}; check rights and space, or `out`") from error
    return target


def filled_sheets(folder: Path) -> list[Path]:
    """Sheets of findings in a folder of cards in which somebody has written, in the order in which they were made."""
    ours = re.compile(rf"{SHEET}(-\d+)?({'|'.join(map(re.escape, _SHEETS))})")
    found = [path for path in folder.iterdir() if ours.fullmatch(path.name) and _is_filled(path)]
    return sorted(found, key=lambda path: (len(path.stem), path.name))


def kept_lines(folder: Path) -> list[str]:
    """One line for a console or a log where sheets that were filled in lie beside the new one; none elsewhere."""
    kept = [path.name for path in filled_sheets(folder)]
    if not kept:
        return []
    been = "has been filled in and was kept" if len(kept) == 1 else "have been filled in and were kept"
    return [
        f"{', '.join(kept)} in the folder of the cards {been}; the new sheet is {_unfilled_stem(folder)}{_SHEETS[0]} or "
        f"{_SHEETS[1]}"
    ]


def _unfilled_stem(folder: Path) -> str:
    """Name of the new sheet without its ending: the first of which nobody has filled in the CSV or the XLSX file."""
    stems = (SHEET if number == 1 else f"{SHEET}-{number}" for number in count(1))
    return next(stem for stem in stems if not any(_is_filled(folder / f"{stem}{ending}") for ending in _SHEETS))


def _is_filled(path: Path) -> bool:
    """Whether anything stands in a sheet beside what was printed into it; true where that cannot be told."""
    if not path.is_file():
        return False
    try:
        header, rows = read_sheet(path)
    except ExportError:
        return True
    own = set(header) - set(GIVEN_COLUMNS)
    return not set(GIVEN_COLUMNS) <= set(header) or any(row.cells.get(name) for row in rows for name in own)


def distinct_stems(units: list[str]) -> list[str]:
    """File names of the vehicles; those that differ only by case get a hash, for disks that do not tell them apart."""
    stems = [file_stem(unit) for unit in units]
    folded = [stem.casefold() for stem in stems]
    return [
        stem if folded.count(fold) == 1 else f"{stem}-{hashlib.sha256(unit.encode()).hexdigest()[:8]}"
        for unit, stem, fold in zip(units, stems, folded, strict=True)
    ]


def sheet(made: list[Card]) -> str:
    """The sheet of findings: one row a card's job, the columns after the first three to be filled in."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(SHEET_COLUMNS)
    for row in _sheet_frame(made).iter_rows():
        writer.writerow(["" if cell is None else _no_formula(cell) for cell in row])
    return text.getvalue()


def _sheet_frame(made: list[Card]) -> pl.DataFrame:
    jobs = [(job.card_id, card.unit_id, job.component) for card in made for job in card.jobs]
    frame = pl.DataFrame(jobs, schema=dict.fromkeys(GIVEN_COLUMNS, pl.String), orient="row")
    return frame.with_columns(pl.lit(None, pl.String).alias(name) for name in FILLED_COLUMNS)


def _no_formula(text: str) -> str:
    """The text with an apostrophe in front where a spreadsheet would run it, as in ``list.csv``."""
    return f"'{text}" if text[:1] in "=+-@\t\r\n" and text else text
