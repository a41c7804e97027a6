"""Which of the five inputs a file is, told from its column names."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipeline.errors import ExportError
from pipeline.signals import signals


@dataclass(frozen=True)
class Kind:
    """One input: its table, the columns that mark it, and those it may have besides.

    ``form`` tells readings apart: ``wide``, ``long`` or ``raw``; empty for the other inputs.
    """

    name: str
    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    form: str = ""

    @property
    def columns(self) -> tuple[str, ...]:
        """Every column that is read."""
        return self.required + self.optional


_EVENTS = (
    Kind("onboard_tests", ("unit_id", "ts", "obdmid", "tid", "uasid", "value", "min", "max")),
    Kind("codes", ("unit_id", "ts", "code", "state")),
    Kind(
        "work_orders",
        ("order_id", "unit_id", "closed_on", "component", "action", "finding"),
        ("odometer_km", "cause", "parts_cost", "labour_h"),
    ),
    Kind(
        "register",
        ("unit_id", "engine_family", "fuel"),
        ("model_year", "banks", "upstream_sensor", "displacement_l", "depot", "in_service_on", "vin"),
    ),
)
# A number or an instant: no column is called so.
_DATUM = re.compile(r"^\s*[-+]?\d+([.,]\d+)?\s*$|\d{4}-\d{2}-\d{2}|\d{1,2}:\d{2}")
FORMS = {
    "long": Kind("readings", ("unit_id", "ts", "signal", "value"), ("unit",), form="long"),
    "raw": Kind("readings", ("unit_id", "ts", "response"), form="raw"),
}


def inputs() -> dict[str, Kind]:
    """The inputs besides readings, by name."""
    return {kind.name: kind for kind in _EVENTS}


def recognise(file: str, names: list[str]) -> tuple[Kind, list[str]]:
    """The kind of a file with these column names, and the columns that are not needed and are dropped.

    Raises:
        ExportError: the columns are those of none of the inputs, or one that is needed stands there twice.
    """
    present = set(names)
    kind = next((kind for kind in _EVENTS if present.issuperset(kind.required)), None)
    if kind is None:
        kind = _readings(file, names)
    doubled = sorted({name for name in names if names.count(name) > 1 and name in kind.columns})
    if doubled:
        raise ExportError(
            file, f"column {', '.join(doubled)} stands there more than once; leave one of them", line=1
        )
    dropped = [name for name in dict.fromkeys(names) if name not in kind.columns]
    return kind, dropped


def _readings(file: str, names: list[str]) -> Kind:
    """The form of readings that these columns hold."""
    present = set(names)
    sampled = tuple(name for name in signals() if name in present)
    forms = [kind for kind in FORMS.values() if present.issuperset(kind.required)]
    if sampled and present.issuperset(("unit_id", "ts")):
        forms.append(Kind("readings", ("unit_id", "ts"), sampled, form="wide"))
    if not forms:
        raise ExportError(file, _unrecognised(names), line=1)
    if len(forms) > 1:
        both = " and ".join(f"{kind.form} ({', '.join(kind.columns[2:])})" for kind in forms)
        raise ExportError(file, f"readings in more than one form: {both}; write one file a form", line=1)
    return forms[0]


def _unrecognised(names: list[str]) -> str:
    needed = "; ".join(f"{kind.name}: {', '.join(kind.required)}" for kind in _EVENTS)
    if any(_DATUM.search(name) for name in names):
        # Values are not shown: nobody knows which of them may be kept.
        return (
            f"the first line holds values, not column names ({len(names)} cells); write the column names there: "
            f"for readings unit_id, ts and at least one signal, or signal and value, or response; {needed}"
        )
    shown = ", ".join(repr(name[:40]) for name in names[:12]) + (", .." if len(names) > 12 else "")
    hint = ""
    if len(names) == 1 and any(mark in names[0] for mark in ";\t|"):
        hint = "; the columns seem to be separated by another character than the comma"
    return (
        f"not one of the inputs: found the columns {shown}{hint}; needed are for readings: unit_id, ts and "
        f"at least one signal, or signal and value, or response; {needed}; rename the "
        "columns to these"
    )
