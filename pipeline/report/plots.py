"""A small line plot as inline SVG: weekly values of one indicator against limit, own past and peers.

Safe in black and white: the lines differ in dash pattern and are labelled where they end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from xml.etree import ElementTree

from pipeline.report.words import number

_WIDTH, _HEIGHT = 340.0, 150.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 104.0, 20.0, 24.0
_LABEL_GAP = 13.0  # least distance of two labels, one line of text
_WEEK = timedelta(days=7)
_DASHES = {"limit": "7 3", "own past": "1.5 3", "peers": "9 3 2 3"}
_WORSE = {"up": "worse above", "down": "worse below", "out": "worse outside"}


@dataclass(frozen=True)
class Plot:
    """What one plot shows; values, limit, baseline and peer_median in ``unit``.

    weeks : Mondays, ascending. worse : up, down or out. baseline : the part's own past. peers : their number.
    """

    quantity: str
    unit: str
    worse: str
    weeks: list[date]
    values: list[float]
    limit: float | None
    baseline: float | None
    peer_median: float | None
    peers: int

    def references(self) -> list[tuple[str, float]]:
        """Horizontal lines as (label, value); a limit to both sides where outside is worse."""
        found = [("limit", self.limit), ("own past", self.baseline), ("peers", self.peer_median)]
        if self.worse == "out" and self.limit:
            found.insert(1, ("limit", -self.limit))
        return [(label, value) for label, value in found if value is not None and math.isfinite(value)]

    def words(self) -> str:
        """The plot in one paragraph, for who cannot see it."""
        first, last = self.values[0], self.values[-1]
        said = [f"{len(self.values)} weekly values"]
        said[0] += f", {number(first, self.unit)} in the week of {self.weeks[0]}"
        if len(self.values) > 1:
            said[0] += f", {number(last, self.unit)} in the week of {self.weeks[-1]}"
        else:
            said[0] = said[0].replace("values", "value")
        if self.limit is not None:
            way = _WORSE.get(self.worse, "")
            said.append(f"limit {number(self.limit, self.unit)}{f' ({way})' if way else ''}")
        if self.baseline is not None:
            said.append(f"own past {number(self.baseline, self.unit)}")
        if self.peer_median is not None:
            said.append(f"median of {self.peers} peers {number(self.peer_median, self.unit)}")
        return "; ".join(said) + "."


def line_plot(plot: Plot, ident: str) -> str:
    """The plot as an ``<svg>`` element; ``ident``, unique in the page, names its title and description.

    Raises:
        ValueError: no values, weeks and values that differ in number, or a value that is not finite.
    """
    if not plot.values or len(plot.weeks) != len(plot.values):
        raise ValueError(
            f"weeks and values must be as many and at least one, got {len(plot.weeks)}, {len(plot.values)}"
        )
    if not all(math.isfinite(value) for value in plot.values):
        raise ValueError(f"values must be finite, got {plot.values}")
    references = plot.references()
    low, high, ticks = _scale([*plot.values, *(value for _, value in references)])
    inner_width, inner_height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    span = max((plot.weeks[-1] - plot.weeks[0]) / _WEEK, 1.0)

    def x(week: date) -> float:
        return _LEFT + 4 + (inner_width - 8) * ((week - plot.weeks[0]) / _WEEK) / span

    def y(value: float) -> float:
        return _TOP + inner_height * (high - value) / (high - low)

    svg = ElementTree.Element(
        "svg",
        {
            "class": "plot",
            "viewBox": f"0 0 {_WIDTH:g} {_HEIGHT:g}",
            "role": "img",
            "aria-labelledby": f"{ident}-title {ident}-desc",
            "fill": "none",
            "stroke": "currentColor",
        },
    )
    ElementTree.SubElement(svg, "title", {"id": f"{ident}-title"}).text = plot.quantity
    ElementTree.SubElement(svg, "desc", {"id": f"{ident}-desc"}).text = plot.words()
    right = _LEFT + inner_width
    _text(svg, 2, 12, plot.unit if plot.unit not in ("", "1") else "ratio")
    _line(svg, _LEFT, _TOP, _LEFT, _TOP + inner_height)
    _line(svg, _LEFT, _TOP + inner_height, right, _TOP + inner_height)
    for value, label in ticks:
        _line(svg, _LEFT - 3, y(value), _LEFT, y(value))
        _text(svg, _LEFT - 5, y(value) + 4, label, "end")
    _text(svg, _LEFT, _HEIGHT - 7, f"week of {plot.weeks[0]}" if len(plot.weeks) == 1 else str(plot.weeks[0]))
    if len(plot.weeks) > 1:
        _text(svg, right, _HEIGHT - 7, str(plot.weeks[-1]), "end" if span > 1 else "start")
    for (label, value), label_y in zip(
        references, _spread([y(value) for _, value in references]), strict=True
    ):
        line = _line(svg, _LEFT, y(value), right, y(value), 1.6 if label == "limit" else 1.2)
        line.set("stroke-dasharray", _DASHES[label])
        line.set("class", label.replace(" ", "-"))
        _line(svg, right, y(value), right + 6, label_y, 0.6)
        _text(svg, right + 8, label_y + 4, f"{label} {_as_told(value)}")
    for run in _runs(plot.weeks, plot.values):
        points = " ".join(f"{x(week):.1f},{y(value):.1f}" for week, value in run)
        ElementTree.SubElement(svg, "polyline", {"points": points, "stroke-width": "2", "class": "values"})
    for week, value in zip(plot.weeks, plot.values, strict=True):
        dot = {
            "cx": f"{x(week):.1f}",
            "cy": f"{y(value):.1f}",
            "r": "2.6",
            "fill": "currentColor",
            "stroke": "none",
        }
        ElementTree.SubElement(svg, "circle", dot)
    return ElementTree.tostring(svg, encoding="unicode")


def _line(svg: ElementTree.Element, x1: float, y1: float, x2: float, y2: float, width: float = 1.0):
    ends = {"x1": x1, "y1": y1, "x2": x2, "y2": y2, "stroke-width": width}
    return ElementTree.SubElement(svg, "line", {name: f"{value:.4g}" for name, value in ends.items()})


def _text(svg: ElementTree.Element, x: float, y: float, words: str, anchor: str = "start") -> None:
    place = {"x": f"{x:.4g}", "y": f"{y:.4g}", "text-anchor": anchor, "font-size": "12"}
    ElementTree.SubElement(svg, "text", place | {"fill": "currentColor", "stroke": "none"}).text = words


def _as_told(value: float) -> str:
    """A reference with the digits of the sentence beside the plot (:func:`models.findings.words`)."""
    decimals = next((count for end, count in ((1, 3), (10, 2), (100, 1)) if abs(value) < end), 0)
    rounded = round(value, decimals)
    return f"{rounded:.{decimals}f}".rstrip("0").rstrip(".") if decimals and rounded else f"{rounded:.0f}"


def _scale(values: list[float]) -> tuple[float, float, list[tuple[float, str]]]:
    """Low and high end of the axis with a margin, and two to five round ticks with their labels."""
    low, high = min(values), max(values)
    margin = (high - low) * 0.08 or abs(high) * 0.1 or 1.0
    low, high = low - margin, high + margin
    rough = (high - low) / 3
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step)
    ticks = [index * step for index in range(first, math.floor(high / step) + 1)]
    return low, high, [(tick, f"{tick:.{decimals}f}") for tick in ticks]


def _spread(places: list[float]) -> list[float]:
    """Label heights no closer than one line of text, in the order given, kept inside the plot."""
    order = sorted(range(len(places)), key=places.__getitem__)
    heights = list(places)
    floor = _TOP
    for index in order:
        heights[index] = floor = max(heights[index], floor)
        floor += _LABEL_GAP
    ceiling = _HEIGHT - _BOTTOM
    for index in reversed(order):
        heights[index] = ceiling = min(heights[index], ceiling)
        ceiling -= _LABEL_GAP
    return heights


def _runs(weeks: list[date], values: list[float]) -> list[list[tuple[date, float]]]:
    """Values joined by a line: weeks without data between them break it."""
    runs: list[list[tuple[date, float]]] = []
    for week, value in zip(weeks, values, strict=True):
        if runs and week - runs[-1][-1][0] <= _WEEK:
            runs[-1].append((week, value))
        else:
            runs.append([(week, value)])
    return [run for run in runs if len(run) > 1]
