"""What each unit's own answers say about the meaning of its others: places of sensors and full scales."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.exports.obd import Values, number
from pipeline.exports.pids import BY_13, BY_1D, CONTRADICTORY, UNPLACED, supported

_MASK, _BY_13, _BY_1D, _SCALES, _AIR_SCALE = 0x00, 0x13, 0x1D, 0x4F, 0x50
SPEAKING = (_MASK, _BY_13, _BY_1D, _SCALES, _AIR_SCALE)
SAID = {"unit_id": pl.String, "pid": pl.UInt8, "word": pl.Int64}
FULL_SCALES = ("lambda", "ma", "map", "maf")


@dataclass(frozen=True)
class Setups:
    """Setups of some units, one place each; the last place is that of every other unit.

    ``scheme`` says by which PID sensors are placed. ``full`` has the full scale of lambda, pump current (mA),
    manifold pressure (kPa) and air mass (g/s): 0 for the standard one, NaN where a unit contradicts itself.
    """

    units: pl.DataFrame
    scheme: np.ndarray
    full: dict[str, np.ndarray]

    def places(self, units: pl.Series) -> np.ndarray:
        """Place of each unit."""
        if not self.units.height:
            return np.zeros(units.len(), dtype=np.int64)
        joined = units.alias("unit_id").to_frame().join(
            self.units, on="unit_id", how="left", maintain_order="left"
        )
        return joined["place"].fill_null(self.units.height).to_numpy()


def said(units: pl.Series, data: np.ndarray, values: Values) -> pl.DataFrame:
    """What the answers say about their unit: ``unit_id``, ``pid`` and the data as a number, each once."""
    parts = [pl.DataFrame(schema=SAID)]
    chosen = np.isin(values.pid, SPEAKING)
    for pid, lines, at in Values(values.line[chosen], values.pid[chosen], values.at[chosen]).each():
        word = number(data, at, 1 if pid in (_BY_13, _BY_1D) else 4)
        parts.append(
            pl.DataFrame(
                {"unit_id": units.gather(lines), "pid": np.full(lines.size, pid, np.uint8), "word": word}
            ).unique()
        )
    return pl.concat(parts)


def setups(statements: pl.DataFrame) -> Setups:
    """Setups of the units that say something (frame of :func:`said`).

    A unit that answers neither $13 nor $1D is placed by the one that its mask of supported PIDs declares.
    """
    words: dict[str, dict[int, set[int]]] = {}
    for unit, pid, word in statements.unique().sort("unit_id").rows():
        words.setdefault(unit, {}).setdefault(pid, set()).add(word)
    scheme = [_scheme(said_by) for said_by in words.values()]
    full = [_full(said_by) for said_by in words.values()]
    return Setups(
        pl.DataFrame({"unit_id": list(words)}, schema={"unit_id": pl.String}).with_columns(
            place=pl.int_range(pl.len(), dtype=pl.Int64)
        ),
        np.array([*scheme, UNPLACED], dtype=np.uint8),
        {name: np.array([*(scales[name] for scales in full), 0.0]) for name in FULL_SCALES},
    )


def _scheme(words: dict[int, set[int]]) -> int:
    declared = {pid for pid in (_BY_13, _BY_1D) if pid in words}
    if not declared:
        masks = [supported(_MASK, mask) for mask in words.get(_MASK, ())]
        declared = {pid for pid in (_BY_13, _BY_1D) for mask in masks if pid in mask}
    if len(declared) > 1:
        return CONTRADICTORY
    return {(): UNPLACED, (_BY_13,): BY_13, (_BY_1D,): BY_1D}[tuple(declared)]


def _full(words: dict[int, set[int]]) -> dict[str, float]:
    """Full scales of one unit (SAE J1979-DA, PIDs $4F and $50; the rule of rescaling from memory)."""
    scales, air = words.get(_SCALES, {0}), words.get(_AIR_SCALE, {0})
    return {
        "lambda": _only({float(word >> 24) for word in scales}),
        "ma": _only({float(word >> 8 & 0xFF) for word in scales}),
        "map": _only({10.0 * (word & 0xFF) for word in scales}),
        "maf": _only({10.0 * (word >> 24) for word in air}),
    }


def _only(values: set[float]) -> float:
    return values.pop() if len(values) == 1 else np.nan
