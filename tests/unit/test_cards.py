"""Technician's cards: a file a vehicle whatever its number, two pages, every value with a source, nothing runs."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from datetime import UTC, date, datetime
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest

from models.levels import LEVEL_WEEKS
from pipeline.lake import Lake
from pipeline.report.card import FIGURES, Card, _codes, _fitted, cards, file_stem
from pipeline.report.cardfacts import PARTS, SENSOR_KINDS, read_card_facts
from pipeline.report.cardfiles import SHEET_COLUMNS, distinct_stems, write_cards
from pipeline.report.cardhtml import card_page
from pipeline.report.cardpdf import card_pdf, printable
from pipeline.report.rests import read_ranked
from pipeline.report.words import read_indicators
from pipeline.settings import Settings
from pipeline.tables import table
from tests.browser.report_lake import SCRIPT, WEEK, fill, rows_of, weeks_frame


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Lake:
    return fill(tmp_path_factory.mktemp("cards") / "lake")


@pytest.fixture(scope="module")
def made(lake: Lake) -> list[Card]:
    settings = Settings()
    ranked = read_ranked(lake, "issued", WEEK)
    return cards(lake, settings, ranked, weeks_frame(), read_card_facts(settings), read_indicators(settings), "EUR")


@pytest.fixture(scope="module")
def folder(lake: Lake, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out")
    written = write_cards(lake, Settings(), read_ranked(lake, "issued", WEEK), weeks_frame(), out, "EUR")
    assert written is not None
    return written


def pages(pdf: bytes) -> int:
    """Pages of a PDF: its page objects (ISO 32000-1, 7.7.3.3)."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


def test_every_listed_vehicle_has_both_files(lake: Lake, made: list[Card], folder: Path) -> None:
    ranked = read_ranked(lake, "issued", WEEK)
    listed = set(ranked.filter(ranked["list_rank"].is_not_null())["unit_id"])
    assert {card.unit_id for card in made} == listed
    assert len(list(folder.glob("*.html"))) == len(list(folder.glob("*.pdf"))) == len(listed)
    assert all(path.read_bytes().startswith(b"%PDF-") for path in folder.glob("*.pdf"))
    # Nothing lies outside the folder, whatever the vehicles are called.
    assert {path.parent for path in folder.parent.rglob("*") if path.is_file()} == {folder}


def test_two_pages_at_most(made: list[Card]) -> None:
    assert made
    assert max(len(card.jobs) for card in made) >= 1
    for card in made:
        assert 1 <= pages(card_pdf(card)) <= 2, card.unit_id


def test_two_jobs_of_one_vehicle_fit_two_pages(made: list[Card]) -> None:
    sensor = next(card for card in made if card.jobs[0].component == "B1S1")
    catalyst = next(card for card in made if card.jobs[0].component == "CAT1")
    both = replace(sensor, jobs=[*sensor.jobs, *catalyst.jobs])
    assert pages(card_pdf(both)) <= 2


def test_same_card_same_bytes(made: list[Card]) -> None:
    assert card_pdf(made[0]) == card_pdf(made[0])
    assert card_page(made[0]) == card_page(made[0])


@pytest.mark.parametrize(
    ("unit", "stem"),
    [("VE0138", "VE0138"), ("a-b_c", "a-b_c")],
)
def test_harmless_numbers_are_file_names(unit: str, stem: str) -> None:
    assert file_stem(unit) == stem


@pytest.mark.parametrize("unit", ["../../etc/passwd", "-rf", " V1", "a/b", "가나다", "CON:", "x" * 300, ".", "=1+1"])
def test_other_numbers_become_harmless_names(unit: str) -> None:
    stem = file_stem(unit)
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_-]*", stem) and len(stem) <= 60
    assert stem != file_stem(unit + "x")


def test_numbers_that_differ_by_case_have_files_of_their_own() -> None:
    stems = distinct_stems(["v1", "V1", "W2"])
    assert len({stem.casefold() for stem in stems}) == 3
    assert stems[2] == "W2"


