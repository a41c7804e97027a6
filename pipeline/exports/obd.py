"""Positive answers of an engine controller: services $01, $03, $06, $07 and $0A, whole columns at once.

Layouts are those of SAE J1979 (= ISO 15031-5); trouble codes are coded as in SAE J2012. Both from memory,
values cross-checked in public tables.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.exports import hexbytes
from pipeline.exports.hexbytes import Bytes
from pipeline.exports.pids import lengths

MOST_PIDS = 6  # of one request (SAE J1979, service $01 on CAN; from memory)
CURRENT, TESTS = 0x41, 0x46
CODE_STATES = {0x43: "confirmed", 0x47: "pending", 0x4A: "permanent"}
RESULT_BYTES, LIST_BYTES = 9, 5
_NEGATIVE = 0x7F

(REFUSAL, SERVICE, NO_DATA, UNKNOWN, SHORT, TOO_MANY, CODE_COUNT, CODE_BYTES, RESULTS) = range(5, 14)
WHY = hexbytes.WHY | {
    REFUSAL: "a negative answer: the controller refused service ${:02X}",
    SERVICE: "begins with ${:02X}: not a positive answer of service $01, $03, $06, $07 or $0A",
    NO_DATA: "nothing follows the service byte ${:02X}; the answer was cut off",
    UNKNOWN: "PID ${:02X} is not listed, so the answer cannot be cut into values",
    SHORT: "too few bytes for PID ${:02X}; the answer was cut off",
    TOO_MANY: f"more than {MOST_PIDS} PIDs in one answer",
    CODE_COUNT: "the count byte says {} codes, the answer holds another number; it was cut off",
    CODE_BYTES: "neither a count byte and as many codes (CAN) nor three codes a message",
    RESULTS: f"not a whole number of test results of {RESULT_BYTES} bytes; the answer was cut off",
}


@dataclass(frozen=True)
class Values:
    """Data of PIDs: line, PID, and where in ``Bytes.data`` its first byte stands; lines in order by PID."""

    line: np.ndarray
    pid: np.ndarray
    at: np.ndarray

    def each(self) -> list[tuple[int, np.ndarray, np.ndarray]]:
        """(PID, lines, places), a PID at a time."""
        order = np.argsort(self.pid, kind="stable")
        counts = np.bincount(self.pid, minlength=256)
        bounds = np.concatenate([[0], np.cumsum(counts)])
        return [
            (int(pid), self.line[chosen], self.at[chosen])
            for pid in np.flatnonzero(counts)
            for chosen in [order[bounds[pid] : bounds[pid + 1]]]
        ]


def services(read: Bytes) -> np.ndarray:
    """First byte of each answer, 0 where there is none; answers of no known service are set at fault."""
    sound = np.flatnonzero(read.fault == 0)
    found = np.zeros(read.fault.size, dtype=np.uint8)
    found[sound] = read.data[read.start[sound]]
    size = read.end - read.start
    known = np.isin(found[sound], [CURRENT, TESTS, *CODE_STATES])
    odd = sound[~known]
    refused = (found[odd] == _NEGATIVE) & (size[odd] > 1)
    _blame(read, odd[~refused], SERVICE, found[odd[~refused]])
    _blame(read, odd[refused], REFUSAL, read.data[read.start[odd[refused]] + 1])
    bare = sound[known & (size[sound] < 2)]
    _blame(read, bare, NO_DATA, found[bare])
    found[read.fault != 0] = 0
    return found


def cut(read: Bytes, lines: np.ndarray) -> Values:
    """Cut service $01 answers into PIDs; a line that cannot be cut whole is set at fault and left out."""
    least, most = lengths()
    line, at, end = lines, read.start[lines] + 1, read.end[lines]
    found: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    for _ in range(MOST_PIDS):
        pid = read.data[at]
        left = end - at - 1
        # A trim has a second byte, for a third or fourth bank, only where the answer ends with it.
        size = np.where(left == most[pid], left, least[pid])
        unknown, short = least[pid] == 0, size > left
        if unknown.any() or short.any():
            _blame(read, line[short], SHORT, pid[short])
            _blame(read, line[unknown], UNKNOWN, pid[unknown])
            good = ~(unknown | short)
            line, at, end, pid, size = line[good], at[good], end[good], pid[good], size[good]
        found.append((line, pid, at + 1))
        at = at + 1 + size
        more = at < end
        line, at, end = line[more], at[more], end[more]
        if not line.size:
            break
    _blame(read, line, TOO_MANY, np.zeros(line.size, dtype=np.uint8))
    parts = [np.concatenate(part) for part in zip(*found, strict=True)]
    if read.fault[lines].any():
        whole = read.fault[parts[0]] == 0
        parts = [part[whole] for part in parts]
    return Values(*parts)


def codes(read: Bytes, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Trouble codes of service $03, $07 and $0A answers: line and 16 bit word of each.

    On CAN a byte counts the codes; otherwise a message has three, those not needed zero. Zeros are left out.
    """
    size = read.end[lines] - read.start[lines] - 1
    counted = (size & 1) == 1
    first = read.data[read.start[lines] + 1].astype(np.int64)
    wrong = counted & (first != size >> 1)
    uneven = ~counted & (size % 6 != 0)
    _blame(read, lines[wrong], CODE_COUNT, first[wrong])
    _blame(read, lines[uneven], CODE_BYTES, first[uneven])
    good = ~(wrong | uneven)
    begin = read.start[lines] + 1 + counted
    line, at = _spread(lines[good], begin[good], size[good] >> 1, 2)
    word = read.data[at].astype(np.uint16) << 8 | read.data[at + 1]
    return line[word != 0], word[word != 0]


