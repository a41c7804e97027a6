"""Files of a list: order, columns, decimals, hostile names, whole or not at all."""

from __future__ import annotations

import csv
import os
from datetime import date, timedelta
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from rich.cells import cell_len

from pipeline.errors import LightoffError, SchemaError
from pipeline.lake import Lake
from pipeline.report.listing import COMING_COLUMNS, LIST_COLUMNS, SCORE_COLUMNS, Outputs, write_outputs
from pipeline.report.page import loudest_plots
from pipeline.report.words import read_indicators, saving_words
from pipeline.settings import Settings
from tests.browser.report_lake import ESCAPES, LISTED, SCRIPT, WEEK, fill, ranked_rows, rows_of, weeks_frame


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Lake:
    return fill(tmp_path_factory.mktemp("report") / "lake")


@pytest.fixture(scope="module")
def outputs(lake: Lake, tmp_path_factory: pytest.TempPathFactory) -> Outputs:
    return write_outputs(
        lake, Settings(), "issued", WEEK, tmp_path_factory.mktemp("out"), weeks_frame(), "EUR"
    )


@pytest.fixture(scope="module")
def with_coming(tmp_path_factory: pytest.TempPathFactory) -> Outputs:
    lake = fill(tmp_path_factory.mktemp("coming") / "lake", coming=True)
    return write_outputs(lake, Settings(), "issued", WEEK, tmp_path_factory.mktemp("coming_out"), weeks_frame(), "EUR")