class Tags(HTMLParser):
    """Elements of a page and what they load."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.loads: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.names.append(tag)
        self.loads += [value for name, value in attrs if name in ("src", "href") and not (value or "").startswith("#")]


def test_no_text_becomes_markup(made: list[Card]) -> None:
    assert any(SCRIPT in card.unit_id for card in made)
    for card in made:
        tags = Tags(card_page(card))
        assert "script" not in tags.names and "img" not in tags.names
        assert set(tags.loads) <= {"data:,"}  # an empty icon, so that no browser asks for one


def test_cautions_and_deference_stand_on_every_card(made: list[Card]) -> None:
    for card in made:
        told = " ".join(f"{caution.title} {caution.text}".lower() for caution in card.cautions)
        for word in ("exhaust", "running engine", "carbon monoxide", "lifting", "fuel vapour", "propane"):
            assert word in told, word
        assert "service information" in card.confirm + card.service_information
        assert "Confirm" in card.confirm + card.service_information
        for job in card.jobs:
            assert job.rule_out and job.checks
            assert all(check.source and check.expect for check in job.checks)


def test_nothing_is_unscrewed_from_a_hot_exhaust() -> None:
    """The card's own caution says to let it cool; a gauge fitted "hot exhaust: gloves" burns hands, and an engine that runs
    rich without its sensor for long overheats the catalyst (common practice)."""
    (gauge,) = (check for check in read_card_facts(Settings()).checks if check.id == "back_pressure")
    assert gauge.do.index("cool") < gauge.do.index("fit the gauge") and "cool again" in gauge.do
    assert "only as long as" in gauge.do and "hot exhaust" not in gauge.do


def test_each_position_is_told_its_own_monitors() -> None:
    """Service $06 monitor ids of SAE J1979-DA, Appendix D (domain reference 2.1): $43 and $44 are heaters of third and
    fourth sensors, so that a range from $41 to $46 sends who tests bank 2 to another sensor's result."""
    (read,) = (check for check in read_card_facts(Settings()).checks if check.id == "on_board")
    assert "bank 1 / bank 2" in read.do
    each = {"upstream": "$01/$05", "downstream": "$02/$06", "heaters": "$41/$45 and $42/$46", "catalyst": "$21/$22"}
    for part, monitors in each.items():
        assert re.search(rf"{monitors.replace('$', '[$]')} {part}|{part} {monitors.replace('$', '[$]')}", read.do), part
    assert "$43" not in read.do and "$41 to $46" not in read.do


@pytest.mark.parametrize(("part", "kind"), [(part, kind) for part in PARTS for kind in SENSOR_KINDS])
def test_no_test_refers_to_one_that_its_card_has_not(part: str, kind: str) -> None:
    """A downstream card said "propane as above" with nothing above it: how to and the dangers stand with the test itself."""
    for check in read_card_facts(Settings()).checks_for(part, kind, ""):
        assert "as above" not in check.do
        if "propane" in check.do:
            assert "trained" in check.do and "ventilated" in check.do and "ignition" in check.do, check.id
            assert "flammable gas" in check.title, check.id


@pytest.mark.parametrize("part", PARTS)
def test_every_part_has_the_mixture_tested_before_its_signal(part: str) -> None:
    """Order of blame (domain reference 3.3, rows 4 to 6): air, fuel and misfire before any sensor, and a lean mixture holds
    a sound downstream sensor lean, which is what its card says of one that reads weak."""
    order = [check.id for check in read_card_facts(Settings()).checks_for(part, "narrowband", "weak")]
    signal = [name for name in order if name.startswith(("live", "lean", "rich")) or name in ("downstream_moves", "storage")]
    assert signal and order.index("trims") < min(map(order.index, signal))


def test_a_card_says_what_its_figures_are(made: list[Card]) -> None:
    """50.8 s under Why and a newest dot at 48 s are both right: a level is the mean of up to three weeks (models.levels)."""
    assert f"newest 1 to {LEVEL_WEEKS} weeks" in FIGURES
    for card in made:
        assert card_page(card).count(FIGURES) == len(card.jobs)


