"""What every card may say: cautions, tests, deposits and fitting, read from ``config/cards.toml`` and checked."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields

from pipeline.errors import ConfigError
from pipeline.settings import Settings

PARTS = ("upstream", "downstream", "catalyst")
SENSOR_KINDS = ("narrowband", "wide_range")


@dataclass(frozen=True)
class Caution:
    """A danger; ``fuels`` limits it to vehicles that burn these (empty: all)."""

    id: str
    title: str
    text: str
    parts: list[str]
    fuels: list[str]


@dataclass(frozen=True)
class Check:
    """A test on the vehicle: what to do, what a good part shows, what to write down, and where the values come from.

    ``modes`` are failure modes for which it is done first; ``minutes`` is about how long it takes (assumption).
    """

    id: str
    parts: list[str]
    kinds: list[str]
    modes: list[str]
    title: str
    do: str
    expect: list[str]
    write_down: str
    minutes: int
    source: str


@dataclass(frozen=True)
class Deposit:
    """What a removed sensor looks like, what that means and what to do."""

    look: str
    means: str
    do: str


@dataclass(frozen=True)
class Fitting:
    """A rule for fitting the new part, with its source."""

    text: str
    parts: list[str]
    source: str


@dataclass(frozen=True)
class CardFacts:
    """Everything a card may say."""

    service_information: str
    confirm: str
    deposits_source: str
    cautions: list[Caution]
    checks: list[Check]
    deposits: list[Deposit]
    fitting: list[Fitting]

    def cautions_for(self, parts: set[str], fuel: str) -> list[Caution]:
        """Cautions that belong to any of the parts; fuel as in the register, empty where unknown."""
        return [
            caution
            for caution in self.cautions
            if parts & set(caution.parts) and (not caution.fuels or fuel in caution.fuels or not fuel)
        ]

    def checks_for(self, part: str, kind: str, mode: str) -> list[Check]:
        """Tests of a part in the order that costs least, those made for its failure mode before others.

        Looking comes first whatever the mode: a connector that is off explains any of them.
        """
        fitting = [check for check in self.checks if part in check.parts and kind in check.kinds]
        looks = [check for check in fitting if check.id in ("look", "leak_look")]
        rest = [check for check in fitting if check not in looks]
        return [
            *looks,
            *(check for check in rest if mode in check.modes),
            *(check for check in rest if mode not in check.modes),
        ]


def read_card_facts(settings: Settings) -> CardFacts:
    """The facts of the cards, the fleet's own file where ``config_dir`` has one.

    Raises:
        ConfigError: the file cannot be read, or an entry is missing, unknown or of the wrong type.
    """
    path = settings.config_file("cards.toml")
    try:
        body = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigError(f"{path}: {error}") from error
    problems: list[str] = []
    lists = {"caution": Caution, "test": Check, "deposit": Deposit, "fitting": Fitting}
    texts = ("service_information", "confirm", "deposits_source")
    problems += [f"{name} must be text" for name in texts if not isinstance(body.get(name), str)]
    problems += [f"{name} is not known" for name in body if name not in (*lists, *texts)]
    made = {name: _entries(body.get(name, []), name, kind, problems) for name, kind in lists.items()}
    if problems:
        raise ConfigError(f"{path}: " + "; ".join(problems))
    return CardFacts(
        *(body[name] for name in texts), made["caution"], made["test"], made["deposit"], made["fitting"]
    )


def _entries(rows: object, name: str, kind: type, problems: list[str]) -> list:
    if not isinstance(rows, list) or not rows:
        problems.append(f"[[{name}]] must stand at least once")
        return []
    known = {field.name: field.type for field in fields(kind)}
    made = []
    for place, row in enumerate(rows, 1):
        where = f"[[{name}]] no. {place}"
        wrong = [f"{where}: {key} is not known" for key in row if key not in known]
        filled = {"modes": [], "fuels": []} | row
        for key, wanted in known.items():
            value = filled.get(key)
            types = {"str": str, "int": int, "list[str]": list}[wanted]
            if not isinstance(value, types) or (types is list and not all(isinstance(item, str) for item in value)):
                wrong.append(f"{where}: {key} must be {'a list of texts' if types is list else wanted}")
        for key, allowed in (("parts", PARTS), ("kinds", SENSOR_KINDS)):
            wrong += [f"{where}: {key} knows no {item!r}" for item in filled.get(key, []) if item not in allowed]
        problems += wrong
        if not wrong:
            made.append(kind(**{key: filled[key] for key in known}))
    return made
