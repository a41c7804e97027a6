"""A backtest written down: every figure with its interval, nothing where there is none, plots at the right places."""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path
from xml.etree import ElementTree

import pytest

from pipeline.errors import LightoffError
from pipeline.report.proof import Proof, bar_plot, proof_table, reliability_plot, write_proof

NONE = {"value": None, "low": None, "high": None, "n": 0}


def figure(value: float, low: float | None = None, high: float | None = None) -> dict:
    return {"value": value, "low": low, "high": high, "n": 40}


PROOF = Proof(
    {
        "lightoff": {"precision_at_10": figure(0.5, 0.25, 0.75), "recall_with_lead": figure(0.4, 0.3, 0.5),
                     "average_precision": figure(0.6), "brier": figure(0.02), "listed_rows": figure(123),
                     "money_saved": figure(-50.0, -420.0, 310.0)},
        "wait & see": {"precision_at_10": figure(1.0), "recall_with_lead": NONE, "average_precision": figure(0.1),
                       "brier": NONE, "listed_rows": figure(7), "money_saved": figure(0.0, 0.0, 0.0)},
    },
    {"predicted": [0.0, 1.0], "observed": [0.5, 1.0], "low": [0.25, 0.9], "high": [0.75, 1.0], "n": [10, 10]},
    date(2026, 1, 19), date(2026, 5, 4), "the truth of the simulation",
)


def test_table_by_hand():
    lines = proof_table(PROOF).splitlines()
    assert lines[0] == "lists of 2026-01-19 to 2026-05-04 against the truth of the simulation; 90 % intervals by vehicle"
    assert lines[2:5] == [
        "| figure | lightoff | wait & see |", "|---|---|---|",
        "| precision of the first ten rows | 0.500 (0.250 to 0.750) | 1.000 |",
    ]
    assert "| failures listed at least 7 days ahead | 0.400 (0.300 to 0.500) |  |" in lines
    assert "| rows listed | 123 | 7 |" in lines
    assert "| money saved | -50 (-420 to 310) | 0.000 (0.000 to 0.000) |" in lines
    assert not [line for line in lines if "calibration error" in line]  # no policy has one


def test_files(tmp_path: Path):
    paths = write_proof(PROOF, tmp_path / "new")
    assert [path.name for path in paths] == ["proof.md", "proof.json", "proof.html"]
    kept = json.loads(paths[1].read_text(encoding="utf-8"))
    assert kept["figures"] == PROOF.figures and kept["first"] == "2026-01-19"
    page = paths[2].read_text(encoding="utf-8")
    assert "<th>wait &amp; see</th>" in page and page.count("<svg") == 4 and "http" not in page.replace("http://www.w3.org", "")
    again = [path.read_bytes() for path in write_proof(PROOF, tmp_path / "again")]
    assert again == [path.read_bytes() for path in paths]


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(LightoffError, match="file: cannot be written"):
        write_proof(PROOF, tmp_path / "file")


def test_a_calibrated_bin_lies_on_the_dashed_line():
    svg = ElementTree.fromstring(reliability_plot(PROOF.reliability))
    dots = [(float(c.get("cx")), float(c.get("cy"))) for c in svg.iter("circle")]
    dashed = next(line for line in svg.iter("line") if line.get("stroke-dasharray"))
    assert dots[1] == (float(dashed.get("x2")), float(dashed.get("y2")))  # predicted 1, observed 1
    start, end = float(dashed.get("y1")), float(dashed.get("y2"))
    assert dots[0] == pytest.approx((float(dashed.get("x1")), (start + end) / 2))  # predicted 0, observed a half


def test_bars_are_as_long_as_their_share():
    svg = ElementTree.fromstring(bar_plot(PROOF, "precision_at_10"))
    widths = [float(bar.get("width")) for bar in svg.iter("rect")]
    assert widths[1] == pytest.approx(2 * widths[0])
    assert re.search(r">0\.50<", bar_plot(PROOF, "precision_at_10"))
    assert ">none<" in bar_plot(PROOF, "recall_with_lead")
