"""Decoding of raw answers on one core: ``python -m tests.benchmarks.obd [--answers 2000000]``.

Answers as a gateway writes them: one PID each with blanks, and six PIDs each without. Timed is what lies
between text and a frame of signals; the best of three runs counts.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
import polars as pl

from pipeline.exports.current import decode
from pipeline.exports.hexbytes import read_hex
from pipeline.exports.obd import CURRENT, cut, services
from pipeline.exports.setups import SAID, Setups, setups

BATCH = 250_000
SINGLE = ("41 0C {:02X} {:02X}", "41 0D {:02X}", "41 05 {:02X}", "41 14 {:02X} {:02X}", "41 06 {:02X}")
SEVERAL = "410C{:02X}{:02X}0D{:02X}05{:02X}14{:02X}{:02X}06{:02X}34{:02X}{:02X}{:02X}{:02X}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--answers", type=int, default=2_000_000)
    count = parser.parse_args().answers
    made = np.random.default_rng(1).integers(0, 256, (count, 11)).tolist()
    forms = {
        "one PID an answer": [SINGLE[place % len(SINGLE)].format(*row) for place, row in enumerate(made)],
        "six PIDs an answer": [SEVERAL.format(*row) for row in made],
    }
    known = setups(pl.DataFrame(schema=SAID))
    for name, texts in forms.items():
        column = pl.Series("response", texts)
        seconds = min(_timed(column, known) for _ in range(3))
        print(f"{name:20} {count:,} answers {seconds:6.2f} s {count / seconds:12,.0f} answers/s")


def _timed(column: pl.Series, known: Setups) -> float:
    began = time.perf_counter()
    for start in range(0, column.len(), BATCH):
        part = column[start : start + BATCH]
        read = read_hex(part)
        lines = np.flatnonzero(services(read) == CURRENT)
        frame = decode(read.data, cut(read, lines), np.zeros(part.len(), dtype=np.int64), known).frame()
        if frame.height != part.len() or read.fault.any():
            raise SystemExit("an answer was not read")
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
