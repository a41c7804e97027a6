"""Raw answers and long rows, module by module: what is cut, what is refused and why."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.errors import ExportError
from pipeline.exports.hexbytes import read_hex
from pipeline.exports.kinds import recognise
from pipeline.exports.longform import clean_long
from pipeline.exports.merging import FATES, FAULT_TYPES, Merged
from pipeline.exports.obd import CURRENT, cut, services
from pipeline.exports.pids import BY_13, BY_1D, CONTRADICTORY, UNPLACED, lengths, pids
from pipeline.exports.setups import SAID, setups
from pipeline.exports.standing import by_line
from tests.standards.raw_answers import sampled, told, why

# -- bytes -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["410C1AF8", "41 0C 1A F8", "410c 1aF8", "  41 0C 1A F8 ", "41\t0C1AF8"])
def test_blanks_and_case_do_not_matter(text):
    read = read_hex(pl.Series([text]))
    assert read.data.tolist() == [0x41, 0x0C, 0x1A, 0xF8]
    assert read.fault.tolist() == [0]


def test_a_slice_of_a_column_is_read_from_its_own_start():
    column = pl.Series(["41 05 7B", "zz", None, "", "410D3C", "41 0"])
    read = read_hex(column[1:5])
    assert (read.fault != 0).tolist() == [True, True, True, False]
    assert read.data[read.start[3] : read.end[3]].tolist() == [0x41, 0x0D, 0x3C]


def test_bad_texts_leave_the_bytes_of_the_others_alone():
    texts = ["41 05 7B", "41 0", "410D3C", "4x", None, "4 1 05 7B", "41 0C 0C 80"]
    read = read_hex(pl.Series(texts))
    bytes_of = [read.data[start:end].tobytes().hex() for start, end in zip(read.start, read.end, strict=True)]
    assert bytes_of == ["41057b", "", "410d3c", "", "", "", "410c0c80"]


def test_no_text_at_all():
    read = read_hex(pl.Series([], dtype=pl.String))
    assert cut(read, np.flatnonzero(services(read) == CURRENT)).line.size == 0


# -- answers refused -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("response", "reason"),
    [
        (None, "empty"),
        ("", "empty"),
        ("   ", "empty"),
        ("41 0C 1A F", "odd number"),
        ("41 0C 1 AF8", "blank within a byte"),
        ("0x410C1AF8", "not hexadecimal"),
        ("NO DATA", "not hexadecimal"),
        ("41 0C 1A F8 >", "not hexadecimal"),
        ("7F 01 12", "refused service $01"),
        ("01 0C", "begins with $01"),
        ("49 02 01", "begins with $49"),
        ("41", "nothing follows"),
        ("43", "nothing follows"),
        ("41 0C", "too few bytes for PID $0C"),
        ("41 0C 1A", "too few bytes for PID $0C"),
        ("41 05 7B 0C 1A", "too few bytes for PID $0C"),
        ("41 7B 05", "PID $7B is not listed"),
        ("41 05 7B FF", "PID $FF is not listed"),
        ("41 05 7B 0D 3C 0B 64 0F 41 46 3C 33 65 04 33", "more than 6 PIDs"),
        ("43 02 04 20", "says 2 codes"),
        ("43 01 04 20 01 33", "says 1 codes"),
        ("47 04 20", "neither a count byte"),
        ("46 01 05 10 00 55 00 00 00", "not a whole number of test results"),
        ("46 01 05 10 00 55 00 00 00 78 01", "not a whole number of test results"),
    ],
)
def test_an_answer_is_refused_whole_and_says_why(response, reason):
    faults = why(response, "41 05 7B")
    assert [(line, column) for line, column, _ in faults] == [(2, "response")]
    assert reason in faults[0][2]
    assert sampled(response, "41 05 7B") == {"coolant_degc": 83}


@pytest.mark.parametrize("response", ["41 05 7B 05 7C", "41 05 7B 05 7B"])
def test_a_pid_that_stands_twice_in_an_answer_is_not_used(response):
    assert sampled(f"{response} 0D 3C") == {"speed_kmh": 60}
    for faults in (why(response), why("41 05 7B 0D 3C", f"{response} 0D 3C", "41 0D 3C 05 7B")):
        assert ["PID $05 stands twice" in reason for _, _, reason in faults] == [True]


def test_a_value_out_of_range_costs_the_cell_only():
    faults = why("41 03 03 02")
    assert [(line, column) for line, column, _ in faults] == [(2, "fuel_status_b1")]
    assert sampled("41 03 03 02") == {"fuel_status_b2": 2}


# -- places of sensors -----------------------------------------------------------------------------


@pytest.mark.parametrize("pid", ["16", "17", "26", "36"])
def test_without_13_or_1d_the_place_of_some_is_open(pid):
    data = "5A 80" if pid[0] == "1" else "80 00 80 00"
    ((line, column, reason),) = why(f"41 {pid} {data}")
    assert (line, column) == (2, "response")
    assert "PID $13 or $1D" in reason
    assert f"PID ${pid}" in reason


@pytest.mark.parametrize(("pid", "place"), [("14", "b1s1"), ("15", "b1s2"), ("18", "b2s1"), ("19", "b2s2")])
def test_without_13_or_1d_the_others_are_placed_as_by_13(pid, place):
    assert sampled(f"41 {pid} 5A 80") == {f"o2_{place}_v": pytest.approx(0.45)}


def test_an_open_place_costs_only_its_value_where_the_answer_has_others():
    assert sampled("41 05 7B 16 5A 80") == {"coolant_degc": 83}
    assert [(column, "PID $16" in reason) for _, column, reason in why("41 05 7B 16 5A 80")] == [
        ("response", True)
    ]


def test_the_mask_of_supported_pids_tells_which_of_both_a_unit_has():
    with_1d = 1 << (32 - 0x1D)
    assert sampled("41 16 5A 80", f"41 00 {with_1d:08X}") == {"o2_b2s1_v": pytest.approx(0.45)}
    assert sampled("41 18 5A 80", f"41 00 {with_1d:08X}") == {}


def test_a_unit_with_both_is_not_placed_beyond_bank_1():
    assert sampled("41 14 5A 80", "41 13 33", "41 1D 0F") == {"o2_b1s1_v": pytest.approx(0.45)}
    assert "both PID $13 and PID $1D" in why("41 18 5A 80", "41 13 33", "41 1D 0F")[0][2]


def test_two_full_scales_make_the_values_unusable():
    answers = ("41 44 40 00", "41 4F 04 00 00 00", "41 4F 02 00 00 00")
    assert sampled(*answers) == {}
    assert "two different full scales" in why(*answers)[0][2]


def test_setups_are_those_of_the_unit():
    frame = pl.DataFrame(
        [("V1", 0x1D, 0x0F), ("V2", 0x13, 0x33), ("V3", 0x13, 1), ("V3", 0x1D, 1), ("V4", 0x50, 0x64000000)],
        schema=SAID,
        orient="row",
    )
    known = setups(frame)
    places = known.places(pl.Series(["V3", "V1", "V9", "V2", "V4"]))
    assert known.scheme[places].tolist() == [CONTRADICTORY, BY_1D, UNPLACED, BY_13, UNPLACED]
    assert known.full["maf"][places].tolist() == [0, 0, 0, 0, 1000]


# -- codes and results -----------------------------------------------------------------------------


def test_no_codes_is_an_answer_that_needs_no_row():
    for response in ("43 00", "47 00 00 00 00 00 00", "46 00 C0 00 00 01"):
        outcome = told(response)
        assert (outcome.quiet, outcome.records, outcome.readings.rows.height) == (1, {}, 0)


def test_several_results_in_one_answer():
    rows = told("46 01 05 10 00 55 00 00 00 78 21 A9 06 0C E4 04 00 FF FF").records["onboard_tests"]
    assert rows.select("line", "obdmid", "value").rows() == [(2, 1, 85.0), (2, 0x21, pytest.approx(1.0065))]


def test_an_unknown_scaling_leaves_the_values_raw():
    outcome = told("46 01 80 FE 00 55 00 00 00 78")
    assert outcome.records["onboard_tests"]["value"].to_list() == [85.0]
    assert outcome.readings.cells["column"].to_list() == ["uasid"]


def test_one_fate_a_line():
    lost = {"column": "value", "value": "x", "reason": "gave way"}
    fates = pl.DataFrame(
        {
            "source": [0] * 5,
            "line": [2, 2, 3, 3, 4],
            "fate": pl.Series(["duplicate", "kept", "lost", "duplicate", "duplicate"], dtype=FATES),
        }
    )
    rows = [{"source": 0, "line": 3} | lost, {"source": 0, "line": 2} | lost]
    made = by_line(Merged(pl.DataFrame(), fates, lost=pl.DataFrame(rows, schema=FAULT_TYPES)))
    assert made.fates.select("line", "fate").rows() == [(2, "kept"), (3, "lost"), (4, "duplicate")]
    assert made.lost["line"].to_list() == [3]
    assert made.cells["line"].to_list() == [2]


# -- table of PIDs ---------------------------------------------------------------------------------


def test_lengths_are_those_of_the_table():
    least, most = lengths()
    assert {number for number in range(256) if least[number]} == set(pids())
    assert {number for number in range(256) if most[number] > least[number]} == {
        *range(0x06, 0x0A),
        *range(0x55, 0x59),
    }
    assert ((least[list(pids())] >= 1) & (most[list(pids())] <= 4)).all()


# -- forms -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("names", "form", "columns", "dropped"),
    [
        (["unit_id", "ts", "rpm"], "wide", ("unit_id", "ts", "rpm"), []),
        (["ts", "unit_id", "value", "signal"], "long", ("unit_id", "ts", "signal", "value", "unit"), []),
        (["unit_id", "ts", "signal", "value", "unit", "x"], "long", None, ["x"]),
        (["unit_id", "ts", "response", "bus"], "raw", ("unit_id", "ts", "response"), ["bus"]),
        (["unit_id", "ts", "code", "state"], "", ("unit_id", "ts", "code", "state"), []),
    ],
)
def test_forms_are_told_by_their_columns(names, form, columns, dropped):
    kind, left = recognise("a.csv", names)
    assert (kind.form, left) == (form, dropped)
    assert columns is None or kind.columns == columns
    assert kind.name == ("readings" if form else "codes")


@pytest.mark.parametrize("more", [["rpm"], ["signal", "value"]])
def test_two_forms_in_one_file_are_refused(more):
    with pytest.raises(ExportError, match="more than one form"):
        recognise("a.csv", ["unit_id", "ts", "response", *more])


def test_long_rows_become_wide_rows_of_one_signal():
    raw = pl.DataFrame(
        {
            "line": [2, 3, 4, 5, 6],
            "unit_id": "V1",
            "ts": "2026-01-05T08:00:00Z",
            "signal": ["rpm", " coolant_degc", "rpms", None, "mil_on"],
            "value": ["800", "90", "1", "1", "true"],
            "unit": ["1/min", "°C", "1/min", "", None],
        }
    )
    made = clean_long(raw, "UTC", 1)
    assert made.frame.select("line", "rpm", "coolant_degc", "mil_on").rows() == [
        (2, 800.0, None, None),
        (3, None, 90.0, None),
        (6, None, None, 1.0),
    ]
    assert made.rows.select("line", "column", "value").rows() == [(4, "signal", "rpms"), (5, "signal", "")]
