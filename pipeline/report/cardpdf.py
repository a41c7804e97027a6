"""A card as a PDF of A4 pages, drawn with the built-in fonts so that it looks the same on every machine."""

from __future__ import annotations

import io
import logging
from datetime import UTC, datetime

from fpdf import FPDF
from fpdf.enums import XPos, YPos

from pipeline.report.card import FIGURES, Card, Job
from pipeline.report.cardhtml import figures

_MARGIN = 12.0
_WIDTH = 210.0 - 2 * _MARGIN
_SMALL, _BODY, _HEAD, _TITLE = 7.0, 8.2, 10.5, 15.0  # points
_PAGES = 2  # a sheet of paper
_SCALES = (1.0, 0.93, 0.87, 0.8)  # of the letters; below that nobody reads it under a car
# The built-in fonts hold Windows-1252 (ISO 32000-1, annex D.2); what they lack is written out as its code point.
_ENCODING = "cp1252"


class _Sheet(FPDF):
    """A4 with a foot line that names the vehicle and the page."""

    def __init__(self, foot: str, scale: float) -> None:
        super().__init__(format="A4", unit="mm")
        self._foot, self._scale = foot, scale
        self.set_margins(_MARGIN, 10.0, _MARGIN)
        self.set_auto_page_break(True, 14.0)
        self.alias_nb_pages()

    def footer(self) -> None:
        """Called at the end of every page."""
        self.set_y(-10.0)
        self.set_font("Helvetica", size=_SMALL)
        self.cell(_WIDTH, 4.0, f"{self._foot}, page {self.page_no()} of {{nb}}", align="C")

    def words(self, text: str, size: float = _BODY, style: str = "", indent: float = 0.0, gap: float = 0.0) -> None:
        """A paragraph of the page's width."""
        size *= self._scale
        self.set_font("Helvetica", style, size)
        self.set_x(_MARGIN + indent)
        height = size * 0.42
        self.multi_cell(_WIDTH - indent, height, printable(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        if gap:
            self.ln(gap)

    def heading(self, text: str, size: float = _HEAD) -> None:
        """A heading that keeps some lines of its section on its page."""
        if self.get_y() > self.h - 40.0:
            self.add_page()
        self.ln(1.6)
        self.words(text, size, "B")
        self.line(_MARGIN, self.get_y() + 0.3, _MARGIN + _WIDTH, self.get_y() + 0.3)
        self.ln(1.2)


def printable(text: str) -> str:
    """Text in the letters of the built-in fonts; any other as its code point, such as ``\\uac00``."""
    return text.replace("\u03a9", "ohm").encode(_ENCODING, "backslashreplace").decode(_ENCODING)


def card_pdf(card: Card) -> bytes:
    """The card as PDF bytes, on two pages where a smaller letter can do that; the same card gives the same bytes."""
    for scale in _SCALES:
        sheet = _drawn(card, scale)
        if sheet.page_no() <= _PAGES:
            break
    return bytes(sheet.output())


def _drawn(card: Card, scale: float) -> _Sheet:
    # The drawing library says on its logger which parts of an SVG it leaves out: titles, which nobody sees on paper.
    logging.getLogger("fpdf.svg").setLevel(logging.ERROR)
    sheet = _Sheet(printable(f"{card.shown_unit}, week from {card.week_start} ({FIGURES})"), scale)
    sheet.set_creation_date(datetime.combine(card.week_start, datetime.min.time(), UTC))
    sheet.set_title(printable(f"Card {card.shown_unit}, week from {card.week_start}"))
    sheet.add_page()
    sheet.words(f"Vehicle {card.shown_unit}", _TITLE, "B")
    sheet.words(f"{card.facts}; odometer {card.km}; list of the week from Monday {card.week_start}", gap=1.0)
    sheet.words(f"{card.confirm} {card.service_information}", style="B", gap=0.8)
    _cautions(sheet, card)
    codes = "; ".join(card.codes) if card.codes else card.no_codes
    sheet.words(f"Codes present: {codes}.", gap=0.5)
    for place, job in enumerate(card.jobs, 1):
        _job(sheet, job, place, brief=len(card.jobs) > 1)
    if card.deposits:
        sheet.heading("When a sensor comes out: what it looks like")
        for deposit in card.deposits:
            sheet.words(f"{deposit.look}: {deposit.means}; {deposit.do}", _SMALL + 0.4)
        sheet.words(card.deposits_source, _SMALL, "I")
    sheet.heading("Fitting")
    for rule in card.fitting:
        sheet.words(f"- {rule.text} ({rule.source})", _SMALL + 0.4)
    _boxes(sheet, card)
    return sheet


def _cautions(sheet: _Sheet, card: Card) -> None:
    told = " ".join(f"{caution.title.upper()}: {caution.text}" for caution in card.cautions)
    top = sheet.get_y()
    sheet.set_y(top + 1.0)
    sheet.words(told, _SMALL + 0.6, indent=1.5)
    bottom = sheet.get_y() + 1.0
    sheet.rect(_MARGIN, top, _WIDTH, bottom - top)
    sheet.set_y(bottom + 1.0)


def _job(sheet: _Sheet, job: Job, place: int, brief: bool) -> None:
    sheet.heading(job.part)
    sheet.words(job.where, _SMALL + 0.4, gap=0.4)
    sheet.words(f"Chance: {job.chance} (fails within 28 days or has failed); {job.window}; judged by {job.judged_by}.")
    sheet.words(f"Why: {job.why}")
    unknown = f"; the data cannot rule out: {job.not_ruled_out}" if job.not_ruled_out else ""
    if not brief:
        sheet.words(
            f"Points at: {job.points_at}. Confirm by: {job.confirm_by}. Ruled out by the data: {job.ruled_out}{unknown}.",
            _SMALL,
        )
    sheet.words(f"Rule out first: {job.rule_out}", style="B")
    sheet.words(f"Then: {job.action}", gap=0.6)
    drawn = figures(job, place)
    if drawn:
        _figures(sheet, drawn)
    for number, check in enumerate(job.checks, 1):
        if sheet.get_y() > sheet.h - 30.0:
            sheet.add_page()
        sheet.words(f"{number}  {check.title}  (about {check.minutes} min)", style="B")
        sheet.words(check.do, _SMALL + 0.6, indent=4.0)
        sheet.words("Expect: " + "; ".join(check.expect) + ".", _SMALL + 0.6, indent=4.0)
        sheet.words(f"Write down: {check.write_down}  ______________________", _SMALL + 0.6, indent=4.0)
        sheet.words(check.source, _SMALL - 0.6, "I", indent=4.0, gap=0.7)


def _figures(sheet: _Sheet, drawn: list[tuple[str, str]]) -> None:
    """Up to three plots side by side with their captions."""
    width = (_WIDTH - 4.0) / len(drawn) if len(drawn) > 1 else _WIDTH / 2
    height = width * 0.45
    if sheet.get_y() + height > sheet.h - 25.0:
        sheet.add_page()
    top = sheet.get_y()
    bottom = top
    for place, (svg, words) in enumerate(drawn):
        left = _MARGIN + place * (width + 2.0)
        plain_svg = svg.replace("currentColor", "#000000")
        if "xmlns=" not in plain_svg:
            plain_svg = plain_svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
        sheet.image(io.BytesIO(plain_svg.encode("utf-8")), x=left, y=top, w=width)
        sheet.set_xy(left, top + height)
        sheet.set_font("Helvetica", size=_SMALL - 0.4)
        sheet.multi_cell(width, 2.7, printable(words), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        bottom = max(bottom, sheet.get_y())
    sheet.set_y(bottom + 1.0)


def _boxes(sheet: _Sheet, card: Card) -> None:
    sheet.heading("What was it? Write it into the findings sheet")
    sheet.words(card.found, _SMALL, gap=0.6)
    widths = [_WIDTH * 0.22, *[_WIDTH * 0.78 / len(card.boxes)] * len(card.boxes)]
    rows = [["card", *card.boxes], *([job.card_id, *[""] * len(card.boxes)] for job in card.jobs)]
    for place, row in enumerate(rows):
        head = place == 0
        height = 8.4 if head else 9.0
        if sheet.get_y() + height > sheet.h - 15.0:
            sheet.add_page()
        left, top = _MARGIN, sheet.get_y()
        for width, cell in zip(widths, row, strict=True):
            sheet.rect(left, top, width, height)
            sheet.set_xy(left, top + (0.3 if head else height / 2 - 1.4))
            sheet.set_font("Helvetica", "B" if head else "", _SMALL - 0.6)
            sheet.multi_cell(width, 2.6, printable(cell), align="L")
            left += width
        sheet.set_xy(_MARGIN, top + height)
