"""What a flow shows: coverage beside the list before, addresses of the files, the challenger's backtest."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from types import SimpleNamespace

import polars as pl

from models.resampling import Interval
from pipeline import artifacts, jobs
from pipeline.assess import ISSUED
from pipeline.lake import Lake
from pipeline.retrain import Verdict
from pipeline.settings import Settings
from pipeline.tables import table

THEN, NOW = date(2026, 3, 2), date(2026, 3, 9)


def scores(*rows: tuple[date, str, str, str, str, str]) -> pl.DataFrame:
    names = ("week_start", "unit_id", "component", "part", "status", "reason")
    return pl.DataFrame(rows, schema=names, orient="row")


def test_coverage_is_shown_beside_that_of_the_list_before() -> None:
    text = artifacts.coverage_changes(
        scores(
            (date(2026, 2, 23), "V1", "B1S1", "upstream", "held", "old news"),
            (THEN, "V1", "B1S1", "upstream", "judged", ""),
            (THEN, "V2", "B1S1", "upstream", "judged", ""),
            (THEN, "V3", "CAT1", "catalyst", "held", "held back: misfire"),
            (THEN, "V4", "B1S2", "downstream", "judged", ""),
            (NOW, "V1", "B1S1", "upstream", "judged", ""),
            (NOW, "V2", "B1S1", "upstream", "not_judged", "no rpm | since Tuesday"),
            (NOW, "V3", "CAT1", "catalyst", "judged", ""),
            (NOW, "V5", "", "", "out_of_scope", "diesel"),
        ),
        NOW,
    )
    lines = text.splitlines()
    assert lines[0] == "Parts of the list of 2026-03-09, those of the list before (2026-03-02) in brackets"
    assert "| upstream sensors | 1 (2) | 0 (0) | 1 (0) |" in lines
    assert "| downstream sensors | 0 (1) | 0 (0) | 0 (0) |" in lines
    assert "| catalysts | 1 (0) | 0 (1) | 0 (0) |" in lines
    assert "1 parts are judged that were not, 2 are judged no longer." in lines
    assert "- 1 no longer: no rpm | since Tuesday" in lines and "- 1 no longer: no longer in the register" in lines


def test_the_first_list_has_none_to_be_compared_with() -> None:
    text = artifacts.coverage_changes(scores((NOW, "V1", "B1S1", "upstream", "judged", "")), NOW)
    assert "| upstream sensors | 1 | 0 | 0 |" in text and "There is no list before this one." in text


def listed(out: Path) -> SimpleNamespace:
    folder = out / "2026-03-09"
    paths = {name: folder / name for name in ("list.csv", "page.html", "list.xlsx", "list.txt")}
    return SimpleNamespace(outputs=SimpleNamespace(paths=paths), cards=folder / "cards")


def test_links_lead_to_files_or_to_where_they_are_served(tmp_path: Path) -> None:
    out = tmp_path / "our lists"
    local = artifacts.links(listed(out), out, "")
    assert list(local) == ["page", "csv", "workbook", "cards"]
    assert local["page"] == f"{tmp_path.resolve().as_uri()}/our%20lists/2026-03-09/page.html"
    served = artifacts.links(listed(out), out, "https://lists.example/lightoff/")
    assert served["page"] == "https://lists.example/lightoff/2026-03-09/page.html"
    assert served["cards"] == "https://lists.example/lightoff/2026-03-09/cards"


def test_a_challenger_is_shown_with_its_gains() -> None:
    gain = Interval(0.051, -0.012, 0.101, 40, 200)
    made = Verdict(False, "not above zero", None, 61.0, 900, {"incumbent": gain})
    text = artifacts.verdict(made)
    assert text.startswith("not promoted: not above zero\n61.0 failures and 900 labelled")
    assert "| incumbent | +0.051 | -0.012 to +0.101 | 40 |" in text
    assert "|" not in artifacts.verdict(Verdict(False, "too few failures", None, 3.0, 9, {}))


def test_lists_that_are_too_young_are_not_held_against_anything(tmp_path: Path) -> None:
    lake, settings = Lake(str(tmp_path / "lake")), Settings()
    assert "none has been issued" in jobs.track_record(settings, lake, NOW)
    declared = table("ranked")
    texts = {name: "" for name, spec in declared.columns.items() if spec.type == pl.String}
    row = {name: None for name in declared.columns} | texts | {"series": ISSUED, "week_start": THEN}
    frame = pl.DataFrame([row], schema=declared.schema)
    filled = frame.with_columns(
        pl.col(name).fill_null(0) for name, spec in declared.columns.items() if not spec.nullable and spec.type.is_numeric()
    )
    lake.append("ranked", filled)
    text = jobs.track_record(settings, lake, NOW)
    # Two weeks of warming up, 28 days of outlook, 35 days until an order is closed.
    assert "No issued list is 77 days old yet" in text and "2026-03-02 to 2026-03-09" in text
