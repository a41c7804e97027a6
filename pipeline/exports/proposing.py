"""From one unknown export to a layout: what its beginning tells, the reason beside each line, and open questions."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from pathlib import PurePath

from pipeline.errors import ConfigError
from pipeline.exports.headerwords import DROPPED, Guess, meaning_of
from pipeline.exports.items import Item
from pipeline.exports.kinds import inputs
from pipeline.exports.sniffing import Sample, sniff
from pipeline.exports.timesense import Instants, instants
from pipeline.exports.vins import is_vin
from pipeline.signals import signals

_HEX = re.compile(r"^(?:[0-9A-Fa-f]{2}[ :-]?){2,}$")
_POSITIVE = re.compile(r"^4[13679aA]")  # positive answers of services $01, $03, $06, $07, $09 and $0A, SAE J1979
_CODE = re.compile(r"^[PCBU][0-9A-Fa-f]{4}$")  # SAE J2012
_MOST_SIGNALS = 200
_SHOWN = 3
_HELD = 0.95  # share of cells equal to the one before, above which a logger may repeat its last value


@dataclass(frozen=True)
class Said:
    """What the caller says of the file; empty where nothing."""

    order: str = ""
    zone: str = ""
    decimal: str = ""
    encoding: str = ""
    unit_column: str = ""
    unit_from_name: str = ""
    stoichiometric: float | None = None
    canonical: bool = False
    fleet_zone: str = "UTC"


@dataclass
class Proposal:
    """The layout's text and what it could not know."""

    lines: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)

    @property
    def text(self) -> str:
        """The TOML file."""
        return "\n".join(self.lines) + "\n"

    def section(self, name: str) -> None:
        """Begin a table."""
        self.lines += ["", f"[{name}]"]

    def put(self, key: str, value: object, why: str = "") -> None:
        """One key with its reason."""
        reason = f"  # {_flat(why)}" if why else ""
        self.lines.append(f"{key} = {_toml(value)}{reason}")

    def ask(self, header: str, question: str) -> None:
        """A column that only a person can name."""
        self.questions.append(f"{header!r}: {question}")


def propose(item: Item, said: Said) -> Proposal:
    """A layout for files like this one.

    Raises:
        ExportError: the file cannot be read as a table.
        ConfigError: date order, zone, numbers or vehicle can be read in two ways; the message shows them and the
            option that settles it.
    """
    sample = sniff(item, said.decimal, said.encoding)
    if not sample.rows:
        raise ConfigError(f"{item}: column names and no rows; take an export of a day with readings")
    kind = _table_of(sample)
    days = kind in ("register", "work_orders")
    time = instants(sample, said.order, said.zone, said.fleet_zone, days)
    unit = _unit_of(sample, said, time)
    rest = [name for name in sample.names if name not in (*time.columns, unit)]
    made = Proposal([f"# Proposed from {PurePath(str(item)).name}, {sample.rows:,} rows; read it before use."])
    made.section("files")
    made.put("match", [_glob(str(item))], "names like that of the sample; widen or narrow it")
    if sample.text:
        made.section("text")
        for key, value in sample.text.items():
            if (key, value) not in (("skip_lines", 0), ("encoding", "utf-8"), ("decimal", "."), ("delimiter", ",")):
                made.put(key, "tab" if value == "\t" else value, sample.why.get(key, ""))
    taken, form, columns, names = _columns(sample, rest, said, made, kind)
    made.section("content")
    made.put("input", taken)
    if form != "wide":
        made.put("form", form)
    if sample.absent:
        made.put("absent", sample.absent, "stand beside numbers")
    dropped = [name for name in rest if meaning_of(name, None).is_ == DROPPED]
    if dropped:
        made.put("drop", dropped, "position or person: not needed, never kept")
    made.section("unit")
    if unit:
        made.put("column", unit, _unit_why(sample, unit))
    else:
        made.put("file_name", said.unit_from_name, "as you said")
    made.section("time")
    made.put("columns", time.columns, time.why)
    made.put("order", time.order)
    for key, value in time.name.items():
        made.put(key, value)
    if said.zone:
        made.put("zone", said.zone, "as you said" if time.needs_zone else "as you said; not needed, each time has its own")
    made.section("columns")
    made.lines += columns
    if names:
        made.section("signals")
        made.lines += names
    if taken == "readings" and form == "wide":
        _habits(sample, made)
    return made


