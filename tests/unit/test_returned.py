"""Returned cards: every filled row is taken, repeated or refused with its reason; nothing is overwritten silently."""

from __future__ import annotations

import re
import zipfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import xlsxwriter
from python_calamine import CalamineWorkbook
from scipy.stats import poisson_binom

from models.breaks import inspected
from models.labels import lives_of_orders
from pipeline.checks import check
from pipeline.errors import ExportError
from pipeline.jobs import take_findings
from pipeline.lake import Lake
from pipeline.report.card import card_id, cards
from pipeline.report.cardfacts import read_card_facts
from pipeline.report.cardfiles import FILLED_COLUMNS, SHEET_COLUMNS, filled_sheets, kept_lines, write_cards
from pipeline.report.listing import write_outputs
from pipeline.report.rests import read_ranked
from pipeline.report.since import moved, past
from pipeline.report.stock import need_range, stock
from pipeline.report.words import read_indicators
from pipeline.returned import is_card_sheet, take_cards
from pipeline.settings import Settings
from tests.browser.report_lake import WEEK, fill, ranked_rows, rows_of, weeks_frame
from tests.faults.lakes import run

NOW = datetime(2026, 3, 20, 9, tzinfo=UTC)
CARD = "20260302-V-0042-B1S1"
GOOD = (CARD, "V-0042", "B1S1", "yes", "slow, tip white", "0.2 to 0.6 V", "sensor", 120_000, date(2026, 3, 5))


@pytest.fixture
def lake(tmp_path: Path) -> Lake:
    return fill(tmp_path / "lake")


def unbalanced(lake: Lake) -> set[tuple[str, ...]]:
    """What the check of the balance says; the made lake has some of its own."""
    return set(check(Settings(), lake).filter(pl.col("check") == "balance").rows())


def sheet(path: Path, *rows: tuple, columns: tuple = SHEET_COLUMNS) -> Path:
    """A filled sheet, as XLSX or as the CSV of a spreadsheet that uses semicolons."""
    if path.suffix == ".xlsx":
        with xlsxwriter.Workbook(str(path)) as book:
            page = book.add_worksheet()
            day = book.add_format({"num_format": "yyyy-mm-dd"})
            page.write_row(0, 0, columns)
            for line, row in enumerate(rows, start=1):
                for place, cell in enumerate(row):
                    if isinstance(cell, date):
                        page.write_datetime(line, place, datetime(cell.year, cell.month, cell.day), day)
                    else:
                        page.write(line, place, cell)
        return path
    text = "\n".join(";".join("" if cell is None else f'"{cell}"' for cell in row) for row in (columns, *rows))
    path.write_text("\ufeff" + text + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["back.csv", "back.xlsx"])
def test_a_filled_row_becomes_a_work_order_and_a_label(lake: Lake, tmp_path: Path, name: str) -> None:
    before = unbalanced(lake)
    made = take_cards(lake, sheet(tmp_path / name, GOOD), NOW)
    assert (made.taken, made.faults, made.needs_a_look) == (1, [], False)
    order = lake.read("work_orders", pl.col("order_id") == f"card {CARD}").row(0, named=True)
    assert (order["action"], order["finding"], order["closed_on"]) == ("replaced", "confirmed", date(2026, 3, 5))
    assert (order["odometer_km"], order["line"]) == (120_000, 2)
    lives = lives_of_orders(lake.read("work_orders"), pl.DataFrame(schema={
        "unit_id": pl.String, "component": pl.String, "code": pl.String, "ts": pl.Datetime("us", "UTC"), "state": pl.String
    }), "UTC").filter(pl.col("source") == f"order card {CARD}")
    assert lives["weight"].to_list() == [1.0] and lives["failed_on"][0] is not None
    assert unbalanced(lake) == before


