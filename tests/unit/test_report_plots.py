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
from pipeline.report.signalplot import signal_plot
from pipeline.report.stretch import Stretch

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


@pytest.mark.parametrize(
    ("limit", "label"),
    [(2.95, "limit 2.95"), (5.65, "limit 5.65"), (0.0764, "limit 0.076"), (180.0, "limit 180"), (67.24, "limit 67.2"),
     (-0.4764, "limit -0.476"), (0.0, "limit 0"), (99.96, "limit 100"), (30.0, "limit 30")],
)
def test_a_line_is_labelled_as_the_sentence_says_it(limit: float, label: str) -> None:
    """A limit of 2.95 mA stood as 3 beside a sentence with 2.95; three digits as in it, worked by hand."""
    assert label in [text.text for text in drawn(replace(PLOT, limit=limit)).iter("text")]


def test_lambda_is_labelled_where_it_is() -> None:
    """Two digits made the top of an axis that ends at 1.03 a 1: 0.03 is the whole limit of a sensor that reads off."""
    stretch = Stretch("lambda_b1s1", "lambda", "now", [0.0, 1.0, 2.0], [0.97, 1.0, 1.0045])
    svg = ElementTree.fromstring(signal_plot(stretch, (0.95, 1.03), "s"))
    (title,) = (each for each in svg.iter() if each.tag.endswith("title"))
    labels = [each.text for each in svg.iter() if each.tag.endswith("text")]
    assert {"0.95", "0.99", "1.03"} <= set(labels) and "1" not in labels
    assert title.text == "now: 0.970 to 1.004 lambda"
    volts = Stretch("o2_b1s1_v", "V", "now", [0.0, 1.0], [0.1, 0.85])
    said = ElementTree.fromstring(signal_plot(volts, (0.0, 1.0), "s"))
    assert {"0", "0.5", "1"} <= {each.text for each in said.iter() if each.tag.endswith("text")}


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
