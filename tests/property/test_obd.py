"""The vectorised decoder equals the scalar one; one table written in three forms gives the same readings."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from pipeline.exports.current import decode
from pipeline.exports.hexbytes import read_hex
from pipeline.exports.obd import CURRENT, code_text, codes, cut, services
from pipeline.exports.setups import SAID, setups
from pipeline.signals import signals
from tests.faults.lakes import content, fleet, one, run, write
from tests.property import obd_oracle as oracle

_SIZES = (
    {pid: size for pid, (size, _, _) in oracle.SCALARS.items()}
    | {pid: 2 for pid in (*range(0x14, 0x1C), 0x03)}
    | {pid: 4 for pid in (*range(0x24, 0x2C), *range(0x34, 0x3C), 0x01)}
    | oracle.NO_SIGNAL
)


@st.composite
def _value(draw: st.DrawFn, pids: list[int]) -> bytes:
    pid = draw(st.sampled_from(pids))
    return bytes([pid]) + draw(st.binary(min_size=_SIZES[pid], max_size=_SIZES[pid]))


def _written(data: bytes, style: int) -> str:
    text = data.hex(" ") if style & 1 else data.hex()
    return text.upper() if style & 2 else text


_sound = st.lists(_value(sorted(_SIZES)), min_size=1, max_size=7, unique_by=lambda value: value[0]).map(
    lambda parts: b"\x41" + b"".join(parts)
)
_broken = st.tuples(_sound, st.integers(0, 30)).map(lambda pair: pair[0][: pair[1]])
_texts = st.one_of(
    st.tuples(st.one_of(_sound, _broken), st.integers(0, 3)).map(lambda pair: _written(*pair)),
    st.text("0123456789abcdefg ", max_size=9).filter(lambda text: "  " not in text),
)


def _even_blanks(text: str) -> bool:
    """Whether every word has whole bytes, which the decoder asks for and the reference does not look at."""
    return all(len(word) % 2 == 0 for word in text.split(" "))


@settings(max_examples=300, deadline=None)
@given(texts=st.lists(_texts, max_size=12))
def test_vectorised_equals_scalar(texts: list[str]) -> None:
    read = read_hex(pl.Series("response", texts, dtype=pl.String))
    lines = np.flatnonzero(services(read) == CURRENT)
    values = cut(read, lines)
    known = setups(pl.DataFrame(schema=SAID))
    frame = decode(read.data, values, np.zeros(len(texts), dtype=np.int64), known).frame()
    for line, text in enumerate(texts):
        expected = oracle.signals_of(text)
        sound = bool(read.fault[line] == 0) and line in lines
        if not _even_blanks(text):
            assert not sound
            continue
        assert sound is (expected is not None), text
        found = {name: frame[name][line] for name in frame.columns if frame[name][line] is not None}
        assert found == pytest.approx(expected or {}, rel=1e-6, abs=1e-6)


@settings(max_examples=200, deadline=None)
@given(words=st.lists(st.lists(st.integers(0, 0xFFFF), max_size=5), min_size=1, max_size=5))
def test_codes_on_can_come_back(words: list[list[int]]) -> None:
    texts = [f"43{len(row):02X}" + "".join(f"{word:04X}" for word in row) for row in words]
    read = read_hex(pl.Series("response", texts))
    lines, found = codes(read, np.arange(len(texts)))
    expected = [(line, word) for line, row in enumerate(words) for word in row if word]
    assert list(zip(lines.tolist(), found.tolist(), strict=True)) == expected
    assert not read.fault.any()


@given(word=st.integers(1, 0xFFFF))
def test_a_code_names_its_word(word: int) -> None:
    text = code_text(word)
    assert "PCBU".index(text[0]) << 14 | int(text[1]) << 12 | int(text[2:], 16) == word


# -- whole files -----------------------------------------------------------------------------------

_answers = st.one_of(
    _texts.filter(lambda text: text.isascii()),
    st.sampled_from(
        ["41 13 33", "41 1D 0F", "41 16 5A 80", "41 4F 04 00 00 00", "41 44 40 00", "43 01 04 20", "43 00"]
        + ["43 02 04 20 01 33", "4A 04 20 00 00 00 00", "7F 01 12", "46 01 05 10 00 55 00 00 00 78"]
        + ["46 01 05 10 00 56 00 00 00 78 01 06 10 00 55 00 00 00 78", "41 05 7B 05 7C", "41 0E 9C"]
    ),
)
_rows = st.tuples(
    st.sampled_from(["V1", "V2", ""]),
    st.sampled_from(["2026-01-05T08:00:00Z", "2026-01-05T08:00:01Z", "soon"]),
    _answers,
).map(",".join)


@settings(max_examples=25, deadline=None)
@given(rows=st.lists(_rows, min_size=1, max_size=20), data=st.data())
def test_every_line_has_one_fate_and_order_does_not_matter(rows: list[str], data: st.DataObject) -> None:
    shuffled = data.draw(st.permutations(rows))
    found = []
    for lines in (rows, shuffled):
        with tempfile.TemporaryDirectory() as folder:
            setup = fleet(Path(folder))
            text = "".join(f"{line}\n" for line in ["unit_id,ts,response", *lines])
            line = one(run(*setup, write(Path(folder) / "a.csv", text)))
            assert line["rows_in"] == len(rows) == line["kept"] + line["quarantined"] + line["duplicates"]
            whole = setup[1].read("quarantine").filter(pl.col("scope") == "row")
            assert whole["line"].n_unique() == whole.height == line["quarantined"]
            found.append({name: content(setup[1], name) for name in ("readings", "codes", "onboard_tests")})
    for name, frame in found[0].items():
        assert_frame_equal(found[1][name], frame)


# -- one table, three forms ------------------------------------------------------------------------

# signal -> PID, bytes, per bit, offset: SAE J1979-DA, appendix B, as in the reference decoder
_CODING = {
    "rpm": ("0C", 2, 0.25, 0.0),
    "speed_kmh": ("0D", 1, 1.0, 0.0),
    "coolant_degc": ("05", 1, 1.0, -40.0),
    "stft_b1_pct": ("06", 1, 100 / 128, -100.0),
    "load_pct": ("04", 1, 100 / 255, 0.0),
    "maf_gs": ("10", 2, 0.01, 0.0),
    "supply_v": ("42", 2, 0.001, 0.0),
    "lambda_target": ("44", 2, 2 / 65536, 0.0),
    "catalyst_b1s1_degc": ("3C", 2, 0.1, -40.0),
    "o2_b1s1_v": ("14", 1, 0.005, 0.0),
    "o2_b2s1_v": ("18", 1, 0.005, 0.0),
}


@st.composite
def _tables(draw: st.DrawFn) -> pl.DataFrame:
    stamps = [f"2026-01-05T08:00:{second:02d}Z" for second in range(draw(st.integers(1, 6)))]
    rows = []
    for unit in ("V1", "V2"):
        for ts in stamps:
            raw = {name: draw(st.none() | st.integers(0, 255)) for name in _CODING}
            values = {
                name: None if bits is None else bits * _CODING[name][2] + _CODING[name][3]
                for name, bits in raw.items()
            }
            rows.append({"unit_id": unit, "ts": ts} | values)
    kinds = {"unit_id": pl.String, "ts": pl.String} | {name: pl.Float64 for name in _CODING}
    frame = pl.DataFrame(rows, schema=kinds)
    return frame.filter(pl.any_horizontal(pl.col(list(_CODING)).is_not_null()))


def _long(wide: pl.DataFrame) -> pl.DataFrame:
    long = wide.unpivot(list(_CODING), index=["unit_id", "ts"], variable_name="signal").drop_nulls()
    units = {name: signal.unit for name, signal in signals().items()}
    return long.with_columns(unit=pl.col("signal").replace_strict(units, return_dtype=pl.String))


def _raw(wide: pl.DataFrame, together: bool) -> str:
    lines = ["unit_id,ts,response"]
    for unit, ts, *values in wide.rows():
        parts = []
        for (pid, size, per_bit, offset), value in zip(_CODING.values(), values, strict=True):
            if value is not None:
                word = round((value - offset) / per_bit)
                tail = "FF" if pid in ("14", "18") else ""
                parts.append(pid + f"{word:0{2 * size}X}" + tail)
        step = 6 if together else 1
        lines += [f"{unit},{ts},41{''.join(parts[i : i + step])}" for i in range(0, len(parts), step)]
    return "\n".join(lines) + "\n"


@settings(max_examples=15, deadline=None)
@given(wide=_tables(), together=st.booleans(), packed=st.booleans())
def test_three_forms_give_the_same_readings(wide: pl.DataFrame, together: bool, packed: bool) -> None:
    tables, ledgers = [], []
    for form in ("wide", "long", "raw"):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / ("export.parquet" if packed else "export.csv")
            if form == "raw":
                path = write(Path(folder) / "export.csv", _raw(wide, together))
            else:
                frame = wide if form == "wide" else _long(wide)
                frame.write_parquet(path) if packed else frame.write_csv(path)
            setup = fleet(Path(folder))
            ledgers.append(one(run(*setup, path)))
            tables.append(content(setup[1], "readings"))
    assert_frame_equal(tables[1], tables[0])
    for name, coding in _CODING.items():
        assert (tables[2][name].is_null() == tables[0][name].is_null()).all()
        assert (tables[2][name] - tables[0][name]).abs().max() in (None, pytest.approx(0, abs=coding[2] / 2))
    assert_frame_equal(tables[2].select("unit_id", "ts"), tables[0].select("unit_id", "ts"))
    assert [ledger["quarantined"] for ledger in ledgers] == [0, 0, 0]
    assert ledgers[1]["kept"] == _long(wide).height
