"""Coverage: counts by part, status and reason, on a terminal and in a log."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipeline.console import plain_console, say_coverage
from pipeline.coverage import coverage, coverage_lines, coverage_table
from pipeline.report.unlock import unlock_lines
from pipeline.sampled import Sampled

WEEK = date(2026, 4, 6)
LONG = (
    "too few usable readings: log the downstream sensor (PID 15) at 1 Hz with air mass flow and speed, please "
    * 2
)


def scores(*rows: tuple[str, str, str, str]) -> pl.DataFrame:
    """Rows as (unit, part, status, reason)."""
    return pl.DataFrame(list(rows), schema=["unit_id", "part", "status", "reason"], orient="row")


ROWS = scores(
    ("V1", "upstream", "judged", ""),
    ("V1", "upstream", "judged", ""),
    ("V2", "upstream", "judged", ""),
    ("V1", "catalyst", "not_judged", LONG),
    ("V2", "catalyst", "held", "held back: a misfire explains it"),
    ("D1", "", "out_of_scope", "diesel: no lambda control"),
    ("V3", "downstream", "not_judged", "no readings"),
)


def test_counts_components_and_vehicles() -> None:
    assert coverage(ROWS).rows() == [
        ("upstream sensors", "judged", 3, 2, ""),
        ("downstream sensors", "not judged", 1, 1, "no readings"),
        ("catalysts", "held back", 1, 1, "a misfire explains it"),
        ("catalysts", "not judged", 1, 1, LONG),
        ("whole vehicle", "out of scope", 1, 1, "diesel: no lambda control"),
    ]


def test_every_row_is_counted_once() -> None:
    assert coverage(ROWS)["components"].sum() == ROWS.height


def test_lines_are_whole() -> None:
    lines = coverage_lines(ROWS, WEEK)
    assert lines[0] == "what the list of 2026-04-06 could judge:"
    assert lines[1] == "upstream sensors, judged: 3 components of 2 vehicles"
    assert lines[4] == f"catalysts, not judged: 1 component of 1 vehicle: {LONG}"
    assert len(lines) == 6


def test_log_gets_whole_lines(capsys: pytest.CaptureFixture[str]) -> None:
    say_coverage(plain_console(), ROWS, WEEK)
    assert capsys.readouterr().out == "".join(line + "\n" for line in coverage_lines(ROWS, WEEK))


def test_table_has_a_row_a_reason() -> None:
    table = coverage_table(ROWS, WEEK)
    assert table.row_count == 5
    assert [column.header for column in table.columns][-1] == "why, and what would change it"
    assert list(table.columns[2].cells) == ["3", "1", "1", "1", "1"]


def lacking(*rows: tuple[str, str, bool]) -> Sampled:
    """Capability of catalysts: (unit, indicator, possible); what is not possible lacks the downstream voltage alone."""
    capable = pl.DataFrame(list(rows), schema=["unit_id", "indicator", "possible"], orient="row").with_columns(
        component=pl.lit("CAT1"),
        lacking=pl.when("possible").then(0).otherwise(1),
        signal=pl.when(~pl.col("possible")).then(pl.lit("o2_b1s2_v")),
        every_s=pl.when(~pl.col("possible")).then(2.5),
    )
    return Sampled(pl.DataFrame(), capable, capable.clear(), {})


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([("V1", "a", False)], "1 component more judged, 1 indicator more on 1 vehicle"),
        ([("V1", "a", False), ("V2", "a", False)], "2 components more judged, 2 indicators more on 2 vehicles"),
        # The catalyst is judged already by another indicator: nothing more is judged, only better.
        ([("V1", "a", False), ("V1", "b", True)], "1 indicator more on 1 vehicle"),
        ([("V1", "a", False), ("V1", "c", False), ("V1", "b", True)], "2 indicators more on 1 vehicle"),
    ],
)
def test_what_a_signal_would_allow_is_counted_in_words(rows: list[tuple[str, str, bool]], told: str) -> None:
    assert unlock_lines(lacking(*rows)) == [f"log o2_b1s2_v (PID 15) at least every 2.5 s: {told}"]
