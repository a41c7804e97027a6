"""Raw answers, one a row -> wide readings, trouble codes and on-board test results."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.exports.current import Decoded, decode
from pipeline.exports.events import scaled_tests
from pipeline.exports.hexbytes import Bytes, read_hex
from pipeline.exports.obd import (
    CODE_STATES,
    CURRENT,
    TESTS,
    code_text,
    codes,
    cut,
    reasons,
    results,
    services,
)
from pipeline.exports.readings import NO_SIGNAL, Cleaned, clean_readings, keyed
from pipeline.exports.rejects import MOST_CELLS, no_faults
from pipeline.exports.setups import Setups, said

_USELESS = f"{NO_SIGNAL}: none of its PIDs carries a signal of the readings"
_RESULT = ("obdmid", "tid", "uasid", "value_raw", "min_raw", "max_raw")


@dataclass(frozen=True)
class Told:
    """What a batch of answers tells.

    ``readings`` are wide rows; its faults are those of the whole batch. ``records`` are rows of ``codes`` and
    ``onboard_tests`` with their line. ``quiet`` counts lines that were understood and need no row: which PIDs
    there are, where sensors sit, how values are scaled, that no code is stored. ``unused`` are PIDs that no
    signal needs.
    """

    readings: Cleaned
    records: dict[str, pl.DataFrame]
    quiet: int
    unused: set[int]


def statements(raw: pl.DataFrame) -> pl.DataFrame:
    """What the answers of a batch say about their units, see :func:`~pipeline.exports.setups.said`."""
    read = read_hex(_texts(raw))
    values = cut(read, np.flatnonzero(services(read) == CURRENT))
    return said(raw["unit_id"].cast(pl.String).str.strip_chars(), read.data, values)


def clean_answers(raw: pl.DataFrame, known: Setups, zone: str, buckets: int) -> Told:
    """Decode one batch.

    Args:
        raw: ``line``, ``unit_id``, ``ts`` and ``response``.
        known: setups of the units of the file.
        zone: time zone in which days begin.
    """
    frame, rows = keyed(raw)
    texts = _texts(frame)
    read = read_hex(texts)
    service = services(read)
    values = cut(read, np.flatnonzero(service == CURRENT))
    decoded = decode(read.data, values, known.places(frame["unit_id"]), known)
    records, unscaled = _records(frame, read, service)
    sampled = np.zeros(frame.height, dtype=bool)
    for column in decoded.columns.values():
        sampled |= ~np.isnan(column)
    wide = frame.select("line", "unit_id", "ts").hstack(decoded.frame())
    readings = clean_readings(wide.filter(pl.Series(sampled, dtype=pl.Boolean)), zone, buckets)
    spoilt, spoilt_lines = _spoilt(decoded, frame["line"], texts)
    dead = spoilt.filter(pl.Series(~sampled[spoilt_lines], dtype=pl.Boolean))
    cells = spoilt.join(readings.frame, on="line", how="semi", maintain_order="left")
    understood = (read.fault == 0) & ~sampled
    understood[spoilt_lines] = False
    useless = understood & (service == CURRENT) & ~decoded.quiet
    faulty = np.flatnonzero(read.fault)
    told = sum(part["line"].n_unique() for part in records.values())
    return Told(
        Cleaned(
            readings.frame,
            pl.concat(
                [
                    rows,
                    _faults(frame["line"], texts, faulty, reasons(read.fault[faulty])),
                    _faults(frame["line"], texts, np.flatnonzero(useless), [_USELESS] * int(useless.sum())),
                    dead.unique("line", keep="first", maintain_order=True),
                    readings.rows,
                ]
            ),
            pl.concat([cells.head(MOST_CELLS), readings.cells, unscaled]),
            readings.further | ({"response": cells.height - MOST_CELLS} if cells.height > MOST_CELLS else {}),
        ),
        records,
        int((understood & ~useless).sum()) - told,
        decoded.unused,
    )


def _records(
    frame: pl.DataFrame, read: Bytes, service: np.ndarray
) -> tuple[dict[str, pl.DataFrame], pl.DataFrame]:
    """Rows of ``codes`` and ``onboard_tests``, and the cells that have no known scaling."""
    records, unscaled = {}, no_faults()
    lines, words = codes(read, np.flatnonzero(np.isin(service, list(CODE_STATES))))
    if lines.size:
        texts = {int(word): code_text(int(word)) for word in np.unique(words)}
        records["codes"] = frame[lines].select(
            "line",
            "unit_id",
            "ts",
            code=pl.Series(words).replace_strict(texts, return_dtype=pl.String),
            state=pl.Series(service[lines]).replace_strict(CODE_STATES, return_dtype=pl.String),
        )
    lines, numbers = results(read, np.flatnonzero(service == TESTS))
    if lines.size:
        columns = [pl.Series(name, numbers[:, place], dtype=pl.Int32) for place, name in enumerate(_RESULT)]
        keys = frame[lines].select("line", "unit_id", "ts")
        records["onboard_tests"], unscaled = scaled_tests(keys.hstack(columns))
    return records, unscaled


def _spoilt(decoded: Decoded, lines: pl.Series, texts: pl.Series) -> tuple[pl.DataFrame, np.ndarray]:
    """Faults of values that cannot be used, and the lines (counted from 0) that they are in."""
    found = [(chosen, [why] * chosen.size) for chosen, why in decoded.bad]
    parts = [_faults(lines, texts, chosen, why) for chosen, why in found]
    places = [chosen for chosen, _ in found]
    return pl.concat([no_faults(), *parts]), np.concatenate([np.zeros(0, dtype=np.int64), *places])


def _faults(lines: pl.Series, texts: pl.Series, chosen: np.ndarray, why: list[str]) -> pl.DataFrame:
    reason = pl.Series("reason", why, dtype=pl.String)
    return pl.DataFrame([lines.gather(chosen), texts.gather(chosen).alias("value"), reason]).select(
        "line", column=pl.lit("response"), value="value", reason="reason"
    )


def _texts(raw: pl.DataFrame) -> pl.Series:
    return raw["response"].cast(pl.String)