@pytest.mark.parametrize(
    ("change", "column", "says"),
    [
        ({0: "20260302-V-0042-B2S2"}, "card", "no issued list has this card"),
        ({1: "V-0043"}, "unit_id", "belongs to V-0042"),
        ({2: "CAT1"}, "component", "belongs to B1S1"),
        ({3: "maybe"}, "found", "write yes"),
        ({3: ""}, "found", "write yes"),
        ({4: "", 6: ""}, "cause", "neither the cause nor a part fitted"),
        # BR0115-CAT1, found no, with the sensor ahead of it renewed, was a catalyst replaced.
        ({3: "no"}, "part_fitted", "this part was sound"),
        ({3: "no", 6: "lambda sensor B1S2"}, "part_fitted", "names B1S2, the card is about B1S1"),
        ({6: "cat1 and b1s2"}, "part_fitted", "names B1S2, CAT1, the card is about B1S1"),
        ({7: "12.345,6"}, "odometer_km", "plain number"),
        ({7: -1}, "odometer_km", "plain number"),
        ({8: "5.3.26"}, "day", "2026-04-29"),
        ({8: date(2026, 3, 1)}, "day", "issued on 2026-03-02"),
        ({8: date(2026, 3, 21)}, "day", "today is 2026-03-20"),
    ],
)
def test_a_row_that_cannot_be_right_is_refused_by_line_and_column(
    lake: Lake, tmp_path: Path, change: dict, column: str, says: str
) -> None:
    row = tuple(change.get(place, cell) for place, cell in enumerate(GOOD))
    made = take_cards(lake, sheet(tmp_path / "back.csv", row), NOW)
    assert [(line, name) for line, name, _ in made.faults] == [(2, column)]
    assert says in made.faults[0][2]
    assert lake.read("returned_cards").is_empty()
    kept = lake.read("quarantine").filter(pl.col("file").str.ends_with("back.csv"))
    assert kept.select("line", "column").rows() == [(2, column)]


def test_a_sound_part_renewed_all_the_same_is_said_so_by_its_name(lake: Lake, tmp_path: Path) -> None:
    """Another part is in the vehicle now, whatever was wrong; and it is no failure."""
    filled = (*GOOD[:3], "no", "swapped for a trial, fault stayed", "", "b1s1 0258", "", "2026-03-05")
    assert take_cards(lake, sheet(tmp_path / "b.csv", filled), NOW).faults == []
    order = lake.read("work_orders", pl.col("order_id") == f"card {CARD}").row(0, named=True)
    assert (order["action"], order["finding"]) == ("replaced", "no_fault_found")


def test_card_sheet_and_refusals_ask_for_this_part_and_not_for_any_fault(lake: Lake, tmp_path: Path) -> None:
    """An exhaust leak ahead of a sensor that tested good is found, and the sensor was not at fault."""
    (fault,) = take_cards(lake, sheet(tmp_path / "b.csv", (*GOOD[:3], "maybe", *GOOD[4:])), NOW).faults
    assert fault[2] == (
        "write yes (this part, its plug, wires or heater was at fault) or no (it was sound, whatever else was at fault); the "
        "row of a part that was not looked at stays empty"
    )
    folder = write_cards(lake, Settings(), read_ranked(lake, "issued", WEEK), weeks_frame(), tmp_path, "EUR")
    assert folder is not None
    with zipfile.ZipFile(folder / "findings.xlsx") as book:
        page = book.read("xl/worksheets/sheet1.xml").decode()
    told = dict(re.findall(r'<dataValidation [^>]*?promptTitle="([^"]*)" prompt="([^"]*)"', page))
    assert "this part, its plug, wires or heater was at fault" in told["found"]
    assert told["found"].endswith("not looked at: leave the row empty")
    assert "this part" in told["part_fitted"] and "leave it empty" in told["part_fitted"]