def test_sheet_has_a_row_a_job_and_no_formula(made: list[Card], folder: Path) -> None:
    with (folder / "findings.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == SHEET_COLUMNS
    assert len(rows) == sum(len(card.jobs) for card in made)
    assert not [cell for row in rows for cell in row.values() if cell[:1] in tuple("=+-@\t\r\n")]


def test_letters_that_the_font_lacks_are_written_out() -> None:
    assert printable("V가 10 Ω") == "V\\uac00 10 ohm"


def test_cards_no_longer_listed_are_removed_and_none_when_not_wanted(lake: Lake, tmp_path: Path) -> None:
    ranked = read_ranked(lake, "issued", WEEK)
    folder = write_cards(lake, Settings(card_vehicles=1), ranked, weeks_frame(), tmp_path, "EUR")
    assert folder is not None and len(list(folder.glob("*.pdf"))) == 1
    stale = folder / "OLD1.pdf"
    stale.write_bytes(b"%PDF-")
    write_cards(lake, Settings(card_vehicles=1), ranked, weeks_frame(), tmp_path, "EUR")
    assert not stale.exists()
    assert write_cards(lake, Settings(card_vehicles=0), ranked, weeks_frame(), tmp_path / "none", "EUR") is None
    assert not (tmp_path / "none").exists()


def test_a_code_that_is_only_stored_says_so(tmp_path: Path) -> None:
    # 13 CCR 1968.2(d)(2): the lamp goes out after three driving cycles without the fault; the code stays for 40 warm-ups.
    own = Lake(str(tmp_path / "lake"))
    at = datetime(2026, 4, 1, 9, tzinfo=UTC)
    read = pl.DataFrame({"unit_id": ["A", "B"], "ts": at, "code": "P0133", "state": "confirmed"})
    own.append("codes", _filled("codes", read))
    days = [("A", 1, 1.0), ("B", 1, 1.0), *(("A", day, 0.0) for day in (2, 3, 4)), *(("B", day, 0.0) for day in (2, 3))]
    lamp = pl.DataFrame([
        {"unit_id": unit, "component": "UNIT", "day": date(2026, 4, day), "indicator": "mil_on", "value": value,
         "bucket": 0, "month": "2026-04", "samples": 9} for unit, day, value in days
    ])
    own.append("indicator_days", _filled("indicator_days", lamp))
    told = _codes(own, Settings(lake=str(own.root)), ["A", "B"], date(2026, 4, 27))
    plain_line = "P0133 slow response (B1S1), confirmed, read 2026-04-01 to 2026-04-01"
    assert told == {"A": [f"{plain_line}; the lamp has gone out since: stored, no longer found"], "B": [plain_line]}


def test_a_card_shows_every_code_that_the_list_rests_on(tmp_path: Path) -> None:
    """A confirmed code counts until it is cleared, however long ago it was read; a pending one has passed long before.

    13 CCR 1968.2(d)(2): a confirmed code is kept for 40 warm-up cycles without the fault, a pending one is erased after one
    driving cycle in which the monitor ran and found nothing.
    """
    own = Lake(str(tmp_path / "lake"))
    read = pl.DataFrame(
        [("OLD", date(2025, 8, 12), "P2A00", "confirmed"), ("OLD", date(2025, 8, 13), "P0133", "pending"),
         ("LATER", date(2025, 8, 12), "P0420", "permanent"), ("LATER", date(2025, 8, 14), "P0420", "pending"),
         ("CLEARED", date(2025, 8, 12), "P2A00", "confirmed"), ("CLEARED", date(2025, 8, 20), "", "cleared"),
         ("PENDING", date(2025, 8, 12), "P0133", "pending")],
        schema=["unit_id", "day", "code", "state"], orient="row",
    ).with_columns(ts=pl.col("day").cast(pl.Datetime("us", "UTC"))).drop("day")
    own.append("codes", _filled("codes", read))
    told = _codes(own, Settings(lake=str(own.root)), ["OLD", "LATER", "CLEARED", "PENDING"], date(2026, 4, 27))
    assert told == {
        "OLD": ["P2A00 range or performance (B1S1), confirmed, read 2025-08-12 to 2025-08-12"],
        "LATER": ["P0420 efficiency below threshold (CAT1), permanent, read 2025-08-12 to 2025-08-14"],
    }


def test_a_code_of_another_part_says_which(tmp_path: Path) -> None:
    """P2240 and P2415 name the upstream sensor of bank 2, P0171 bank 1, P0302 a cylinder (SAE J2012, domain reference 3.1
    and 3.2): bare numbers beside a call of B1S2 were read as codes of that sensor. P0325 (knock) judges nothing."""
    own = Lake(str(tmp_path / "lake"))
    read = pl.DataFrame({"code": ["P2240", "P2415", "P0171", "P0302", "P0325"]}).with_columns(
        unit_id=pl.lit("A"), ts=pl.lit(datetime(2026, 4, 20, 9, tzinfo=UTC)), state=pl.lit("confirmed")
    )
    own.append("codes", _filled("codes", read))
    told = _codes(own, Settings(lake=str(own.root)), ["A"], date(2026, 4, 27))
    when = ", confirmed, read 2026-04-20 to 2026-04-20"
    assert told == {"A": [
        f"P0171 system too lean (bank 1){when}", f"P0302 misfire cylinder 2{when}", f"P0325{when}",
        f"P2240 pump current open (B2S1){when}", f"P2415 exhaust sample error (B2S1){when}",
    ]}


def test_a_card_without_codes_says_which_were_looked_for(made: list[Card]) -> None:
    page = card_page(replace(made[0], codes=[]))
    assert "None stands: no confirmed code since the last clear, no pending one of the last 180 days." in page


def _filled(name: str, frame: pl.DataFrame) -> pl.DataFrame:
    given = frame.with_columns(export_id=pl.lit("e"), line=pl.lit(1), arrived_at=pl.lit(datetime(2026, 4, 25, tzinfo=UTC)))
    empty = {column: pl.lit(None) for column in table(name).columns if column not in given.columns}
    return given.with_columns(**empty).select(*table(name).columns)


def test_a_card_made_again_knows_no_exchange_that_came_after_its_list(tmp_path: Path) -> None:
    """The part that was good in winter and was renewed after the list was shown beside a healthy peer, not beside itself."""
    lake = Lake(str(tmp_path / "lake"))
    order = {"unit_id": "V1", "component": "CAT1", "action": "replaced", "finding": "confirmed", "export_id": "e", "line": 1}
    days = {"W1": date(2025, 6, 2), "W2": WEEK, "W3": date(2026, 5, 4)}
    made_of = [order | {"order_id": name, "closed_on": day, "arrived_at": datetime(2026, 6, 1, tzinfo=UTC)} for name, day in days.items()]
    lake.append("work_orders", rows_of("work_orders", made_of))
    assert _fitted(lake, "V1", "CAT1", WEEK) == date(2025, 6, 2)
    assert _fitted(lake, "V1", "B1S1", WEEK) is None
