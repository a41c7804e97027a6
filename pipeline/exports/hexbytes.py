"""Hexadecimal text -> bytes, a whole column at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

SOUND, EMPTY, NOT_HEX, ODD, BLANKS = range(5)
WHY = {
    EMPTY: "empty; write the answer in hexadecimal, such as 41 0C 1A F8",
    NOT_HEX: "not hexadecimal; write the answer as 41 0C 1A F8 or 410C1AF8",
    ODD: "an odd number of hexadecimal digits; a digit was lost",
    BLANKS: "a blank within a byte; write blanks between bytes only",
}
_BLANK, _OTHER = 16, 17


def _digits() -> np.ndarray:
    table = np.full(256, _OTHER, dtype=np.uint8)
    for value, (low, high) in enumerate(zip("0123456789abcdef", "0123456789ABCDEF", strict=True)):
        table[ord(low)] = table[ord(high)] = value
    table[ord(" ")] = table[ord("\t")] = _BLANK
    return table


_DIGITS = _digits()


@dataclass
class Bytes:
    """Bytes of many texts, one behind the other.

    Text i is ``data[start[i]:end[i]]``. ``fault[i]`` is 0 or says why it is not used: a number in the low
    byte, what it is about (a PID, a code) in the high one. A text at fault from the start has no bytes.
    """

    data: np.ndarray
    start: np.ndarray
    end: np.ndarray
    fault: np.ndarray


def read_hex(texts: pl.Series) -> Bytes:
    """Bytes of each text; digits in either case, blanks between bytes or none."""
    array = texts.fill_null("").rechunk().to_arrow(compat_level=pl.CompatLevel.oldest())
    _, ends, content = array.buffers()
    bounds = np.frombuffer(ends, dtype=np.int64)[array.offset : array.offset + len(array) + 1]
    characters = np.frombuffer(content or b"", dtype=np.uint8)[bounds[0] : bounds[-1]]
    bounds = bounds - bounds[0]
    digits = _DIGITS[characters]
    kept = digits != _BLANK
    before = np.zeros(characters.size + 1, dtype=np.int64)  # digits before each character
    np.cumsum(kept, out=before[1:])
    at = before[bounds]
    counts = np.diff(at)
    fault = np.zeros(len(array), dtype=np.uint16)
    misplaced = _within_bytes(kept, before, at, bounds)
    fault[misplaced] = BLANKS
    fault[(counts & 1) == 1] = ODD
    other = np.flatnonzero(digits == _OTHER)
    fault[np.searchsorted(bounds, other, side="right") - 1] = NOT_HEX
    fault[counts == 0] = EMPTY
    digits = digits[kept]
    if fault.any():
        sound = fault == SOUND
        digits = digits[np.repeat(sound, counts)]
        counts = np.where(sound, counts, 0)
    end = np.cumsum(counts >> 1)
    return Bytes((digits[0::2] << 4) | digits[1::2], end - (counts >> 1), end, fault)


def _within_bytes(kept: np.ndarray, before: np.ndarray, at: np.ndarray, bounds: np.ndarray) -> np.ndarray:
    """Texts in which a blank follows an odd number of digits."""
    blanks = np.flatnonzero(~kept)
    odd = (before[blanks] & 1).astype(bool)
    starts_odd = (at[:-1] & 1).astype(bool)
    if starts_odd.any():
        odd ^= np.repeat(starts_odd, np.diff(bounds) - np.diff(at))
    return np.searchsorted(bounds, blanks[odd], side="right") - 1