def test_the_boxes_of_a_card_are_what_the_sheet_asks_for(lake: Lake) -> None:
    """A row filled with what the card asks for is taken: it was refused for the day, which no box asked for."""
    settings = Settings()
    ranked = read_ranked(lake, "issued", WEEK)
    made = cards(lake, settings, ranked, weeks_frame(), read_card_facts(settings), read_indicators(settings), "EUR")
    assert made[0].boxes == (
        "found: this part at fault (yes / no)", "cause", "readings taken", "part fitted: this part renewed, its number",
        "odometer km", "day (2026-04-29)",
    )
    # With yes and no alone a part that nobody looked at came back as sound, and left the list for four weeks.
    assert made[0].found.endswith("Not looked at: nothing, the row stays open.")
    asked = [re.split(r"[:(]", box)[0].strip().replace(" ", "_") for box in made[0].boxes]
    assert asked == list(FILLED_COLUMNS)


def test_not_found_without_a_part_is_an_inspection_that_quiets_the_row(lake: Lake, tmp_path: Path) -> None:
    take_cards(lake, sheet(tmp_path / "b.csv", (*GOOD[:3], "no", "", "0.1 to 0.9 V", "", "", "2026-03-05")), NOW)
    orders = lake.read("work_orders")
    assert orders.filter(pl.col("order_id") == f"card {CARD}")["action"].to_list() == ["inspected"]
    quiet = inspected(orders, date(2026, 3, 5))
    assert ("V-0042", "B1S1", date(2026, 3, 5)) in quiet.rows()
    assert ("V-0042", "B1S1", date(2026, 3, 5)) not in inspected(orders, date(2026, 3, 6)).rows()


@pytest.mark.parametrize(("action", "finding", "quiet"), [
    ("inspected", "unknown", True), ("inspected", "confirmed", False), ("replaced", "unknown", False),
])
def test_an_order_without_a_finding_takes_nothing_back_from_the_card(action: str, finding: str, quiet: bool) -> None:
    """The workshop closes its own order of the visit a week later and notes nothing: the row came back onto the list."""
    orders = pl.DataFrame([
        ("card c", "V1", "B1S1", "inspected", "no_fault_found", date(2026, 3, 5)), ("W1", "V1", "B1S1", action, finding, date(2026, 3, 12)),
    ], schema=["order_id", "unit_id", "component", "action", "finding", "closed_on"], orient="row")
    assert inspected(orders, date(2026, 3, 1)).height == quiet


def test_what_is_repeated_changes_nothing_and_what_contradicts_is_reported(lake: Lake, tmp_path: Path) -> None:
    made_so = unbalanced(lake)
    first = sheet(tmp_path / "a.csv", GOOD)
    other = sheet(tmp_path / "b.csv", (*GOOD[:3], "no", *GOOD[4:6], "", *GOOD[7:]))
    take_cards(lake, first, NOW)
    before = lake.read("returned_cards")
    assert take_cards(lake, first, NOW).read_before
    assert take_cards(lake, sheet(tmp_path / "c.xlsx", GOOD), NOW).repeated == 1
    told = take_cards(lake, other, NOW)
    assert (told.taken, len(told.faults)) == (0, 1) and "found was True, is False" in told.faults[0][2]
    assert lake.read("returned_cards").equals(before)
    corrected = take_cards(lake, other, NOW, correct=True)
    assert (corrected.corrected, corrected.faults) == (1, [])
    assert lake.read("returned_cards")["found"].to_list() == [False]
    assert lake.read("work_orders", pl.col("order_id") == f"card {CARD}")["finding"].to_list() == ["no_fault_found"]
    # What was overwritten is still to be read, and the balance of rows holds.
    assert lake.read("quarantine").filter(pl.col("reason").str.starts_with("corrected by"))["value"][0].startswith("found True")
    assert unbalanced(lake) == made_so


