"""Limits as data: ``limits.toml`` read, bounded and handed to SQL (``qualify``) and to the judging (``judge``)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import ConfigError
from pipeline.settings import CONFIG, Settings
from pipeline.signals import signals

_FIELDS = {"value", "unit", "least", "most", "source"}


@dataclass(frozen=True)
class Limit:
    """One limit with its unit, the bounds a fleet may set it in, and where the value comes from."""

    value: float
    unit: str
    least: float
    most: float
    source: str


def read_limits(settings: Settings) -> dict[str, dict[str, Limit]]:
    """Section -> name -> limit.

    Raises:
        ConfigError: the file cannot be read, an entry lacks a field, has an unknown one, or lies out of its bounds.
            Every problem is named at once.
    """
    path = settings.config_file("limits.toml")
    problems: list[str] = []
    result: dict[str, dict[str, Limit]] = {}
    own = _load(path)
    for section, entries in own.items():
        result[section] = {}
        if not isinstance(entries, dict):
            problems.append(f"[{section}] must be a table of limits, not {entries!r}")
            continue
        for name, body in entries.items():
            if not isinstance(body, dict) or set(body) != _FIELDS:
                problems.append(f"[{section}.{name}] must have exactly {', '.join(sorted(_FIELDS))}")
                continue
            odd = [key for key in ("value", "least", "most") if type(body[key]) not in (int, float)]
            if odd:
                problems.append(f"[{section}.{name}] {', '.join(odd)} must be a number")
                continue
            limit = Limit(
                value=float(body["value"]),
                unit=str(body["unit"]),
                least=float(body["least"]),
                most=float(body["most"]),
                source=str(body["source"]),
            )
            if not limit.least <= limit.value <= limit.most:
                problems.append(
                    f"[{section}.{name}] value {limit.value:g} {limit.unit} is outside {limit.least:g} to "
                    f"{limit.most:g} {limit.unit}"
                )
            result[section][name] = limit
    if path != CONFIG / "limits.toml":
        problems += _differing_names(own)
    if problems:
        raise ConfigError(f"{path}: " + "; ".join(problems))
    return result


def _differing_names(own: dict) -> list[str]:
    """What a fleet's own file lacks or has too much: it stands for the whole embedded file."""
    wanted, found = (
        {f"{section}.{name}" for section, entries in body.items() if isinstance(entries, dict) for name in entries}
        for body in (_load(CONFIG / "limits.toml"), own)
    )
    problems = [f"[{name}] is missing" for name in sorted(wanted - found)]
    problems += [f"[{name}] is not known" for name in sorted(found - wanted)]
    embedded = _load(CONFIG / "limits.toml")
    for name in sorted(wanted & found):
        section, key = name.split(".", 1)
        fixed, given = embedded[section][key], own[section][key]
        if isinstance(given, dict) and any(given.get(bound) != fixed[bound] for bound in ("unit", "least", "most")):
            problems.append(
                f"[{name}] unit and bounds are fixed: {fixed['unit']}, {fixed['least']:g} to {fixed['most']:g}"
            )
    return problems


def qualify_params(settings: Settings) -> dict[str, float]:
    """What SQL may use: the ``qualify`` limits and each signal's staleness bound as ``<signal>_staleness_s``."""
    params = {name: limit.value for name, limit in read_limits(settings)["qualify"].items()}
    return params | {f"{signal.name}_staleness_s": signal.staleness_s for signal in signals().values()}


def _load(path: Path) -> dict:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigError(f"{path}: {error}") from error
