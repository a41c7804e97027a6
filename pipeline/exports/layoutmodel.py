"""The parts of a layout and the rules between them."""

from __future__ import annotations

import codecs
import difflib
import re
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from pipeline.exports.kinds import FORMS, inputs
from pipeline.exports.sources import TextForm
from pipeline.exports.units import Unit, unit_named, units
from pipeline.signals import signals

ORDERS = (
    "iso",
    "day-first",
    "month-first",
    "epoch-s",
    "epoch-ms",
    "spreadsheet",
    "clock",
    "seconds-of-day",
)
OF_DAY = ("clock", "seconds-of-day")
EPOCHS = ("epoch-s", "epoch-ms")
# Measured columns of the small tables.
MEASURED = {"odometer_km": "km", "displacement_l": "l", "labour_h": "h"}
_ASSUMPTIONS = ("stoichiometric", "air_degc", "air_kpa")


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class Files(_Part):
    """Patterns of the end of a path."""

    match: list[str] = Field(min_length=1)

    @field_validator("match")
    @classmethod
    def _usable(cls, globs: list[str]) -> list[str]:
        for glob in globs:
            if not glob.strip("/. ") or glob.startswith("/") or "**" in glob or "\\" in glob:
                raise ValueError(
                    f"{glob!r} is no pattern of the end of a path; write one such as 'gw_*.csv' or 'north/*.csv'"
                )
        return globs


class Text(_Part):
    """How a text file is cut into cells and how its numbers are written."""

    delimiter: str = ","
    decimal: str = "."
    thousands: str = ""
    encoding: str = "utf-8"
    skip_lines: int = Field(0, ge=0)

    @field_validator("delimiter")
    @classmethod
    def _one_character(cls, value: str) -> str:
        value = "\t" if value == "tab" else value
        if len(value) != 1 or not value.isascii() or value.isalnum() or value in '"\r\n\0.-+':
            raise ValueError(f"{value!r} cannot separate cells; write one character such as ';', or 'tab'")
        return value

    @field_validator("decimal")
    @classmethod
    def _mark(cls, value: str) -> str:
        if value not in (".", ","):
            raise ValueError(f"{value!r} is no decimal mark; write '.' or ','")
        return value

    @field_validator("thousands")
    @classmethod
    def _group_mark(cls, value: str) -> str:
        if value not in ("", ".", ",", " ", "'", "’", "\u00a0", "\u202f"):
            raise ValueError(f"{value!r} is no mark between thousands; write '.', ',', ' ' or an apostrophe")
        return value

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, value: str) -> str:
        try:
            return codecs.lookup(value).name
        except LookupError as error:
            raise ValueError(f"{value!r} is no encoding; write one such as 'utf-8' or 'cp949'") from error

    @model_validator(mode="after")
    def _marks_differ(self) -> Text:
        if self.thousands == self.decimal:
            raise ValueError(f"decimal and thousands are both {self.decimal!r}; they must differ")
        return self


class Content(_Part):
    """Which input the file holds, and which cells and columns are not wanted."""

    input: Literal["readings", "codes", "onboard_tests", "register", "work_orders"]
    form: Literal["wide", "long", "raw"] = "wide"
    absent: list[str] = []
    drop: list[str] = []

    @model_validator(mode="after")
    def _only_readings_have_forms(self) -> Content:
        if self.input != "readings" and self.form != "wide":
            raise ValueError(f"form = {self.form!r} is for readings only; leave it out")
        return self


class UnitOf(_Part):
    """Whose row it is: a column, or the file's name."""

    column: str = ""
    file_name: str = ""

    @model_validator(mode="after")
    def _exactly_one(self) -> UnitOf:
        if bool(self.column) == bool(self.file_name):
            raise ValueError("write either column or file_name")
        if self.file_name:
            _with_group(self.file_name, "unit")
        return self