@pytest.mark.parametrize("name", ["back.csv", "back.xlsx"])
@pytest.mark.parametrize("unit", ["AB\u00a0121", "VAN  10", "line\nbreak", "'=x"])
def test_a_vehicle_number_with_odd_blanks_comes_back(lake: Lake, tmp_path: Path, unit: str, name: str) -> None:
    # A spreadsheet, a person or a mail program changes blanks that cannot be seen; the card's number says whose row it is.
    rows = [row | {"unit_id": unit} if row["unit_id"] == "V-0042" else row for row in ranked_rows()]
    lake.overwrite("ranked", rows_of("ranked", rows))
    card = card_id(WEEK, unit, "B1S1")
    made = take_cards(lake, sheet(tmp_path / name, (card, unit, *GOOD[2:])), NOW)
    assert (made.faults, made.taken) == ([], 1)
    assert lake.read("returned_cards").select("card", "unit_id").rows() == [(card, unit)]
    other = tmp_path / ("b.csv" if name == "back.xlsx" else "b.xlsx")
    again = take_cards(lake, sheet(other, (card, " ".join(unit.split()), *GOOD[2:])), NOW)
    assert (again.faults, again.repeated) == ([], 1)


@pytest.mark.parametrize(
    ("zone", "hour", "taken"),
    [
        # Monday 2 March, 09:30 in Auckland (UTC+13 in summer), is 20:30 on Sunday in Greenwich: the list's own day.
        ("Pacific/Auckland", "2026-03-01T20:30:00Z", 1),
        ("UTC", "2026-03-01T20:30:00Z", 0),
        # 19:00 on Sunday in New York (UTC-5 in winter) is Monday in Greenwich: tomorrow's finding cannot be.
        ("America/New_York", "2026-03-02T00:00:00Z", 0),
        ("UTC", "2026-03-02T00:00:00Z", 1),
    ],
)
def test_today_is_the_fleets_day(lake: Lake, tmp_path: Path, zone: str, hour: str, taken: int) -> None:
    filled = sheet(tmp_path / "a.csv", (*GOOD[:8], "2026-03-02"))
    (made,), _ = take_findings(Settings(time_zone=zone), lake, [filled], datetime.fromisoformat(hour))
    assert (made.taken, len(made.faults)) == (taken, 1 - taken)
    assert taken or "today is 2026-03-01" in made.faults[0][2]


def test_a_sheet_with_refused_rows_is_read_again(lake: Lake, tmp_path: Path) -> None:
    """What was refused for a day to come is right the day after; what was taken stays taken, and sums add up."""
    before = unbalanced(lake)
    second = (card_id(WEEK, "-x", "B2S1"), "-x", "B2S1", "no", "", "", "", "", "2026-03-21")
    filled = sheet(tmp_path / "a.csv", GOOD, second, ("no-such-card", *GOOD[1:]))
    made = take_cards(lake, filled, NOW)  # on 20 March
    assert (made.taken, [line for line, _, _ in made.faults]) == (1, [3, 4])
    same = take_cards(lake, filled, NOW)
    assert (same.read_before, same.taken, same.repeated, len(same.faults)) == (False, 0, 1, 2)
    later = take_cards(lake, filled, NOW + timedelta(days=1))
    assert (later.taken, later.repeated, [line for line, _, _ in later.faults]) == (1, 1, [4])
    assert lake.read("returned_cards").height == 2
    kept = lake.read("quarantine").filter(pl.col("file").str.ends_with("a.csv"))
    assert kept.select("line", "column").rows() == [(4, "card")]
    ledger = lake.read("exports").filter(pl.col("file").str.ends_with("a.csv"))
    assert ledger.select("rows_in", "kept", "quarantined", "duplicates").rows() == [(3, 2, 1, 0)]
    assert unbalanced(lake) == before


def test_a_sheet_that_ingest_refused_is_still_read(lake: Lake, tmp_path: Path) -> None:
    filled = sheet(tmp_path / "a.csv", GOOD)
    assert run(Settings(), lake, filled, at=NOW).totals["refused"] == 1
    assert take_cards(lake, filled, NOW).taken == 1
    assert lake.read("exports").filter(pl.col("file").str.ends_with("a.csv"))["kind"].to_list() == ["returned_cards"]


def test_two_rows_of_one_card_that_disagree_are_both_seen(lake: Lake, tmp_path: Path) -> None:
    made = take_cards(lake, sheet(tmp_path / "a.csv", GOOD, GOOD, (*GOOD[:3], "no", *GOOD[4:6], "", *GOOD[7:])), NOW)
    assert (made.taken, made.repeated, [line for line, _, _ in made.faults]) == (1, 1, [4])


