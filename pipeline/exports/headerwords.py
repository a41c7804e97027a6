"""What a header of an unknown file means: words of the trade in a few languages, units, and ranges of values.

``config/header_words.csv`` lists the words; ``config/unit_ranges.csv`` the values that a running vehicle can show in
each unit (common practice, from the scales of SAE J1979-DA), so that a range can rule a unit out, never choose one.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache

from pipeline.exports.layouts import plain_header
from pipeline.exports.units import Unit, unit_named, units
from pipeline.settings import CONFIG
from pipeline.signals import signals

DROPPED = "dropped"
_BRACKETS = re.compile(r"[\[(<{]\s*([^\])>}]*?)\s*[\])>}]\s*$")
_TAIL = re.compile(r"(?:[_\s/,:-]+)([^_\s,:-]+)$")
_SENSOR = re.compile(r"\bb(?:ank)?[\s_]*([12])[\s_,/-]*s(?:ensor)?[\s_]*([12])\b")
_ACRONYM = re.compile(r"\b(?:o2s|o2sensor|eq[\s_]*rat|lambda)[\s_]*([12])[\s_]*([12])\b")
_OXYGEN = re.compile(r"o2|oxygen|lambda|sonde|eq[\s_]*rat|equivalence|air[\s-]*fuel|\bafr\b|산소|람다")
_RICHEST_LAMBDA = 0.5  # no running engine is richer; a voltage is lower in every lean moment
_HIGHEST_LAMBDA = 5.0
_HIGHEST_V = 1.5


@dataclass(frozen=True)
class Guess:
    """A header's meaning, empty where unknown; ``question`` where only a person can decide, with both readings."""

    is_: str = ""
    unit: str = ""
    why: str = ""
    question: str = ""
    stoichiometric: float | None = None


def meaning_of(header: str, values: list[float] | None, canonical: bool = False, stoichiometric: float | None = None) -> Guess:
    """What a column is.

    Args:
        values: its numbers; None where it holds something else, empty where nothing was sampled.
        canonical: the caller says that columns without a unit are in the unit of the signal.
        stoichiometric: air-fuel ratio at lambda 1 of the fuel, where the caller says that ratios are such.
    """
    if header in signals():
        return Guess(header, "", "the canonical name")
    stated = _stated(header)
    name, why = _named(header, stated, values)
    if name == "?":
        return Guess(question=why)
    if not name or name not in signals():
        return Guess(is_=name, why=why)
    if values is None:
        return Guess(question=f"named like {name}, but its cells are no numbers")
    target = units()[signals()[name].unit]
    if signals()[name].unit == "ratio":
        return _mixture(name, why, stated, values, stoichiometric)
    if stated is not None and stated.quantity == target.quantity:
        if stated.name in _ranged(name) and stated.name not in _fitting(name, values, still=True):
            return Guess(question=f"{name} in {stated.name} as its header says, but its values {_span(values)} are none")
        return Guess(name, stated.name, f"{why}; the header says {stated.name}")
    if not _ranged(name):
        return Guess(name, "", why)
    fitting = _fitting(name, values)
    if fitting == [target.name] or (canonical and target.name in fitting):
        said = "as you said" if fitting != [target.name] else f"values {_span(values)} can be in no other unit"
        return Guess(name, target.name, f"{why}; {said}")
    if len(fitting) == 1:
        return Guess(name, fitting[0], f"{why}; values {_span(values)} can be in no other unit")
    readings = " or ".join(fitting) or "no unit that is known"
    return Guess(question=f"{name}, but the header has no unit, and values {_span(values)} can be {readings}")


def plain_words(header: str) -> str:
    """A header in lower case without its unit and with single blanks for every other sign."""
    text = plain_header(header).lower()
    text = _BRACKETS.sub("", text)
    return " ".join(re.sub(r"[^\w°%]+|_", " ", text).split())