class Time(_Part):
    """How instants are written."""

    columns: list[str] = Field(min_length=1)
    order: Literal[ORDERS] | None = None
    pattern: str = ""
    date_from_name: str = ""
    date_pattern: str = ""
    zone: str = ""
    twice: Literal["set-aside", "earlier", "later"] = "set-aside"

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            return ZoneInfo(value).key if value else value
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(
                f"{value!r} is no time zone; write an IANA name such as 'Europe/Vienna'"
            ) from error

    @model_validator(mode="after")
    def _complete(self) -> Time:
        if (self.order is None) == (not self.pattern):
            raise ValueError(f"write either order (one of {', '.join(ORDERS)}) or pattern")
        dated = bool(self.date_from_name and self.date_pattern)
        if self.order in OF_DAY and not dated:
            raise ValueError(f"order = {self.order!r} needs date_from_name and date_pattern; add both")
        if self.order not in OF_DAY and (self.date_from_name or self.date_pattern):
            raise ValueError("date_from_name and date_pattern are for the orders " + " and ".join(OF_DAY))
        if self.date_from_name:
            _with_group(self.date_from_name, "date")
        if self.pattern and "%" not in self.pattern:
            raise ValueError(f"pattern {self.pattern!r} has no field; write one such as '%d.%m.%Y %H:%M:%S'")
        return self


class Meaning(_Part):
    """What a column, or a signal of a long file, is; ``unit`` is the canonical one where empty."""

    is_: str = Field(alias="is")
    unit: str = ""
    stoichiometric: float | None = Field(None, gt=1, lt=50)
    air_degc: float | None = Field(None, gt=-100, lt=200)
    air_kpa: float | None = Field(None, gt=10, lt=1000)
    optional: bool = False

    @field_validator("is_")
    @classmethod
    def _canonical(cls, value: str) -> str:
        known = [
            *signals(),
            *(name for kind in (*inputs().values(), *FORMS.values()) for name in kind.columns),
        ]
        if value not in known:
            near = difflib.get_close_matches(value, known, n=3, cutoff=0.4)
            hint = f"; near are {', '.join(dict.fromkeys(near))}" if near else ""
            raise ValueError(f"{value!r} is no canonical name{hint}")
        return value

    @model_validator(mode="after")
    def _convertible(self) -> Meaning:
        target = self.target
        if not self.unit:
            stated = [name for name in _ASSUMPTIONS if getattr(self, name) is not None]
            if stated:
                raise ValueError(
                    f"{', '.join(stated)} says nothing without a unit; name the unit or remove it"
                )
            return self
        unit = unit_named(self.unit)
        if target is None:
            raise ValueError(f"{self.is_} has no unit; remove unit")
        like = ", ".join(known.name for known in units().values() if known.quantity == target.quantity)
        if unit is None:
            raise ValueError(f"unit {self.unit!r} is not known; write one of {like}")
        if unit.quantity != target.quantity:
            raise ValueError(f"{self.is_} cannot be in {self.unit}; write one of {like}")
        for name in _ASSUMPTIONS:
            if name in unit.needs and getattr(self, name) is None:
                raise ValueError(f"unit {unit.name} needs {name}; add it (an assumption of yours)")
            if name not in unit.needs and getattr(self, name) is not None:
                raise ValueError(f"{name} is not used with unit {unit.name}; remove it")
        return self

    @property
    def target(self) -> Unit | None:
        """The canonical unit, None where the column has none."""
        if self.is_ in signals():
            return units()[signals()[self.is_].unit]
        return units()[MEASURED[self.is_]] if self.is_ in MEASURED else None

    @property
    def source_unit(self) -> Unit | None:
        """The unit of the file's cells."""
        return unit_named(self.unit) if self.unit else self.target

    @property
    def given(self) -> dict[str, float]:
        """The assumptions of the conversion."""
        stated = {name: getattr(self, name) for name in _ASSUMPTIONS}
        return {name: value for name, value in stated.items() if value is not None}


class Gateway(_Part):
    """Habits of the logger, see :mod:`pipeline.exports.gateway`."""

    holds_last_value: bool = False
    zeros_before_first: bool = False
    repeats_before_first: bool = False