def test_the_sheet_beside_the_cards_comes_back_empty_and_is_no_finding(lake: Lake, tmp_path: Path) -> None:
    folder = write_cards(lake, Settings(), read_ranked(lake, "issued", WEEK), weeks_frame(), tmp_path, "EUR")
    for name in ("findings.csv", "findings.xlsx"):
        assert is_card_sheet(folder / name)
        made = take_cards(lake, folder / name, NOW)
        assert (made.taken, made.still_open, made.faults) == (0, 6, [])
    rows = CalamineWorkbook.from_path(folder / "findings.xlsx").get_sheet_by_index(0).to_python()
    assert tuple(rows[0]) == SHEET_COLUMNS
    assert "=1+1" in [row[1] for row in rows]  # text, as it is called, and no formula


def cards_of(lake: Lake, folder: Path) -> Path:
    """The cards of the list, written once more."""
    written = write_cards(lake, Settings(), read_ranked(lake, "issued", WEEK), weeks_frame(), folder, "EUR")
    assert written is not None
    return written


@pytest.mark.parametrize("name", ["findings.csv", "findings.xlsx"])
def test_a_sheet_that_is_half_filled_outlives_a_list_made_again(lake: Lake, tmp_path: Path, name: str) -> None:
    folder = cards_of(lake, tmp_path)
    filled = sheet(folder / name, GOOD, ("20260302-x-CAT1", "x", "CAT1", "", "", "", "", "", ""))
    kept = filled.read_bytes()
    for _ in range(2):  # the new sheet holds nothing yet: it is written over, not followed by a third
        assert cards_of(lake, tmp_path) == folder
        assert filled.read_bytes() == kept
        assert filled_sheets(folder) == [filled]
        assert {path.name for path in folder.glob("findings*")} == {
            "findings.csv", "findings.xlsx", "findings-2.csv", "findings-2.xlsx",
        }
    for new in ("findings-2.csv", "findings-2.xlsx"):
        assert is_card_sheet(folder / new)
        assert take_cards(lake, folder / new, NOW).still_open == 6
    assert take_cards(lake, filled, NOW).taken == 1
    # Both filled: the third is the next; a sheet that cannot be read may be filled, too.
    (folder / "findings-2.xlsx").write_bytes(b"PK\x03\x04 held open by a spreadsheet")
    cards_of(lake, tmp_path)
    assert filled.read_bytes() == kept and (folder / "findings-2.xlsx").read_bytes().startswith(b"PK\x03\x04 held")
    assert take_cards(lake, folder / "findings-3.csv", NOW).still_open == 6


def test_notes_in_a_column_of_their_own_are_kept_and_an_empty_sheet_is_not(lake: Lake, tmp_path: Path) -> None:
    folder = cards_of(lake, tmp_path)
    cards_of(lake, tmp_path)
    assert filled_sheets(folder) == [] and len(list(folder.glob("findings*"))) == 2
    sheet(folder / "findings.csv", (*GOOD[:3], *[""] * 6, "waits for the lift"), columns=(*SHEET_COLUMNS, "who"))
    cards_of(lake, tmp_path)
    assert filled_sheets(folder) == [folder / "findings.csv"] and (folder / "findings-2.csv").is_file()


def test_a_sheet_that_was_kept_is_said(lake: Lake, tmp_path: Path) -> None:
    folder = cards_of(lake, tmp_path)
    sheet(folder / "findings.csv", GOOD)
    cards_of(lake, tmp_path)
    assert kept_lines(folder) == [
        "findings.csv in the folder of the cards has been filled in and was kept; the new sheet is findings-2.csv or .xlsx"
    ]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.xlsx", b"PK\x03\x04 broken", "no XLSX file"),
        ("a.csv", b"\xff\xfe\x00", "not UTF-8"),
        ("a.csv", b"", "holds no row"),
        ("a.csv", b"card,unit_id,component,found\n", "lacks the columns cause"),
        ("a.csv", b"card,card,found\n", "stands twice"),
    ],
)
def test_a_file_that_is_no_sheet_is_named(lake: Lake, tmp_path: Path, name: str, content: bytes, says: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ExportError, match=says):
        take_cards(lake, path, NOW)