def _table_of(sample: Sample) -> str:
    """Which small table the headers are those of, empty for readings."""
    plain = {name: meaning_of(name, None).is_ or name for name in sample.names}
    for kind in inputs().values():
        wanted = [column for column in kind.required if column not in ("unit_id", "ts", "closed_on")]
        if set(wanted) <= set(plain.values()):
            if kind.name == "codes" and not any(_CODE.match(cell) for cell in sample.filled(_of(plain, "code"))):
                continue
            return kind.name
    return ""


def _columns(
    sample: Sample, rest: list[str], said: Said, made: Proposal, table: str
) -> tuple[str, str, list[str], list[str]]:
    """Input, form, the lines of [columns] and of [signals]."""
    for name in rest:
        cells = sample.filled(name)
        if cells and all(_HEX.match(cell) and _POSITIVE.match(cell) for cell in cells):
            return "readings", "raw", [_line(name, Guess("response", "", "hexadecimal positive answers"))], []
    plain = {name: meaning_of(name, None).is_ or name for name in rest}
    if table:
        known = inputs()[table].columns
        lines = [_line(name, Guess(is_)) for name, is_ in plain.items() if is_ in known]
        return table, "wide", lines, []
    long = _long(sample, plain)
    if long is not None:
        return "readings", "long", *_long_lines(sample, said, made, *long)
    lines: list[str] = []
    taken: dict[str, str] = {}
    for name in rest:
        guess = meaning_of(name, sample.numbers(name), said.canonical, said.stoichiometric)
        if guess.is_ in signals() and guess.is_ in taken:
            guess = Guess(question=f"{guess.is_}, as {taken[guess.is_]!r} is already; leave one")
        if guess.is_ in signals():
            taken[guess.is_] = name
            lines.append(_line(name, guess))
        elif guess.is_ != DROPPED:
            lines.append(_open(sample, name, guess, made))
    if not taken:
        raise ConfigError(
            f"{sample.file}: no header is known as a signal; found are {', '.join(map(repr, rest[:20]))}. Write the "
            "layout by hand, or rename the columns" + "".join(f"; {question}" for question in made.questions[:_SHOWN])
        )
    return "readings", "wide", lines, []


def _long(sample: Sample, plain: dict[str, str]) -> tuple[str, str] | None:
    """The columns of names and values of a long file."""
    value = _of(plain, "value")
    signal = _of(plain, "signal")
    if not value or not signal or sample.numbers(value) is None:
        return None
    kinds = set(sample.filled(signal))
    known = [kind for kind in kinds if meaning_of(kind, []).is_ or meaning_of(kind, []).question]
    return (signal, value) if known and len(kinds) <= _MOST_SIGNALS else None


def _long_lines(
    sample: Sample, said: Said, made: Proposal, signal: str, value: str
) -> tuple[list[str], list[str]]:
    """The lines of [columns] and [signals] of a long file."""
    columns = [_line(signal, Guess("signal")), _line(value, Guess("value"))]
    gone = {word.lower() for word in sample.absent}
    by_name: dict[str, list[float]] = {}
    for kind, cell in zip(sample.cells[signal], sample.cells[value], strict=True):
        number = sample.number(cell) if cell and cell.lower() not in gone else None
        by_name.setdefault(kind, []).extend([] if number is None else [number])
    names: list[str] = []
    taken: set[str] = set()
    for kind, values in by_name.items():
        guess = meaning_of(kind, values, said.canonical, said.stoichiometric)
        if guess.is_ in signals() and guess.is_ not in taken:
            taken.add(guess.is_)
            names.append(_line(kind, guess))
        elif kind and guess.is_ != DROPPED:
            made.ask(kind, guess.question or "not a word that is known")
            names.append(f"# {_toml(kind)} = {{ is = \"?\" }}  # {_flat(made.questions[-1])}")
    return columns, names


