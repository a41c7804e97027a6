"""Values of service $01 PIDs -> canonical signals in physical units, whole columns at once."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.exports.obd import Values, monitors, number
from pipeline.exports.pids import (
    BY_13,
    BY_1D,
    LINEAR,
    PLACES,
    QUIET,
    RESCALED,
    SENSORS,
    UNPLACED,
    Pid,
    pids,
)
from pipeline.exports.setups import Setups
from pipeline.signals import signals

NO_PLACE = (
    "which sensor PID ${:02X} belongs to is told by PID $13 or $1D; this file has neither of this unit: "
    "export one of them"
)
TWO_PLACES = "which sensor PID ${:02X} belongs to is open: this unit answers both PID $13 and PID $1D"
TWO_SCALES = "PID ${:02X}: this unit gives two different full scales (PID $4F or $50)"
TWICE = "PID ${:02X} stands twice in the answer; which value holds is not known"
NOT_USED = 0xFF  # byte B of $14 to $1B: the sensor is not used for a trim


@dataclass
class Decoded:
    """Signals of some lines.

    ``columns`` have NaN where a line has no such signal. ``bad`` lists lines with a value that cannot be
    used, and why. ``quiet`` lines say how others are read. ``unused`` PIDs are listed but carry no signal.
    """

    height: int
    columns: dict[str, np.ndarray] = field(default_factory=dict)
    bad: list[tuple[np.ndarray, str]] = field(default_factory=list)
    quiet: np.ndarray = field(init=False)
    unused: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.quiet = np.zeros(self.height, dtype=bool)

    def put(self, name: str, lines: np.ndarray, values: np.ndarray) -> None:
        """Set a signal; of two values the smaller stays, as in merging."""
        if name not in self.columns:
            kind = np.float64 if signals()[name].type == "float64" else np.float32
            self.columns[name] = np.full(self.height, np.nan, dtype=kind)
            self.columns[name][lines] = values
        else:
            self.columns[name][lines] = np.fmin(self.columns[name][lines], values)

    def frame(self) -> pl.DataFrame:
        """The signals, null where a line has none."""
        names = [name for name in signals() if name in self.columns]
        return pl.DataFrame([pl.Series(name, self.columns[name], nan_to_null=True) for name in names])


def decode(data: np.ndarray, values: Values, places: np.ndarray, known: Setups) -> Decoded:
    """Signals of the lines.

    Args:
        data: the bytes in which ``values`` stand.
        places: place of each line's unit in ``known``.
    """
    decoded = Decoded(places.size)
    for pid, lines, at in values.each():
        spec = pids()[pid]
        twice = _twice(lines)
        if twice.size:
            decoded.bad.append((twice, TWICE.format(pid)))
            once = ~np.isin(lines, twice)
            lines, at = lines[once], at[once]
        if spec.formula in SENSORS:
            _sensor(decoded, spec, number(data, at, spec.least), lines, places[lines], known)
        elif spec.formula in QUIET:
            decoded.quiet[lines] = True
        elif not spec.signals:
            decoded.unused.add(pid)
        elif spec.formula == "monitors":
            decoded.put(spec.signals[0], lines, monitors(number(data, at, spec.least))["mil_on"])
        elif spec.formula == "fuel_status":
            for place, name in enumerate(spec.signals):
                decoded.put(name, lines, data[at + place])
        elif spec.formula in RESCALED:
            name, times, by, most = RESCALED[spec.formula]
            raw = number(data, at, spec.least)
            full = known.full[name][places[lines]]
            _put_scaled(decoded, spec, spec.signals[0], lines, rescaled(raw, times / by, full, most))
        else:
            times, by, offset = LINEAR[spec.formula]
            raw = number(data, at, spec.least)
            decoded.put(spec.signals[0], lines, raw * times / by + offset)
    return decoded


def narrowband(word: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """PIDs $14 to $1B: sensor voltage (V) and that sensor's short term trim (%), NaN where not used.

    The readings take trims from PIDs $06 to $09 only: some controllers fill byte B with a constant.
    """
    second = word & 0xFF
    trim = np.where(second == NOT_USED, np.nan, (second - 128) * 100.0 / 128.0)
    return (word >> 8) * 5 / 1000.0, trim


def rescaled(raw: np.ndarray, per_bit: float, full: np.ndarray, most: float) -> np.ndarray:
    """Raw values in physical units: by the standard's step, or by a full scale where it is not 0."""
    if not full.any():
        return raw * per_bit
    return np.where(full == 0.0, raw * per_bit, raw * full / most)


def pump_current(raw: np.ndarray, full: np.ndarray) -> np.ndarray:
    """Bytes C and D of PIDs $34 to $3B in mA; the standard full scale is 128 mA."""
    return (raw - 32768) * np.where(full == 0.0, 128.0, full) / 32768.0


def _twice(lines: np.ndarray) -> np.ndarray:
    """Lines that stand there more than once; they rise where every line has the PID at the same place."""
    if (np.diff(lines) > 0).all():
        return lines[:0]
    found, counts = np.unique(lines, return_counts=True)
    return found[counts > 1]


def _sensor(
    decoded: Decoded, spec: Pid, word: np.ndarray, lines: np.ndarray, places: np.ndarray, known: Setups
) -> None:
    """Put the values of one of eight sensors under the position that the unit's scheme gives it."""
    offset = spec.number - SENSORS[spec.formula]
    by_13, by_1d = (_names(spec.formula, PLACES[scheme][offset]) for scheme in (BY_13, BY_1D))
    schemes = known.scheme[places]
    for scheme in np.unique(schemes):
        chosen = schemes == scheme
        mine = lines[chosen]
        if scheme == BY_1D:
            names = by_1d
        elif scheme == BY_13 or by_13 == by_1d or (scheme == UNPLACED and by_13):
            names = by_13
        else:
            text = NO_PLACE if scheme == UNPLACED else TWO_PLACES
            decoded.bad.append((mine, text.format(spec.number)))
            continue
        if not names:
            decoded.unused.add(spec.number)
            continue
        if spec.formula == "narrowband":
            decoded.put(names[0], mine, narrowband(word[chosen])[0])
            continue
        full = {name: scale[places[chosen]] for name, scale in known.full.items()}
        name, times, by, most = RESCALED["lambda"]
        ratio = rescaled(word[chosen] >> 16, times / by, full[name], most)
        _put_scaled(decoded, spec, names[0], mine, ratio)
        if spec.formula == "wide_current":
            _put_scaled(decoded, spec, names[1], mine, pump_current(word[chosen] & 0xFFFF, full["ma"]))


def _names(formula: str, position: str) -> tuple[str, ...]:
    """Canonical signals of a sensor at a position; none where the readings have none."""
    names = {
        "narrowband": (f"o2_{position}_v",),
        "wide_voltage": (f"lambda_{position}",),
        "wide_current": (f"lambda_{position}", f"pump_{position}_ma"),
    }[formula]
    return names if all(name in signals() for name in names) else ()


def _put_scaled(decoded: Decoded, spec: Pid, name: str, lines: np.ndarray, values: np.ndarray) -> None:
    """Put values of which those without a known full scale are NaN."""
    unknown = np.isnan(values)
    if unknown.any():
        decoded.bad.append((lines[unknown], TWO_SCALES.format(spec.number)))
    decoded.put(name, lines, values)