def test_an_order_that_says_otherwise_is_reported_and_kept(lake: Lake, tmp_path: Path) -> None:
    made = rows_of("work_orders", [{
        "order_id": "W-9", "unit_id": "V-0042", "closed_on": date(2026, 3, 6), "component": "B1S1", "action": "inspected",
        "finding": "no_fault_found", "export_id": "e", "line": 1, "arrived_at": NOW,
    }])
    lake.append("work_orders", made)
    told = take_cards(lake, sheet(tmp_path / "a.csv", GOOD), NOW)
    assert told.taken == 1 and "order W-9 says no_fault_found" in told.notes[0]
    assert lake.read("work_orders", pl.col("order_id") == "W-9").height == 1


def test_what_came_of_the_list_and_what_moved(lake: Lake, tmp_path: Path) -> None:
    take_cards(lake, sheet(tmp_path / "a.csv", GOOD), NOW)
    later = date(2026, 3, 9)
    rows = [row | {"week_start": later} for row in ranked_rows() if row["component"] != "CAT1" or row["unit_id"] == "V-0042"]
    rows[0] |= {"status": "held", "reason": "trim of bank 1", "list_rank": None}
    ranked = rows_of("ranked", rows)
    now = moved(Settings(), lake, ranked, "issued", later)
    assert now.before == WEEK and not now.new
    assert {(row["unit"], row["why"]) for row in now.gone} == {
        ("V-0042", "trim of bank 1"), ("<script>alert(1)</script>", "the vehicle is no longer in the data"),
    }
    # Rows that left for the parts on the way say what they lack there.
    for waits, told in (("bay", "on the way: no bay of its depot"), ("evidence", "on the way: too unlikely yet")):
        rows[0] |= {"status": "judged", "reason": "", "waits_for": waits}
        why = {row["unit"]: row["why"] for row in moved(Settings(), lake, rows_of("ranked", rows), "issued", later).gone}
        assert why["V-0042"].startswith(told)
    rows[0] |= {"waits_for": None, "expected_saving": 5.0}
    gone = moved(Settings(), lake, rows_of("ranked", rows), "issued", later).gone
    assert [row["why"] for row in gone if row["unit"] == "V-0042"] == ["below the chance a row needs"]
    came = past(Settings(), lake, date(2026, 3, 30))
    assert (came.calls, came.confirmed, came.no_fault, came.open) == (6, 1, 0, 5)
    # One of one: Wilson, 90 %: low end 1 / (1 + z^2) with z = 1.645 (E. B. Wilson 1927).
    assert came.low == pytest.approx(1 / (1 + 1.6449**2), abs=1e-3) and came.lead_days == 3
    # Before the card came back nothing of it is known.
    assert past(Settings(), lake, date(2026, 3, 2)).calls == 0


def test_a_row_that_left_after_a_visit_says_so(lake: Lake) -> None:
    """A catalyst renewed two days after its list left it with "waiting costs no more than acting now"."""
    done = {"unit_id": "V-0042", "component": "B1S1", "export_id": "e", "line": 1, "finding": "confirmed"}
    orders = [
        ("W-1", date(2026, 3, 4), "replaced"), ("W-0", date(2026, 2, 20), "inspected"),
        ("W-2", date(2026, 3, 10), "repaired"),
    ]
    lake.append("work_orders", rows_of("work_orders", [
        done | {"order_id": name, "closed_on": day, "action": action, "arrived_at": datetime(2026, 3, 5, tzinfo=UTC)}
        for name, day, action in orders
    ]))
    later = date(2026, 3, 9)
    rows = [row | {"week_start": later} for row in ranked_rows()]
    rows[0] |= {"list_rank": None, "expected_saving": -60.0}
    rows[1] |= {"list_rank": None, "expected_saving": -60.0}

    def why() -> dict[str, str]:
        return {row["unit"]: row["why"] for row in moved(Settings(), lake, rows_of("ranked", rows), "issued", later).gone}

    kept = {"<script>alert(1)</script>": "waiting costs no more than acting now"}
    assert why() == kept | {"V-0042": "replaced on 2026-03-04"}
    rows[0] |= {"waits_for": "evidence"}
    assert why()["V-0042"].startswith("replaced on 2026-03-04; on the way: too unlikely yet")