@cache
def _words() -> dict[str, str]:
    with (CONFIG / "header_words.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    found = {word: row["is"] for row in rows for word in row["words"].split(";")}
    return found | {" ".join(name.split("_")): name for name in signals()}


@cache
def _ranges() -> list[tuple[str, str, float, float, float]]:
    with (CONFIG / "unit_ranges.csv").open(encoding="utf-8", newline="") as lines:
        return [
            (row["signal"], row["unit"], float(row["least"]), float(row["most"]), float(row["reaches"]))
            for row in csv.DictReader(lines)
        ]


def _stated(header: str) -> Unit | None:
    """The unit at the end of a header, in brackets or as its last word."""
    text = plain_header(header)
    bracket = _BRACKETS.search(text)
    if bracket:
        return unit_named(bracket[1])
    tail = _TAIL.search(text)
    return unit_named(tail[1]) if tail else None


def _named(header: str, stated: Unit | None, values: list[float] | None) -> tuple[str, str]:
    """Canonical name and reason; ``?`` and the question where two are possible, empty where none is."""
    words = plain_words(header)
    shorter = words.rsplit(" ", 1)[0] if stated is not None and not _BRACKETS.search(plain_header(header)) else words
    for text in (words, shorter):
        if text in _words():
            return _words()[text], f"{text!r} is a word for it"
    place = _SENSOR.search(words) or _ACRONYM.search(words)
    if place and _OXYGEN.search(words):
        return _sensor(words, place[1], place[2], stated, values)
    return "", ""


def _sensor(words: str, bank: str, sensor: str, stated: Unit | None, values: list[float] | None) -> tuple[str, str]:
    """Which signal of an oxygen sensor a column is."""
    at = f"b{bank}s{sensor}"
    quantity = stated.quantity if stated is not None else ""
    kinds = {"voltage": f"o2_{at}_v", "current": f"pump_{at}_ma"}
    name, why = kinds.get(quantity, ""), f"oxygen sensor of bank {bank}, place {sensor}"
    if quantity and not name:
        name = f"lambda_{at}"
    if not name and re.search(r"volt|spannung|tension|전압", words):
        name = f"o2_{at}_v"
    if not name and re.search(r"current|strom|courant|corriente|전류", words):
        name = f"pump_{at}_ma"
    if not name and values:
        least, most = min(values), max(values)
        if re.search(r"lambda|ratio|eq rat|afr|air fuel", words):
            # Names of the sensor and of what it measures are often one: the values must tell.
            if most > _HIGHEST_V or sensor == "1" and least >= 1.0:
                name = f"lambda_{at}"
            elif least >= _RICHEST_LAMBDA:
                return "?", f"lambda_{at} or o2_{at}_v: values {_span(values)} can be lambda or volts"
        if not name:
            if _HIGHEST_LAMBDA < most or least < _RICHEST_LAMBDA:
                name = f"o2_{at}_v"
            else:
                return "?", f"lambda_{at} or o2_{at}_v: values {_span(values)} can be lambda or volts"
    if name not in signals():
        return "", ""
    return name, why


def _mixture(name: str, why: str, stated: Unit | None, values: list[float], stoichiometric: float | None) -> Guess:
    """A lambda, or an air-fuel ratio under its name."""
    positive = [value for value in values if value > 0]
    ratio = 2 * sum(value > _HIGHEST_LAMBDA for value in positive) > len(positive)
    if not ratio:
        unit = stated.name if stated is not None and stated.quantity == units()["ratio"].quantity else ""
        if unit == "afr":
            return Guess(question=f"{name} as an air-fuel ratio, but values {_span(values)} are those of lambda")
        return Guess(name, unit, f"{why}; values {_span(values)}")
    if stoichiometric is None:
        return Guess(
            question=f"{name}, but values {_span(values)} are those of an air-fuel ratio, which is about 14.7 for petrol "
            "where lambda is 1; say --stoichiometric with the ratio of your fuel, or leave the column out"
        )
    return Guess(name, "afr", f"{why}; values {_span(values)} are an air-fuel ratio, as you said", "", stoichiometric)


def _ranged(name: str) -> list[str]:
    return [unit for pattern, unit, *_ in _ranges() if fnmatchcase(name, pattern)]


def _fitting(name: str, values: list[float], still: bool = False) -> list[str]:
    """Units in which a running vehicle can show these values; ``still``: or one that stands."""
    if not values:
        return _ranged(name)
    least, most, peak = min(values), max(values), max(map(abs, values))
    return [
        unit
        for pattern, unit, low, high, reaches in _ranges()
        if fnmatchcase(name, pattern) and low <= least and most <= high and (still or peak >= reaches)
    ]


def _span(values: list[float]) -> str:
    return f"{min(values):g} to {max(values):g}" if values else "(none sampled)"
