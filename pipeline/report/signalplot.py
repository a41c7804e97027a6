"""The real signal, now beside earlier or a healthy peer: two small plots on one scale, as inline SVG."""

from __future__ import annotations

from xml.etree import ElementTree

from pipeline.report.stretch import SPAN_S, Stretch

_WIDTH, _HEIGHT = 340.0, 118.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 8.0, 18.0, 22.0
# A conventional sensor lives between 0 and 1 V (common practice); wide-range plots are scaled by their values.
_VOLTS = (0.0, 1.0)
_GAP_S = 15.0  # no line across a longer pause


def scale_of(*stretches: Stretch | None) -> tuple[float, float]:
    """Low and high end of a common axis; 0 to 1 V for a conventional sensor unless the signal leaves it."""
    values = [value for stretch in stretches if stretch is not None for value in stretch.values]
    low, high = min(values), max(values)
    if any(stretch is not None and stretch.unit == "V" for stretch in stretches):
        return min(low, _VOLTS[0]), max(high, _VOLTS[1])
    margin = max((high - low) * 0.1, 0.02)
    return low - margin, high + margin


def signal_plot(stretch: Stretch, scale: tuple[float, float], ident: str) -> str:
    """One stretch as an ``<svg>``: dots where the gateway sampled, thin lines between neighbours."""
    low, high = scale
    width, height = _WIDTH - _LEFT - _RIGHT, _HEIGHT - _TOP - _BOTTOM
    svg = ElementTree.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "class": "signal",
            "viewBox": f"0 0 {_WIDTH:g} {_HEIGHT:g}",
            "role": "img",
            "aria-labelledby": f"{ident}-title",
            "fill": "none",
            "stroke": "currentColor",
        },
    )
    ElementTree.SubElement(svg, "title", {"id": f"{ident}-title"}).text = (
        f"{stretch.words}: {_as_read(min(stretch.values), stretch.unit, 3)} to "
        f"{_as_read(max(stretch.values), stretch.unit, 3)} {stretch.unit}"
    )

    def x(second: float) -> float:
        return _LEFT + width * min(second / SPAN_S, 1.0)

    def y(value: float) -> float:
        return _TOP + height * (high - value) / (high - low)

    _text(svg, 2, 11, stretch.unit)
    for value in (low, (low + high) / 2, high):
        _line(svg, _LEFT - 3, y(value), _LEFT, y(value), 0.8)
        _text(svg, _LEFT - 5, y(value) + 4, _as_read(value, stretch.unit, 2), "end")
    if stretch.unit == "V":
        _line(svg, _LEFT, y(0.45), _LEFT + width, y(0.45), 0.6).set("stroke-dasharray", "2 3")
    _line(svg, _LEFT, _TOP, _LEFT, _TOP + height, 0.8)
    _line(svg, _LEFT, _TOP + height, _LEFT + width, _TOP + height, 0.8)
    _text(svg, _LEFT, _HEIGHT - 7, "0 s")
    _text(svg, _LEFT + width, _HEIGHT - 7, f"{SPAN_S:.0f} s", "end")
    run: list[str] = []
    before = None
    for second, value in [*zip(stretch.seconds, stretch.values, strict=True), (float("inf"), 0.0)]:
        if before is not None and second - before > _GAP_S:
            if len(run) > 1:
                ElementTree.SubElement(svg, "polyline", {"points": " ".join(run), "stroke-width": "1"})
            run = []
        before = second
        run.append(f"{x(second):.1f},{y(value):.1f}")
    for second, value in zip(stretch.seconds, stretch.values, strict=True):
        place = {"cx": f"{x(second):.1f}", "cy": f"{y(value):.1f}", "r": "1.6", "fill": "currentColor", "stroke": "none"}
        ElementTree.SubElement(svg, "circle", place)
    return ElementTree.tostring(svg, encoding="unicode")


def _as_read(value: float, unit: str, decimals: int) -> str:
    """Volts to three digits; lambda with fixed decimals: two digits make a 1 of 1.03."""
    return f"{value:.{decimals}f}" if unit == "lambda" else f"{value:.3g}"


def _line(svg: ElementTree.Element, x1: float, y1: float, x2: float, y2: float, width: float) -> ElementTree.Element:
    ends = {"x1": x1, "y1": y1, "x2": x2, "y2": y2, "stroke-width": width}
    return ElementTree.SubElement(svg, "line", {name: f"{value:.4g}" for name, value in ends.items()})


def _text(svg: ElementTree.Element, x: float, y: float, words: str, anchor: str = "start") -> None:
    place = {"x": f"{x:.4g}", "y": f"{y:.4g}", "text-anchor": anchor, "font-size": "11"}
    ElementTree.SubElement(svg, "text", place | {"fill": "currentColor", "stroke": "none"}).text = words