def test_one_visit_answers_one_call_however_often_the_row_flickered(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path / "lake"))
    row = next(row for row in ranked_rows() if row["unit_id"] == "V-0042" and row["component"] == "B1S1")
    first = date(2026, 1, 5)
    mondays = [first, first + timedelta(days=14), first + timedelta(days=28), first + timedelta(days=56)]
    lake.append("ranked", rows_of("ranked", [row | {"week_start": day, "expected_saving": 100.0 + n} for n, day in enumerate(mondays)]))
    lake.append("work_orders", rows_of("work_orders", [{
        "order_id": "W-1", "unit_id": "V-0042", "closed_on": first + timedelta(days=35), "component": "B1S1", "action": "replaced",
        "finding": "confirmed", "export_id": "e", "line": 1, "arrived_at": datetime(2026, 2, 10, tzinfo=UTC),
    }]))
    came = past(Settings(), lake, date(2026, 3, 30))
    # Listed in weeks 0, 2 and 4, repaired in week 5: one call of 35 days' lead and the first promise. Week 8 is another.
    assert (came.calls, came.confirmed, came.no_fault, came.unknown, came.open) == (2, 1, 0, 0, 1)
    assert (came.lead_days, came.saved_expected, came.first) == (35, 100.0, first)
    assert [told["week"] for told in came.rows] == [first, mondays[3]]


def called(lake: Lake, mondays: list[date], *orders: tuple[str, date, str, str]) -> None:
    """B1S1 of V-0042 on the lists of these weeks, and orders of it: number, day, action and finding."""
    row = next(row for row in ranked_rows() if row["unit_id"] == "V-0042" and row["component"] == "B1S1")
    lake.append("ranked", rows_of("ranked", [row | {"week_start": day} for day in mondays]))
    lake.append("work_orders", rows_of("work_orders", [{
        "order_id": number, "unit_id": "V-0042", "closed_on": day, "component": "B1S1", "action": action, "finding": finding,
        "export_id": "e", "line": line, "arrived_at": datetime(2026, 2, 10, tzinfo=UTC),
    } for line, (number, day, action, finding) in enumerate(orders)]))


def test_the_finding_of_a_card_is_not_lost_behind_an_order_without_one(tmp_path: Path) -> None:
    """The workshop's order was closed on the day before and notes nothing: the call stood as "finding not noted"."""
    lake = Lake(str(tmp_path / "lake"))
    called(
        lake, [date(2026, 1, 5)], ("W-1", date(2026, 1, 7), "replaced", "unknown"), ("card c", date(2026, 1, 8), "replaced", "confirmed"),
        ("W-2", date(2026, 2, 20), "inspected", "no_fault_found"),  # another visit
    )
    came = past(Settings(), lake, date(2026, 3, 30))
    assert (came.calls, came.confirmed, came.no_fault, came.unknown) == (1, 1, 0, 0)


def test_a_row_that_stands_for_long_is_answered_by_the_visit_that_comes(tmp_path: Path) -> None:
    """Twelve lists, and repaired two days after the last, 79 after the first: it stood as "no visit known yet"."""
    lake = Lake(str(tmp_path / "lake"))
    mondays = [date(2026, 1, 5) + timedelta(days=7 * week) for week in range(12)]
    called(lake, mondays, ("W-1", mondays[-1] + timedelta(days=2), "replaced", "confirmed"))
    came = past(Settings(), lake, date(2026, 4, 6))
    assert (came.calls, came.confirmed, came.open, came.lead_days) == (1, 1, 0, 79)


