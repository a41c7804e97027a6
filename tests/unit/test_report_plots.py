"""The small plots: valid, labelled, broken where weeks are missing, readable without colour."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.report.plots import Plot, line_plot

MONDAY = date(2026, 1, 5)
PLOT = Plot(
    quantity="swing <V> & more",
    unit="V",
    worse="down",
    weeks=[MONDAY + timedelta(weeks=n) for n in (0, 1, 4, 5)],
    values=[0.7, 0.66, 0.5, 0.45],
    limit=0.4,
    baseline=0.7,
    peer_median=0.69,
    peers=12,
)
FINITE = st.floats(-1e6, 1e6, allow_subnormal=False)


def drawn(plot: Plot) -> ElementTree.Element:
    return ElementTree.fromstring(line_plot(plot, "plot-1"))


def test_title_and_description_are_wired_and_escaped() -> None:
    svg = drawn(PLOT)
    title, desc = svg.find("title"), svg.find("desc")
    assert svg.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}" == "plot-1-title plot-1-desc"
    assert title.text == "swing <V> & more"
    assert "<V>" not in line_plot(PLOT, "plot-1")
    assert desc.text == (
        "4 weekly values, 0.7 V in the week of 2026-01-05, 0.45 V in the week of 2026-02-09; "
        "limit 0.4 V (worse below); own past 0.7 V; median of 12 peers 0.69 V."
    )


def test_lines_differ_by_dashes_and_carry_their_names() -> None:
    svg = drawn(PLOT)
    dashes = {
        line.get("class"): line.get("stroke-dasharray") for line in svg.iter("line") if line.get("class")
    }
    assert set(dashes) == {"limit", "own-past", "peers"}
    assert len(set(dashes.values())) == 3
    words = [text.text for text in svg.iter("text")]
    assert {"V", "limit 0.4", "own past 0.7", "peers 0.69", "2026-01-05", "2026-02-09"} <= set(words)


def test_missing_weeks_break_the_line() -> None:
    runs = [line.get("points").split() for line in drawn(PLOT).iter("polyline")]
    assert [len(run) for run in runs] == [2, 2]
    assert len(list(drawn(PLOT).iter("circle"))) == 4


def test_limits_to_both_sides_where_outside_is_worse() -> None:
    svg = drawn(replace(PLOT, worse="out", limit=0.03, values=[0.0, 0.01, -0.02, -0.04]))
    assert [text.text for text in svg.iter("text") if text.text.startswith("limit")] == [
        "limit 0.03",
        "limit -0.03",
    ]


def test_one_value_without_references_draws() -> None:
    svg = drawn(replace(PLOT, weeks=[MONDAY], values=[0.0], limit=None, baseline=None, peer_median=None))
    assert svg.find("desc").text == "1 weekly value, 0 V in the week of 2026-01-05."


@given(
    values=st.lists(FINITE, min_size=1, max_size=26),
    references=st.tuples(*[st.none() | FINITE] * 3),
)
def test_everything_stays_inside_the_frame_and_labels_do_not_touch(
    values: list[float], references: tuple
) -> None:
    weeks = [MONDAY + timedelta(weeks=n) for n in range(len(values))]
    limit, baseline, peers = references
    svg = drawn(replace(PLOT, weeks=weeks, values=values, limit=limit, baseline=baseline, peer_median=peers))
    for dot in svg.iter("circle"):
        assert 0 <= float(dot.get("cx")) <= 340
        assert 19 <= float(dot.get("cy")) <= 127
    labels = sorted(
        float(t.get("y")) for t in svg.iter("text") if t.text.startswith(("limit", "own", "peers"))
    )
    assert all(lower - upper >= 12.9 for upper, lower in pairwise(labels))
    assert all(20 <= place <= 150 for place in labels)


@pytest.mark.parametrize(
    ("weeks", "values"),
    [([], []), ([MONDAY], [0.1, 0.2]), ([MONDAY], [float("nan")]), ([MONDAY], [float("inf")])],
)
def test_values_that_cannot_be_drawn_are_refused(weeks: list[date], values: list[float]) -> None:
    with pytest.raises(ValueError, match=r"values must be|weeks and values"):
        line_plot(replace(PLOT, weeks=weeks, values=values), "plot-1")
