"""A backtest written down: table, JSON, and a page with its plots."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import date
from html import escape
from pathlib import Path
from xml.etree import ElementTree

from pipeline.errors import LightoffError

_NAMES = {
    "precision_at_10": "precision of the first ten rows",
    "precision_at_20": "precision of the first twenty",
    "begun_rate": "rows whose part is failing, failed or not yet, share",
    "recall_with_lead": "failures listed at least 7 days ahead",
    "recall_of_slow_faults": "the same, of faults that begin 14 days or more before they fail",
    "recall_seen_coming": "failures listed or on the way at least 7 days ahead",
    "recall_of_slow_faults_seen_coming": "the same, of faults that begin 14 days or more before they fail",
    "median_lead_days": "median lead of those foreseen, days",
    "false_alarms_per_100_unit_weeks": "false alarms per 100 vehicle-weeks",
    "wrong_component_rate": "wrong part of the right vehicle, share of rows",
    "confounder_rate": "another defect blamed on a part, share of rows",
    "confounder_of_sound_rate": "another defect blamed on a sound part, share of rows",
    "average_precision": "average precision",
    "brier": "Brier score",
    "expected_calibration_error": "calibration error",
    "prevalence": "share of component-weeks that fail (chance)",
    "listed_rows": "rows listed",
    "coming_rows": "rows on the way",
    "coming_begun_rate": "rows on the way whose part is failing, failed or not yet, share",
    "money_saved": "money saved",
}
_SIZE, _EDGE = 260.0, 34.0
_DASHES = "6 3"


@dataclass(frozen=True)
class Proof:
    """Figures of each policy, policy -> figure -> {value, low, high, n}, and reliability of the probabilities
    (predicted, observed, low, high, n by bin). ``source`` says how it is known what failed.
    """

    figures: dict[str, dict[str, dict]]
    reliability: dict[str, list[float]]
    first: date
    last: date
    source: str


def proof_table(proof: Proof) -> str:
    """Figures by policy as a Markdown table, 90 % intervals by vehicle in brackets."""
    policies = list(proof.figures)
    lines = [
        f"lists of {proof.first} to {proof.last} against {proof.source}; 90 % intervals by vehicle",
        "",
        "| figure | " + " | ".join(policies) + " |",
        "|---|" + "---|" * len(policies),
    ]
    for name, words in _NAMES.items():
        cells = [_cell(proof.figures[policy].get(name)) for policy in policies]
        if any(cells):
            lines.append(f"| {words} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def write_proof(proof: Proof, folder: Path) -> list[Path]:
    """Write ``proof.md``, ``proof.json`` and ``proof.html``; their paths.

    Raises:
        LightoffError: a file cannot be written.
    """
    table = proof_table(proof)
    body = asdict(proof) | {"first": proof.first.isoformat(), "last": proof.last.isoformat()}
    texts = {
        "proof.md": table + "\n",
        "proof.json": json.dumps(body, indent=1, sort_keys=True) + "\n",
        "proof.html": _page(proof),
    }
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (folder / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise LightoffError(f"{folder}: cannot be written: {error}; check rights and space") from error
    return [folder / name for name in texts]


def reliability_plot(reliability: dict[str, list[float]]) -> str:
    """Observed share against probability, bars for the 90 % interval of a bin, dashed where both are equal."""
    svg = _svg("Reliability", f"{len(reliability['n'])} bins of equal count; the dashed line is perfect calibration.")

    def at(value: float) -> float:
        return _EDGE + (_SIZE - 2 * _EDGE) * value

    def up(value: float) -> float:
        return _SIZE - at(value)

    for one, other in (((0, 0), (1, 0)), ((0, 0), (0, 1))):
        _line(svg, at(one[0]), up(one[1]), at(other[0]), up(other[1]))
    _line(svg, at(0), up(0), at(1), up(1)).set("stroke-dasharray", _DASHES)
    for tick in (0.0, 0.5, 1.0):
        _text(svg, at(tick), _SIZE - _EDGE + 16, f"{tick:g}", "middle")
        _text(svg, _EDGE - 6, up(tick) + 4, f"{tick:g}", "end")
    for x, y, low, high in zip(*(reliability[n] for n in ("predicted", "observed", "low", "high")), strict=True):
        _line(svg, at(x), up(low), at(x), up(high))
        ElementTree.SubElement(
            svg, "circle", {"cx": f"{at(x):.1f}", "cy": f"{up(y):.1f}", "r": "3", "fill": "currentColor"}
        )
    _text(svg, _SIZE / 2, _SIZE - 4, "probability", "middle")
    _text(svg, 4, 14, "observed share")
    return ElementTree.tostring(svg, encoding="unicode")


def bar_plot(proof: Proof, name: str) -> str:
    """One share (0 to 1) by policy with its interval."""
    svg = _svg(_NAMES[name], proof.source)
    for place, (policy, figures) in enumerate(proof.figures.items()):
        entry, y = figures.get(name), 40.0 + 52 * place
        _text(svg, 6, y - 6, policy)
        if entry is None or entry["value"] is None:
            _text(svg, 6, y + 12, "none")
            continue
        width = (_SIZE - 60) * entry["value"]
        bar = {"x": "6", "y": f"{y:.1f}", "width": f"{max(width, 0.5):.1f}", "height": "12"}
        ElementTree.SubElement(svg, "rect", bar)
        if entry["low"] is not None:
            _line(svg, 6 + (_SIZE - 60) * entry["low"], y + 6, 6 + (_SIZE - 60) * entry["high"], y + 6)
        _text(svg, _SIZE - 44, y + 11, f"{entry['value']:.2f}")
    return ElementTree.tostring(svg, encoding="unicode")


def _page(proof: Proof) -> str:
    lines = proof_table(proof).splitlines()
    head, rows = lines[0], [line.strip("| ").split(" | ") for line in lines[2:] if not line.startswith("|---")]
    body = "".join(
        "<tr>" + "".join(f"<{tag}>{escape(cell)}</{tag}>" for cell in row) + "</tr>"
        for tag, row in (("th" if place == 0 else "td", row) for place, row in enumerate(rows))
    )
    plots = [reliability_plot(proof.reliability)]
    plots += [f"<h2>{escape(_NAMES[n])}</h2>" + bar_plot(proof, n)
              for n in ("precision_at_10", "recall_with_lead", "average_precision")]
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Backtest</title><style>'
        "body{font:16px/1.5 sans-serif;max-width:70em;margin:2em auto;padding:0 1em}"
        "td,th{padding:.2em .8em;border-bottom:1px solid;text-align:left}svg{max-width:26em}</style></head><body>"
        f"<h1>Backtest</h1><p>{escape(head)}</p><table>{body}</table><h2>Reliability</h2>{''.join(plots)}</body></html>\n"
    )


def _cell(entry: dict | None) -> str:
    if entry is None or entry["value"] is None:
        return ""
    value = entry["value"]
    large = isinstance(value, int) or max(abs(entry[end] or 0) for end in ("value", "low", "high")) >= 100

    def said(number: float) -> str:
        return f"{number:.0f}" if large else f"{number:.3f}"

    return said(value) if entry["low"] is None else f"{said(value)} ({said(entry['low'])} to {said(entry['high'])})"


def _svg(title: str, said: str) -> ElementTree.Element:
    svg = ElementTree.Element(
        "svg", {"viewBox": f"0 0 {_SIZE:g} {_SIZE:g}", "role": "img", "fill": "none", "stroke": "currentColor"}
    )
    ElementTree.SubElement(svg, "title").text = title
    ElementTree.SubElement(svg, "desc").text = said
    return svg


def _line(svg: ElementTree.Element, x1: float, y1: float, x2: float, y2: float) -> ElementTree.Element:
    ends = {"x1": x1, "y1": y1, "x2": x2, "y2": y2}
    return ElementTree.SubElement(svg, "line", {name: f"{value:.1f}" for name, value in ends.items()})


def _text(svg: ElementTree.Element, x: float, y: float, words: str, anchor: str = "start") -> None:
    place = {"x": f"{x:.1f}", "y": f"{y:.1f}", "text-anchor": anchor, "font-size": "12"}
    ElementTree.SubElement(svg, "text", place | {"fill": "currentColor", "stroke": "none"}).text = words