def cells(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def changed(folder: Path, **values: object) -> Lake:
    """A lake whose first ranked row has other values."""
    rows = ranked_rows()
    rows[0] |= values
    made = Lake(str(folder))
    made.append("ranked", rows_of("ranked", rows))
    return made


class Tags(HTMLParser):
    """Element names, attributes that load something, and the text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.loads: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list) -> None:
        self.names.append(tag)
        self.loads += [value for name, value in attrs if name in ("src", "href", "action", "data", "style")]
        assert not [name for name, _ in attrs if name.startswith("on")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_list_csv_has_the_listed_rows_in_order(outputs: Outputs) -> None:
    rows = cells(outputs.paths["list.csv"])
    assert tuple(rows[0]) == LIST_COLUMNS
    assert [row["rank"] for row in rows] == ["1", "2", "3", "4", "5", "6"]
    assert [
        rows[0][name] for name in ("week_start", "unit_id", "component", "probability", "expected_saving")
    ] == [
        "2026-03-02",
        "V-0042",
        "B1S1",
        "0.7312",
        "412.34",
    ]
    assert (rows[4]["window_from"], rows[4]["depot"]) == ("", "")
    assert b"\r" not in outputs.paths["list.csv"].read_bytes()


def test_no_text_cell_reads_as_a_formula(with_coming: Outputs) -> None:
    for name in ("list.csv", "coming.csv", "scores.csv"):
        for row in cells(with_coming.paths[name]):
            amounts = ("rank", "expected_saving", "saving_low", "saving_high")
            text = [value for column, value in row.items() if column not in amounts]
            assert not [value for value in text if value[:1] in tuple("=+-@\t\r\n")]
    units = {row["unit_id"] for row in cells(with_coming.paths["scores.csv"])}
    assert {"'=1+1", "'-x", "'@SUM(A1)", "'\tTab", SCRIPT, ESCAPES} <= units


def test_coming_csv_says_what_each_part_waits_for_and_what_to_do_meanwhile(with_coming: Outputs) -> None:
    rows = cells(with_coming.paths["coming.csv"])
    assert tuple(rows[0]) == COMING_COLUMNS
    assert [(row["component"], row["probability"]) for row in rows] == [
        ("B1S1", "0.6000"), ("CAT1", "0.4000"), ("CAT2", "0.2500"), ("B2S2", "0.1200")
    ]
    assert [row["waits"].split()[0] for row in rows] == ["no", "waiting", "too", "too"]
    # Vehicles of rows 2 and 1 of the list are in the bay anyway, the others are not.
    assert [row["meanwhile"] for row in rows] == [
        "look at it in the same visit as No. 2",
        "look at it when the vehicle is in anyway",
        "look at it when the vehicle is in anyway",
        "look at it in the same visit as No. 1",
    ]
    assert not {(row["unit_id"], row["component"]) for row in rows} & {
        (row["unit_id"], row["component"]) for row in cells(with_coming.paths["list.csv"])
    }


def test_parts_on_the_way_stand_apart_from_the_list(with_coming: Outputs) -> None:
    text = with_coming.paths["list.txt"].read_text(encoding="utf-8")
    assert "On the way, no call yet: 4 parts of 4 vehicles." in text
    words = " ".join(Tags(with_coming.paths["page.html"].read_text(encoding="utf-8")).text.split())
    assert "4 parts of 4 vehicles that nothing holds back, but no calls yet" in words
    assert "too unlikely yet to open the vehicle for it: look at it when the vehicle is in anyway" in words


def test_without_parts_on_the_way_nothing_is_said_of_them(outputs: Outputs) -> None:
    assert cells(outputs.paths["coming.csv"]) == []
    assert "no call yet" not in outputs.paths["list.txt"].read_text(encoding="utf-8")
    assert 'id="coming"' not in outputs.paths["page.html"].read_text(encoding="utf-8")


def test_scores_csv_has_every_row_placed_ones_first(outputs: Outputs) -> None:
    rows = cells(outputs.paths["scores.csv"])
    assert tuple(rows[0]) == SCORE_COLUMNS
    assert len(rows) == len(ranked_rows())
    assert [row["rank"] for row in rows[:9]] == [str(place) for place in range(1, 10)]
    assert [row["status"] for row in rows[6:9]] == ["held", "held", "judged"]
    assert {row["status"] for row in rows[9:]} == {"not_judged", "out_of_scope"}
    assert (rows[8]["expected_saving"], rows[8]["probability"]) == ("-30.00", "0.0100")


def test_the_same_tables_give_the_same_bytes(lake: Lake, outputs: Outputs, tmp_path: Path) -> None:
    again = write_outputs(
        lake,
        Settings(),
        "issued",
        WEEK,
        tmp_path,
        weeks_frame().sample(fraction=1.0, shuffle=True, seed=3),
        "EUR",
    )
    for name, path in outputs.paths.items():
        assert again.paths[name].read_bytes() == path.read_bytes(), name
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(outputs.paths)


def test_list_txt_fits_a_printer_and_counts_everything(outputs: Outputs) -> None:
    text = outputs.paths["list.txt"].read_text(encoding="utf-8")
    assert max(cell_len(line) for line in text.splitlines()) <= 110
    assert not [c for c in text if ord(c) < 32 and c != "\n"]
    for words in (
        "upstream oxygen sensor, bank 1 (B1S1)",
        "73 % within 28 days, expected 2026-03-02 to 2026-03-30",
        "412\u00a0EUR (waiting 500\u00a0EUR, acting now 88\u00a0EUR)",
        "unknown to the register",
        "[bold]+1[/bold]",
        "Judged: 7 parts of 7 vehicles.",
        "Held back: 2 parts of 2 vehicles.",
        "2 trim of bank 1 at +14 %: fuelling comes first",
        "Not judged: 4 parts of 4 vehicles.",
        "Out of scope: 2 vehicles.",
        "Inspect and confirm on the vehicle before a part is replaced.",
    ):
        assert words in text


def test_first_rows_for_the_console(outputs: Outputs) -> None:
    first, second = outputs.first_rows(2)
    assert first == (
        "   1  V-0042  upstream oxygen sensor, bank 1 (B1S1)  73 %  2026-03-02 to 2026-03-30  saving 412"
    )
    assert SCRIPT in second
    assert len(outputs.first_rows(50)) == len(LISTED)
    assert outputs.counts["not_judged_vehicles"] == 4


def test_page_holds_one_script_of_its_own_and_loads_nothing(outputs: Outputs) -> None:
    html = outputs.paths["page.html"].read_text(encoding="utf-8")
    page = Tags(html)
    assert page.names.count("script") == 1  # our own; the policy names its hash, so no other can run
    assert not {"iframe", "object", "embed", "img", "form", "b"} & set(page.names)
    assert [target for target in page.loads if not target.startswith("#")] == ["data:,"]
    assert "url(" not in html
    assert "@import" not in html
    assert SCRIPT in page.text
    assert "esc\\x1b[31m\\u202eevil\\nline" in page.text


def test_page_says_what_a_reader_needs(outputs: Outputs) -> None:
    page = Tags(outputs.paths["page.html"].read_text(encoding="utf-8"))
    text = " ".join(page.text.split())
    for words in (
        "week from Monday 2026-03-02 (issued)",
        "13 vehicles and 40 readings of 1 day, 2026-02-27 to 2026-02-27 (newest data)",
        "Inspect and confirm first.",
        "carbon monoxide",
        "Do not clear trouble codes before the finding is written down.",
        "waiting 500 EUR, acting now 88 EUR",
        "unknown to the register",
        "trim of bank 1 at +14 %: fuelling comes first",
        "no upstream voltage was sampled; log o2_b1s1_v at 60 s or faster",
        "electric: burns no fuel",
        "refused: no header",
        "off by 1",
        "2 cells, column rpm: not a number; export rpm as digits",
    ):
        assert words in text, words
    assert page.names.count("svg") == 4
    assert "/srv/fleet" not in text
    assert "C:\\drop" not in text


def test_plot_shows_the_finding_that_is_loudest_28_days_on(lake: Lake) -> None:
    listed = lake.read("ranked").filter(pl.col("list_rank").is_not_null())
    plots = loudest_plots(lake, listed, weeks_frame(), read_indicators(Settings()))
    assert plots["V-0042", "B1S1"].quantity == "share of closed-loop readings between 0.30 and 0.60 V"
    assert len(plots["V-0042", "B1S1"].values) == 10
    assert ("-x", "B2S1") not in plots


def test_a_week_without_a_list_names_those_there_are(lake: Lake, tmp_path: Path) -> None:
    with pytest.raises(
        LightoffError, match=r"no issued list of the week of 2026-03-09; the newest there are: 2026-03-02"
    ):
        write_outputs(lake, Settings(), "issued", WEEK + timedelta(days=7), tmp_path, weeks_frame())
    with pytest.raises(LightoffError, match="there is no replayed list"):
        write_outputs(lake, Settings(), "replayed", WEEK, tmp_path, weeks_frame())


@pytest.mark.parametrize("column", ["probability", "expected_saving"])
def test_a_number_that_is_not_finite_is_refused(tmp_path: Path, column: str) -> None:
    with pytest.raises(LightoffError, match=rf"'V-0042' B1S1: {column} is nan"):
        write_outputs(
            changed(tmp_path / "lake", **{column: float("nan")}),
            Settings(),
            "issued",
            WEEK,
            tmp_path,
            weeks_frame(),
        )


def test_a_frame_that_is_no_indicator_weeks_is_refused(lake: Lake, tmp_path: Path) -> None:
    with pytest.raises(SchemaError, match="'samples' is missing"):
        write_outputs(lake, Settings(), "issued", WEEK, tmp_path, weeks_frame().drop("samples"))


def test_a_held_row_without_rank_follows_the_ranked_ones(tmp_path: Path) -> None:
    rows = [row for row in ranked_rows() if row["status"] in ("judged", "held", "not_judged")]
    rows.append(rows[0] | {"unit_id": "A-0", "status": "held", "rank": None, "list_rank": None})
    made = Lake(str(tmp_path / "lake"))
    made.append("ranked", rows_of("ranked", rows))
    paths = write_outputs(made, Settings(), "issued", WEEK, tmp_path / "out", weeks_frame()).paths
    order = cells(paths["scores.csv"])
    assert [row["rank"] for row in order[:9]] == [str(place) for place in range(1, 10)]
    assert (order[9]["unit_id"], order[9]["status"]) == ("A-0", "held")
    assert {row["status"] for row in order[10:]} == {"not_judged"}


def test_a_new_list_takes_the_place_of_the_old_file_at_once(lake: Lake, tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text("old\n", encoding="utf-8")
    (tmp_path / "kept.csv").hardlink_to(tmp_path / "list.csv")
    write_outputs(lake, Settings(), "issued", WEEK, tmp_path, weeks_frame())
    # A file rewritten in place would change under its other name too, and half of it would be seen on the way.
    assert (tmp_path / "kept.csv").read_text(encoding="utf-8") == "old\n"
    assert (tmp_path / "list.csv").read_text(encoding="utf-8").startswith("week_start,rank")


def test_more_reasons_than_fit_are_counted_not_dropped(tmp_path: Path) -> None:
    row = next(row for row in ranked_rows() if row["status"] == "not_judged")
    rows = [row | {"unit_id": f"V-{n}", "reason": f"reason {n:02d}"} for n in range(63)]
    made = Lake(str(tmp_path / "lake"))
    made.append("ranked", rows_of("ranked", rows))
    paths = write_outputs(made, Settings(), "issued", WEEK, tmp_path / "out", weeks_frame()).paths
    text = paths["list.txt"].read_text(encoding="utf-8")
    assert "reason 59" in text
    assert "reason 60" not in text
    assert "3 further reasons stand in scores.csv" in text
    assert "3 further reasons stand in scores.csv" in paths["page.html"].read_text(encoding="utf-8")
    assert len(cells(paths["scores.csv"])) == 63


def test_every_form_of_a_row_says_what_the_data_rule_out(tmp_path: Path) -> None:
    """Only list.csv and list.xlsx said it; who read the page or the print looked for what the data had cleared already."""
    row = next(row for row in ranked_rows() if row["status"] == "judged")
    first = row | {"ruled_out": "low supply voltage, codes of misfire", "not_ruled_out": "purge"}
    second = row | {"unit_id": "V-2", "rank": 2, "list_rank": 2, "window_from": None, "window_to": None}
    made = Lake(str(tmp_path / "lake"))
    made.append("ranked", rows_of("ranked", [first, second]))
    paths = write_outputs(made, Settings(), "issued", WEEK, tmp_path / "out", weeks_frame()).paths
    page = " ".join(Tags(paths["page.html"].read_text(encoding="utf-8")).text.split())
    printed = " ".join(paths["list.txt"].read_text(encoding="utf-8").split())
    told = "by the data: low supply voltage, codes of misfire; the data cannot rule out: purge"
    for text in (page, printed):
        assert told in text and "by the data: nothing" in text
    assert "low supply voltage, codes of misfire" in cells(paths["list.csv"])[0]["why"]
    assert "within 28 days, no date; by" in printed and "expected no date" not in printed


def test_a_need_that_is_certain_is_one_number(tmp_path: Path) -> None:
    row = next(row for row in ranked_rows() if row["status"] == "judged")
    made = Lake(str(tmp_path / "lake"))
    made.append("ranked", rows_of("ranked", [row | {"probability": 1.0}]))
    page = write_outputs(made, Settings(), "issued", WEEK, tmp_path / "out", weeks_frame()).paths["page.html"]
    text = " ".join(Tags(page.read_text(encoding="utf-8")).text.split())
    assert "1.0 1 1.0 1" in text and "1 to 1" not in text


def test_held_parts_without_evidence_are_not_said_to_have_any(tmp_path: Path) -> None:
    row = next(row for row in ranked_rows() if row["status"] == "held")
    rows = [row | {"unit_id": f"V-{n}", "why": "little storage" if n < 2 else "", "reason": f"held back: cause {n}"} for n in range(5)]
    made = Lake(str(tmp_path / "lake"))
    made.append("ranked", rows_of("ranked", rows))
    outputs = write_outputs(made, Settings(), "issued", WEEK, tmp_path / "out", weeks_frame())
    text = " ".join(Tags(outputs.paths["page.html"].read_text(encoding="utf-8")).text.split())
    assert "5 parts of 5 vehicles" in text  # at the head of the page, all that are held
    assert "2 parts of 2 vehicles: something speaks against the part" in text
    assert "3 parts of 3 vehicles: nothing speaks against the part now." in text
    assert all(f"held back: cause {n}" in text for n in range(5))
    assert "What speaks against the part" in text
    assert "no evidence in words" not in text and "Nothing is held back." not in text


def test_an_empty_list_and_an_empty_lake_are_readable(tmp_path: Path) -> None:
    rows = [row | {"list_rank": None} for row in ranked_rows() if row["status"] == "judged"][:1]
    made = Lake(str(tmp_path / "lake"))
    made.append("ranked", rows_of("ranked", rows))
    outputs = write_outputs(made, Settings(), "issued", WEEK, tmp_path / "out", weeks_frame())
    text = " ".join(Tags(outputs.paths["page.html"].read_text(encoding="utf-8")).text.split())
    for words in (
        "Nothing is on the list this week.",
        "no readings from before that week",
        "No export has been read.",
        "Every part in scope is judged.",
        "Nothing is held back.",
    ):
        assert words in text
    assert "Nothing is on the list this week." in outputs.paths["list.txt"].read_text(encoding="utf-8")
    assert cells(outputs.paths["list.csv"]) == []
    assert outputs.first_rows(5) == []


def test_a_failed_write_leaves_the_old_file_whole(
    lake: Lake, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "list.csv").write_text("old\n", encoding="utf-8")

    def full(self: pl.DataFrame, path: Path, **_: object) -> None:
        Path(path).write_text("half", encoding="utf-8")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pl.DataFrame, "write_csv", full)
    with pytest.raises(LightoffError, match="No space left on device; check rights and space"):
        write_outputs(lake, Settings(), "issued", WEEK, tmp_path, weeks_frame())
    assert [path.name for path in tmp_path.iterdir()] == ["list.csv"]
    assert (tmp_path / "list.csv").read_text(encoding="utf-8") == "old\n"


def test_a_folder_that_is_a_file_is_named(lake: Lake, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("", encoding="utf-8")
    with pytest.raises(LightoffError, match="cannot be written"):
        write_outputs(lake, Settings(), "issued", WEEK, tmp_path / "out", weeks_frame())


def test_files_can_be_read_by_others(outputs: Outputs) -> None:
    mask = os.umask(0)
    os.umask(mask)
    assert {path.stat().st_mode & 0o777 for path in outputs.paths.values()} == {0o666 & ~mask}


def test_the_week_is_a_date_not_a_clock(lake: Lake, tmp_path: Path) -> None:
    assert ranked_rows()[0]["week_start"] == date(2026, 3, 2)
    outputs = write_outputs(lake, Settings(time_zone="Asia/Tokyo"), "issued", WEEK, tmp_path, weeks_frame())
    text = Tags(outputs.paths["page.html"].read_text(encoding="utf-8")).text
    # 18:30 UTC on 1 March is 03:30 on 2 March in Tokyo: arrival is shown in the fleet's own zone.
    assert "2026-03-02 03:30" in text


@pytest.mark.parametrize(("low", "high", "said"), [
    (352.3, 452.3, "412 EUR (352 to 452)"),
    (412.1, 412.4, "412 EUR"),  # an interval that reads as one number says nothing
    (None, None, "412 EUR"),  # a list of an older version
])
def test_a_saving_says_its_interval_where_it_has_one(low: float | None, high: float | None, said: str) -> None:
    row = {"expected_saving": 412.34, "saving_low": low, "saving_high": high}
    assert saving_words(row, "EUR").replace("\u00a0", " ") == said