class Layout(_Part):
    """One layout; ``path`` is the file it stands in."""

    path: Path
    name: str = Field(min_length=1)
    note: str = ""
    files: Files
    text: Text = Text()
    content: Content
    unit: UnitOf
    time: Time | None = None
    columns: dict[str, Meaning] = {}
    signals: dict[str, Meaning] = {}
    gateway: Gateway = Gateway()

    @model_validator(mode="after")
    def _consistent(self) -> Layout:
        taken = self.content.input
        form = self.content.form
        means = [meaning.is_ for meaning in self.columns.values()]
        allowed, needed = _columns_of(taken, form)
        for header, meaning in self.columns.items():
            if meaning.is_ not in allowed:
                raise ValueError(
                    f"columns.{header!r}: {meaning.is_!r} is no column of {taken} in this form; "
                    f"write one of {', '.join(allowed)}"
                )
        doubled = sorted({name for name in means if means.count(name) > 1})
        if doubled:
            raise ValueError(f"columns: {', '.join(doubled)} is the meaning of two headers; leave one")
        dated = {"work_orders": "closed_on", "register": "in_service_on"}.get(taken)
        if self.time is None and dated is None:
            raise ValueError(f"time: missing; {taken} need [time]")
        if self.time is not None and dated in means:
            raise ValueError(f"time: {dated} is named in [columns] too; leave one")
        missing = [name for name in needed if name not in means and not (self.time and name == dated)]
        if missing:
            raise ValueError(f"columns: no header is {', '.join(missing)}; add it")
        if taken == "readings" and form == "wide" and not means:
            raise ValueError('columns: no header is a signal; add one such as "Speed" = { is = "speed_kmh" }')
        self._check_zone(dated)
        self._check_signals(form)
        if self.gateway != Gateway() and (taken != "readings" or form == "raw"):
            raise ValueError("gateway: these habits are for readings in wide or long form; remove [gateway]")
        return self

    def _check_zone(self, dated: str | None) -> None:
        time = self.time
        if time is None or time.zone or dated or time.order in ("iso", *EPOCHS):
            return
        if "%z" not in time.pattern and "%#z" not in time.pattern and "%:z" not in time.pattern:
            raise ValueError(
                "time.zone: missing; these times have no offset: add zone, such as 'Europe/Vienna'"
            )

    def _check_signals(self, form: str) -> None:
        if self.signals and form != "long":
            raise ValueError("signals: only a long file has signal names; use [columns]")
        for name, meaning in self.signals.items():
            if meaning.is_ not in signals():
                raise ValueError(
                    f"signals.{name!r}: {meaning.is_!r} is no signal; write one of {', '.join(signals())}"
                )
            if meaning.optional:
                raise ValueError(f"signals.{name!r}: optional is for columns; a signal may always be missing")
        means = [meaning.is_ for meaning in self.signals.values()]
        if len(set(means)) < len(means):
            raise ValueError("signals: two names have one meaning; leave one")

    @property
    def text_form(self) -> TextForm:
        """What a reader of text needs to know."""
        return TextForm(**self.text.model_dump(), absent=tuple(self.content.absent))

    @property
    def names_the_file(self) -> bool:
        """Whether the file's name says whose rows these are, or of which day."""
        return bool(self.unit.file_name or (self.time and self.time.date_from_name))


def _columns_of(taken: str, form: str) -> tuple[list[str], list[str]]:
    """Columns that [columns] may and must name; unit and time have sections of their own."""
    if taken == "readings" and form == "wide":
        return list(signals()), []
    kind = FORMS[form] if taken == "readings" else inputs()[taken]
    own = ("unit_id", "ts")
    return (
        [name for name in kind.columns if name not in own],
        [name for name in kind.required if name not in own],
    )


def _with_group(expression: str, group: str) -> None:
    try:
        groups = re.compile(expression).groupindex
    except re.error as error:
        raise ValueError(f"{expression!r} is no regular expression: {error}") from error
    if group not in groups:
        raise ValueError(f"{expression!r} has no group {group!r}; write (?P<{group}>...) around it")