def test_weeks_without_a_list_do_not_make_one_call_two(tmp_path: Path) -> None:
    """No readings came for two weeks, so no list was made: the row that stood before and after was two open calls."""
    lake = Lake(str(tmp_path / "lake"))
    called(lake, [date(2026, 1, 5), date(2026, 1, 12), date(2026, 2, 2)])
    assert past(Settings(), lake, date(2026, 2, 9)).calls == 1
    # Where a list was made in between that did not have it, it is called anew.
    other = next(row for row in ranked_rows() if row["unit_id"] != "V-0042" and row["list_rank"] is not None)
    lake.append("ranked", rows_of("ranked", [other | {"week_start": date(2026, 1, 19)}]))
    came = past(Settings(), lake, date(2026, 2, 9))
    assert [row["week"] for row in came.rows if row["unit"] == "V-0042"] == [date(2026, 2, 2), date(2026, 1, 5)]


def test_parts_to_stock_are_the_sum_of_chances() -> None:
    ranked = pl.DataFrame({
        "depot": ["N"] * 4, "engine_family": ["F"] * 4, "part": ["upstream"] * 3 + ["catalyst"],
        "status": ["judged", "judged", "not_judged", "judged"], "probability": [0.5, 0.9, None, 0.05],
    })
    (shelf,) = stock(ranked)
    assert shelf.four == pytest.approx(1.4) and shelf.twelve == pytest.approx(0.875 + 0.999)
    # Two parts: P(0) = 0.5 * 0.1 = 0.05, P(<=1) = 0.55; never more than two.
    assert shelf.four_range == (0, 2) and shelf.twelve_range == (1, 2)


@pytest.mark.parametrize("chances, need", [
    ([0.99], (1, 1)),  # nearly certain is one part, not none to three
    ([0.97, 0.97, 0.97], (2, 3)),  # P(3) = 0.9127, P(<=1) = 0.0026
    ([0.5] * 4, (0, 4)),  # 1, 4, 6, 4, 1 sixteenths: P(0) = 0.0625, P(<=3) = 0.9375
    ([0.04], (0, 0)),
    ([0.0, 1.0, 1.0], (2, 2)),
    ([], (0, 0)),
])
def test_the_range_of_a_need_by_hand(chances: list[float], need: tuple[int, int]) -> None:
    assert need_range(np.array(chances, dtype=float)) == need


@pytest.mark.parametrize("size", [1, 2, 7, 40, 300])
def test_the_range_of_a_need_is_that_of_the_exact_distribution(size: int) -> None:
    chances = np.random.default_rng(size).beta(0.3, 2.0, size)
    plain = [1.0]
    for chance in chances:  # one event after the other
        plain = [a * (1 - chance) + b * chance for a, b in zip([*plain, 0.0], [0.0, *plain], strict=True)]
    low, high = (next(n for n in range(size + 1) if sum(plain[: n + 1]) >= share) for share in (0.05, 0.95))
    assert need_range(chances) == (low, high)
    if size < 60:  # scipy works it through the characteristic function, and takes no more
        assert (low, high) == tuple(poisson_binom.ppf([0.05, 0.95], list(chances)).astype(int))
    with pytest.raises(ValueError, match="chances must lie in 0..1"):
        need_range(chances + 1)


def test_the_workbook_of_the_list_has_real_types_and_the_same_bytes(tmp_path: Path) -> None:
    lake = fill(tmp_path / "lake")
    made = [write_outputs(lake, Settings(), "issued", WEEK, tmp_path / name, weeks_frame()).paths["list.xlsx"] for name in "ab"]
    assert made[0].read_bytes() == made[1].read_bytes()
    rows = CalamineWorkbook.from_path(made[0]).get_sheet_by_index(0).to_python()
    first = dict(zip(rows[0], rows[1], strict=True))
    assert (first["week_start"], first["rank"], first["probability"]) == (WEEK, 1.0, pytest.approx(0.7312))
    assert [row[2] for row in rows[1:4]] == ["V-0042", "<script>alert(1)</script>", "=1+1"]
