"""Values and foreign text as people read them, on paper, in a terminal and in a page."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from datetime import date
from io import StringIO

import polars as pl
from rich.console import Console, RenderableType

from pipeline.errors import ConfigError
from pipeline.settings import Settings

WIDTH = 110  # columns of a printed list
REASONS = 60  # most reasons shown; scores.csv has them all
SERIES = {
    "issued": "issued",
    "replayed": "replayed: made afterwards from what was known before that week",
}
# Categories that move the cursor, end a line or cannot be encoded, and marks that reverse the reading
# direction: in a terminal or a page they could hide or forge what stands beside them.
_UNSAFE_CATEGORIES = {"Cc", "Cs", "Zl", "Zp"}
_UNSAFE_DIRECTIONS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
_INDICATOR_COLUMNS = {"indicator", "quantity", "unit", "worse"}


def plain(text: str) -> str:
    """Text on one line with control and direction marks written out, such as ``\\x1b``."""
    return "".join(
        character.encode("unicode_escape").decode("ascii")
        if unicodedata.category(character) in _UNSAFE_CATEGORIES
        or unicodedata.bidirectional(character) in _UNSAFE_DIRECTIONS
        else character
        for character in text
    )


def percent(probability: float | None) -> str:
    """A probability (0..1) in whole percent; never a bare 0 or 100, which no estimate can mean."""
    if probability is None:
        return "not given"
    if probability < 0.01:
        return "under 1 %"
    return "over 99 %" if probability > 0.99 else f"{probability * 100:.0f} %"


def money(amount: float | None, currency: str = "") -> str:
    """An amount in whole units of the fleet's currency; expected values carry no cents."""
    if amount is None:
        return "not given"
    whole = f"{round(amount):,}".replace(",", "\u00a0")
    return f"{whole}\u00a0{currency}" if currency else whole


def saving_words(row: dict, currency: str = "") -> str:
    """The expected saving of a row of ``ranked`` with its interval, where it has one of more than a unit."""
    ends = saving_ends(row)
    return money(row["expected_saving"], currency) + (f" ({ends})" if ends else "")


def saving_ends(row: dict, currency: str = "") -> str:
    """Both ends of the interval of a saving; empty where there is none or the ends read alike."""
    if row["saving_low"] is None:
        return ""
    low, high = (money(row[name], currency) for name in ("saving_low", "saving_high"))
    return "" if low == high else f"{low} to {high}"


def window(first: date | None, last: date | None) -> str:
    """An expected window in ISO dates."""
    if first is None and last is None:
        return "no date"
    if first is None:
        return f"until {last}"
    if first == last:
        return f"about {first}"
    return f"{first} to {last}" if last is not None else f"from {first}"


def ruled_out_words(row: dict) -> str:
    """What the data of a row of ``ranked`` rule out, and what they cannot, which is left to be ruled out by hand."""
    told = f"by the data: {plain(row['ruled_out'] or '') or 'nothing'}"
    left = plain(row["not_ruled_out"] or "")
    return f"{told}; the data cannot rule out: {left}" if left else told


def number(value: float | None, unit: str = "") -> str:
    """A measured value to three significant digits with its unit."""
    if value is None:
        return "not known"
    text = f"{value:.3g}" if abs(value) < 1000 or value != value else f"{value:.0f}"
    return text if unit in ("", "1") else f"{text} {unit}"


def unit_facts(depot: str, engine_family: str, registered: bool) -> str:
    """Depot and engine family of a vehicle in words, or that the register does not know it."""
    if not registered:
        return "unknown to the register"
    return f"{plain(depot) or 'no depot given'}, {plain(engine_family) or 'no engine family given'}"


@dataclass(frozen=True)
class Indicator:
    """An indicator in words: quantity, unit, and which way is worse (up, down or out)."""

    quantity: str
    unit: str
    worse: str


def read_indicators(settings: Settings) -> dict[str, Indicator]:
    """Indicator name -> words, from ``indicators.csv``.

    Raises:
        ConfigError: the file cannot be read or lacks a column.
    """
    path = settings.config_file("indicators.csv")
    try:
        rows = pl.read_csv(path, infer_schema=False)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from error
    if missing := sorted(_INDICATOR_COLUMNS - set(rows.columns)):
        raise ConfigError(f"{path}: lacks column {', '.join(missing)}; the embedded file shows all of them")
    return {
        row["indicator"]: Indicator(row["quantity"] or "", row["unit"] or "", row["worse"] or "")
        for row in rows.iter_rows(named=True)
    }


@dataclass(frozen=True)
class Reason:
    """One reason with the parts and vehicles it holds for and the first few of those vehicles."""

    text: str
    parts: int
    vehicles: int
    examples: list[str]

    @property
    def others(self) -> int:
        """Vehicles beyond the examples."""
        return self.vehicles - len(self.examples)


def counted_reasons(rows: pl.DataFrame, examples: int = 6) -> list[Reason]:
    """Reasons of ``rows`` (unit_id, reason), most vehicles first.

    Parts are rows; a vehicle out of scope is one row.
    """
    counted = (
        rows.group_by("reason")
        .agg(parts=pl.len(), vehicles=pl.col("unit_id").n_unique(), units=pl.col("unit_id").unique().sort())
        .sort(["vehicles", "reason"], descending=[True, False])
    )
    return [
        Reason(
            text=plain(row["reason"]) or "no reason recorded",
            parts=row["parts"],
            vehicles=row["vehicles"],
            examples=[plain(unit) for unit in row["units"][:examples]],
        )
        for row in counted.iter_rows(named=True)
    ]


def count(number: int, one: str, many: str) -> str:
    """A count with its noun."""
    return f"{number} {one if number == 1 else many}"


def to_text(*parts: RenderableType) -> str:
    """What rich lays out, as plain text of at most :data:`WIDTH` columns without trailing blanks or colour.

    Markup and emoji codes in strings are left as they stand.
    """
    stream = StringIO()
    console = Console(
        file=stream,
        width=WIDTH,
        force_terminal=False,
        force_interactive=False,
        color_system=None,
        markup=False,
        emoji=False,
        highlight=False,
        legacy_windows=False,
    )
    for part in parts:
        console.print(part)
    return "\n".join(line.rstrip() for line in stream.getvalue().split("\n"))