def _open(sample: Sample, name: str, guess: Guess, made: Proposal) -> str:
    """A commented line for a column that only a person can name."""
    shown = ", ".join(dict.fromkeys(sample.filled(name)[:_SHOWN])) or "always empty"
    question = guess.question or "not a word that is known; not read unless you name it"
    made.ask(name, f"{question} (cells: {shown})")
    return f"# {_toml(name)} = {{ is = \"?\" }}  # {_flat(made.questions[-1])}"


def _unit_of(sample: Sample, said: Said, time: Instants) -> str:
    """The column that says whose row it is, empty where the file's name does.

    Raises:
        ConfigError: neither is known.
    """
    if said.unit_from_name:
        return ""
    if said.unit_column:
        if said.unit_column not in sample.names:
            raise ConfigError(f"{sample.file}: there is no column {said.unit_column!r}; found are {sample.names[:20]}")
        return said.unit_column
    found = [name for name in sample.names if meaning_of(name, None).is_ == "unit_id" and name not in time.columns]
    filled = [name for name in found if sample.filled(name)]
    if len(filled) == 1:
        return filled[0]
    what = "no column is known to name the vehicle" if not filled else f"{' and '.join(map(repr, filled))} may name it"
    raise ConfigError(
        f"{sample.file}: {what}; say --unit-column with its header, or --unit-from-name with a regular expression such "
        "as 'veh_(?P<unit>[A-Za-z0-9-]+)_'"
    )


def _unit_why(sample: Sample, unit: str) -> str:
    kinds = set(sample.filled(unit))
    why = f"{len(kinds)} vehicles in the sample"
    if any(is_vin(cell) for cell in kinds):
        why += "; identification numbers: kept only as a keyed hash, see README"
    return why


def _habits(sample: Sample, made: Proposal) -> None:
    """A hint where a logger may repeat its last value."""
    repeated = []
    for name in sample.names:
        cells = sample.filled(name)
        kinds = len(set(cells))
        same = sum(now == before for before, now in zip(cells, cells[1:], strict=False))
        if len(cells) >= 100 and kinds > 3 and same >= _HELD * (len(cells) - 1) and sample.numbers(name) is not None:
            repeated.append(name)
    if repeated:
        made.section("gateway")
        shown = ", ".join(repeated[:_SHOWN])
        made.ask(shown, "nearly every cell repeats the one before: does the logger hold the last value?")
        made.lines.append(f"# holds_last_value = true  # {_flat(made.questions[-1])}")


def _of(plain: dict[str, str], is_: str) -> str:
    return next((name for name, meant in plain.items() if meant == is_), "")


def _glob(file: str) -> str:
    """The name with every run of digits as a star."""
    name = PurePath(file).name
    stem, dot, suffix = name.partition(".")
    return re.sub(r"\*+", "*", re.sub(r"[\[\]?]|\d+(?:[-_]\d+)*", "*", stem)) + dot + suffix


def _line(header: str, guess: Guess) -> str:
    unit = f", unit = {_toml(guess.unit)}" if guess.unit else ""
    ratio = f", stoichiometric = {guess.stoichiometric:g}" if guess.stoichiometric is not None else ""
    why = f"  # {_flat(guess.why)}" if guess.why else ""
    return f"{_toml(header)} = {{ is = {_toml(guess.is_)}{unit}{ratio} }}{why}"


def _toml(value: object) -> str:
    """A value as TOML writes it: texts and lists of texts are the same in JSON."""
    return json.dumps(value, ensure_ascii=False)


def _flat(text: str) -> str:
    """Text that stays within one comment."""
    return "".join(letter if letter.isprintable() else " " for letter in text)