def code_text(word: int) -> str:
    """A trouble code from its two bytes (SAE J2012): letter, digit 0 to 3, three hexadecimal digits."""
    return f"{'PCBU'[word >> 14]}{word >> 12 & 3}{word & 0xFFF:03X}"


def results(read: Bytes, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Service $06 results on CAN: line of each and its bytes.

    Returns:
        Lines (n) and, n by 6, monitor, test and scaling id, value, minimum and maximum (16 bit, raw). Lists
        of supported monitors ($00, $20, ..) give none.
    """
    size = read.end[lines] - read.start[lines] - 1
    listing = (read.data[read.start[lines] + 1] % 32 == 0) & (size % LIST_BYTES == 0)
    uneven = ~listing & (size % RESULT_BYTES != 0)
    _blame(read, lines[uneven], RESULTS, np.zeros(int(uneven.sum()), dtype=np.uint8))
    good = ~(listing | uneven)
    line, at = _spread(lines[good], read.start[lines[good]] + 1, size[good] // RESULT_BYTES, RESULT_BYTES)
    ids = [read.data[at + place].astype(np.int64) for place in range(3)]
    words = [number(read.data, at + place, 2) for place in (3, 5, 7)]
    return line, np.stack([*ids, *words], axis=1)


def number(data: np.ndarray, at: np.ndarray, size: int) -> np.ndarray:
    """Big-endian numbers of ``size`` bytes from the places ``at`` on."""
    found = data[at].astype(np.int64)
    for place in range(1, size):
        found = found << 8 | data[at + place]
    return found


def monitors(word: np.ndarray) -> dict[str, np.ndarray]:
    """PIDs $01 and $41, 32 bits: lamp, number of codes, monitors supported and incomplete (a bit each).

    Bits of the last two, from the lowest: catalyst, heated catalyst, evaporative system, secondary air, air
    conditioning, oxygen sensor, its heater, exhaust gas recirculation; only where spark ignition is declared.
    """
    spark = (word >> 16 & 0x08) == 0
    return {
        "mil_on": word >> 31,
        "codes": word >> 24 & 0x7F,
        "supported": np.where(spark, word >> 8 & 0xFF, 0),
        "incomplete": np.where(spark, word & (word >> 8) & 0xFF, 0),
    }


def reasons(fault: np.ndarray) -> list[str]:
    """Why each line is not used, in words."""
    kinds, inverse = np.unique(fault, return_inverse=True)
    texts = [WHY[int(kind) & 0xFF].format(int(kind) >> 8) for kind in kinds]
    return [texts[place] for place in inverse]


def _blame(read: Bytes, lines: np.ndarray, fault: int, about: np.ndarray) -> None:
    read.fault[lines] = fault | about.astype(np.uint16) << 8


def _spread(
    lines: np.ndarray, begin: np.ndarray, counts: np.ndarray, size: int
) -> tuple[np.ndarray, np.ndarray]:
    """Line and place of every record, where line i holds ``counts[i]`` records of ``size`` bytes."""
    within = np.arange(int(counts.sum())) - np.repeat(np.cumsum(counts) - counts, counts)
    return np.repeat(lines, counts), np.repeat(begin, counts) + size * within
