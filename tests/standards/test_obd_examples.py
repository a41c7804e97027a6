"""Worked examples of the standards, byte by byte.

Services and PIDs: SAE J1979 and J1979-DA (= ISO 15031-5), appendices A to E; trouble codes: SAE J2012. The
paid texts were not at hand: layouts and values are from memory, those marked X cross-checked in public
tables.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.exports.current import narrowband, rescaled
from pipeline.exports.obd import code_text, monitors
from pipeline.exports.pids import pids, supported
from pipeline.signals import signals
from tests.standards.raw_answers import sampled, told, why

# SAE J1979-DA, appendix B. Second column: X cross-checked in public tables, M from memory.
SCALARS = [
    ("04 33", "X", "load_pct", 20.0),
    ("04 C8", "X", "load_pct", 78.43),
    ("05 7B", "X", "coolant_degc", 83),
    ("05 28", "X", "coolant_degc", 0),
    ("06 8D", "X", "stft_b1_pct", 10.16),
    ("06 60", "X", "stft_b1_pct", -25.0),
    ("07 8A", "X", "ltft_b1_pct", 7.81),
    ("07 6C", "X", "ltft_b1_pct", -15.63),
    ("08 80", "X", "stft_b2_pct", 0.0),
    ("08 A0", "X", "stft_b2_pct", 25.0),
    ("09 99", "X", "ltft_b2_pct", 19.53),
    ("09 76", "X", "ltft_b2_pct", -7.81),
    ("0B 64", "X", "map_kpa", 100),
    ("0B 1E", "X", "map_kpa", 30),
    ("0C 0C 80", "X", "rpm", 800),
    ("0C 27 10", "X", "rpm", 2500),
    ("0D 3C", "X", "speed_kmh", 60),
    ("0D 00", "X", "speed_kmh", 0),
    ("0F 41", "X", "intake_air_degc", 25),
    ("0F 1E", "X", "intake_air_degc", -10),
    ("10 01 00", "X", "maf_gs", 2.56),
    ("10 03 E8", "X", "maf_gs", 10.0),
    ("11 26", "X", "throttle_pct", 14.90),
    ("11 FF", "X", "throttle_pct", 100),
    ("1F 01 2C", "X", "run_time_s", 300),
    ("1F 0E 10", "X", "run_time_s", 3600),
    ("31 01 F4", "M", "distance_since_clear_km", 500),
    ("31 FF FF", "M", "distance_since_clear_km", 65535),
    ("33 65", "M", "baro_kpa", 101),
    ("33 50", "M", "baro_kpa", 80),
    ("3C 11 F8", "M", "catalyst_b1s1_degc", 420.0),
    ("3C 18 38", "M", "catalyst_b1s1_degc", 580.0),
    ("3D 1A F4", "M", "catalyst_b2s1_degc", 650.0),
    ("3D 24 B8", "M", "catalyst_b2s1_degc", 900.0),
    ("42 37 F0", "M", "supply_v", 14.320),
    ("42 2E E0", "M", "supply_v", 12.000),
    ("44 80 00", "X", "lambda_target", 1.0),
    ("44 7C 29", "X", "lambda_target", 0.97),
    ("46 3C", "M", "ambient_degc", 20),
    ("46 1E", "M", "ambient_degc", -10),
    ("2E 4D", "M", "purge_pct", 30.20),
    ("55 83", "M", "stft2_b1_pct", 2.34),
    ("55 7D", "M", "stft2_b1_pct", -2.34),
    ("56 80", "M", "ltft2_b1_pct", 0.0),
    ("56 86", "M", "ltft2_b1_pct", 4.69),
    ("57 7A", "M", "stft2_b2_pct", -4.69),
    ("57 80", "M", "stft2_b2_pct", 0.0),
    ("58 82", "M", "ltft2_b2_pct", 1.56),
    ("58 7E", "M", "ltft2_b2_pct", -1.56),
    ("A6 00 01 E2 40", "M", "odometer_km", 12345.6),
]
# The same appendix: PIDs that are listed, so that answers with them can be cut, but are no signal here.
WITHOUT_SIGNAL = [
    "0E 9C", "0E 74", "12 01", "1C 06", "1C 03", "21 02 58", "21 00 00", "30 05", "30 FF",
    "3E 18 38", "3F 1A F4", "41 00 07 E5 E5", "43 00 48", "43 01 40", "45 0D", "45 80", "4D 00 3C",
    "4D 05 A0", "4E 0B 40", "51 04", "51 11",
]  # fmt: skip


@pytest.mark.parametrize(("answer", "checked", "signal", "expected"), SCALARS)
def test_scalars(answer, checked, signal, expected):
    assert checked in "XM"
    assert sampled(f"41 {answer}") == {signal: pytest.approx(expected, abs=0.0051)}
    assert sampled("41" + answer.replace(" ", "").lower()) == sampled(f"41 {answer}")


@pytest.mark.parametrize("answer", WITHOUT_SIGNAL)
def test_a_listed_pid_without_signal_is_cut_and_named(answer):
    outcome = told(f"41 {answer} 05 7B")
    assert outcome.readings.frame["coolant_degc"].to_list() == [83]
    assert outcome.unused == {int(answer[:2], 16)}
    assert "no signal sampled" in why(f"41 {answer}")[0][2]


def test_trims_are_exact_and_may_have_a_byte_for_bank_3():
    assert sampled("41 06 8D") == {"stft_b1_pct": 10.15625}
    assert sampled("41 07 60") == {"ltft_b1_pct": -25.0}
    assert sampled("41 06 8D A0") == {"stft_b1_pct": 10.15625}


# -- oxygen sensors (appendix B, X) ----------------------------------------------------------------


def test_narrowband_sensors():
    volts, trim = narrowband(np.array([0x5A80, 0x9AFF]))
    assert volts.tolist() == [0.450, 0.770]
    assert trim[0] == 0.0
    assert np.isnan(trim[1])
    assert sampled("41 14 5A 80", "41 15 9A FF") == pytest.approx({"o2_b1s1_v": 0.450, "o2_b1s2_v": 0.770})


def test_wide_range_sensors():
    assert sampled("41 24 82 8F 69 98") == {"lambda_b1s1": pytest.approx(1.019989, abs=1e-5)}
    assert sampled("41 24 80 00 6A 00") == {"lambda_b1s1": 1.0}
    assert sampled("41 34 80 00 80 00") == {"lambda_b1s1": 1.0, "pump_b1s1_ma": 0.0}
    assert sampled("41 34 80 00 7F 40") == {"lambda_b1s1": 1.0, "pump_b1s1_ma": -0.75}
    cut = sampled("41 34 FF FF 82 8A")
    assert cut == {"lambda_b1s1": pytest.approx(1.999969, abs=1e-6), "pump_b1s1_ma": 2.5390625}


@pytest.mark.parametrize(
    ("scaling", "answer", "signal", "expected"),
    [
        ("4F 04 00 00 00", "24 40 00 00 00", "lambda_b1s1", 1.000015),
        ("4F 04 00 00 00", "34 40 00 80 00", "lambda_b1s1", 1.000015),
        ("4F 04 00 00 00", "44 40 00", "lambda_target", 1.000015),
        ("4F 00 00 00 00", "44 80 00", "lambda_target", 1.0),
        ("4F 00 00 40 00", "34 80 00 A0 00", "pump_b1s1_ma", 16.0),
        ("4F 00 00 00 14", "0B FF", "map_kpa", 200.0),
        ("50 64 00 00 00", "10 20 00", "maf_gs", 8192 * 1000 / 65535),
        ("50 00 00 00 00", "10 03 E8", "maf_gs", 10.0),
    ],
)
def test_a_unit_may_rescale(scaling, answer, signal, expected):
    """PIDs $4F and $50; the items as in public tables, the arithmetic from memory."""
    assert sampled(f"41 {answer}", f"41 {scaling}")[signal] == pytest.approx(expected, abs=1e-5)


def test_rescaling_of_the_lambda_of_fuel_cut():
    full = np.array([0.0, 4.0])
    assert rescaled(np.array([65535, 65535]), 2 / 65536, full, 65535.0) == pytest.approx([1.999969, 4.0])


def test_a_commanded_lambda_that_never_moves_is_kept():
    """With narrowband control PID $44 reads exactly 1 in closed loop (from memory): it is no frozen value."""
    frame = told("41 44 80 00", "41 44 80 00", "41 44 80 00").readings
    assert frame.frame["lambda_target"].to_list() == [1.0, 1.0, 1.0]
    assert frame.rows.height == frame.cells.height == 0


# -- which sensor is which (appendix B, PIDs $13 and $1D) ------------------------------------------

_READ = {0x14: "b1s1", 0x15: "b1s2", 0x18: "b2s1", 0x19: "b2s2"}
_READ_1D = {0x14: "b1s1", 0x15: "b1s2", 0x16: "b2s1", 0x17: "b2s2"}


@pytest.mark.parametrize(
    ("location", "places"), [("13 33", _READ), ("13 FF", _READ), ("1D 0F", _READ_1D), ("1D FF", _READ_1D)]
)
@pytest.mark.parametrize("pid", range(0x14, 0x1C))
def test_place_of_a_narrowband_sensor(location, places, pid):
    found = sampled(f"41 {pid:02X} 5A 80", f"41 {location}")
    expected = {f"o2_{places[pid]}_v": pytest.approx(0.45)} if pid in places else {}
    assert found == expected


@pytest.mark.parametrize(("location", "pid"), [("13 33", 0x28), ("1D 0F", 0x26)])
@pytest.mark.parametrize("series", [0, 0x10])
def test_place_of_a_wide_range_sensor_of_bank_2(location, pid, series):
    found = sampled(f"41 {pid + series:02X} 80 00 80 00", f"41 {location}")
    assert found["lambda_b2s1"] == 1.0
    assert ("pump_b2s1_ma" in found) is (series == 0x10)


# -- bits and states (appendices A and B, X) -------------------------------------------------------


@pytest.mark.parametrize(
    ("base", "mask", "expected"),
    [
        (0x00, 0xBE1FA813, "01 03 04 05 06 07 0C 0D 0E 0F 10 11 13 15 1C 1F 20"),
        (0x20, 0xA005B011, "21 23 2E 30 31 33 34 3C 40"),
        (0x40, 0xFED08400, "41 42 43 44 45 46 47 49 4A 4C 51 56"),
    ],
)
def test_masks_of_supported_pids(base, mask, expected):
    assert supported(base, mask) == {int(pid, 16) for pid in expected.split()}
    outcome = told(f"41 {base:02X} {mask:08X}")
    assert (outcome.quiet, outcome.readings.rows.height) == (1, 0)


def test_monitor_status():
    status = monitors(np.array([0x83076504, 0x0007E5E5, 0x000FFFFF]))
    assert status["mil_on"].tolist() == [1, 0, 0]
    assert status["codes"].tolist() == [3, 0, 0]
    assert status["supported"].tolist() == [0x65, 0xE5, 0]
    assert status["incomplete"].tolist() == [0x04, 0xE5, 0]
    assert bin(0xE5).count("1") == 5
    assert sampled("41 01 83 07 65 04") == {"mil_on": 1}
    assert sampled("41 01 00 07 E5 E5") == {"mil_on": 0}


@pytest.mark.parametrize(("answer", "states"), [("02 00", (2, 0)), ("04 04", (4, 4)), ("00 00", (0, 0))])
def test_fuel_system_status(answer, states):
    assert sampled(f"41 03 {answer}") == {"fuel_status_b1": states[0], "fuel_status_b2": states[1]}


@pytest.mark.parametrize("answer", ["03 00", "06 00", "20 00"])
def test_a_fuel_system_state_of_several_bits_is_no_state(answer):
    assert "fuel_status_b1" not in sampled(f"41 03 {answer}")
    assert [(column, "not one of the values" in reason) for _, column, reason in why(f"41 03 {answer}")] == [
        ("fuel_status_b1", True)
    ]


# -- service $06 (appendices C to E, X) ------------------------------------------------------------


@pytest.mark.parametrize(
    ("answer", "monitor", "test", "value", "least", "most", "passed"),
    [
        ("46 01 05 10 00 55 00 00 00 78", 0x01, 0x05, 85, 0, 120, True),
        ("46 01 01 0A 0E 69 0E 69 0E 69", 0x01, 0x01, 450.058, 450.058, 450.058, True),
        ("46 05 08 0B 01 C2 02 58 FF FF", 0x05, 0x08, 0.450, 0.600, 65.535, False),
        ("46 21 A9 06 0C E4 04 00 FF FF", 0x21, 0xA9, 1.0065, 0.31232, 19.988, True),
        ("46 42 90 0E 02 8A 00 C8 05 DC", 0x42, 0x90, 0.650, 0.200, 1.500, True),
        ("46 01 89 84 FF 9C FF 06 00 FA", 0x01, 0x89, -0.100, -0.250, 0.250, True),
    ],
)
def test_results(answer, monitor, test, value, least, most, passed):
    row = told(answer).records["onboard_tests"].row(0, named=True)
    assert (row["obdmid"], row["tid"], row["has_run"]) == (monitor, test, True)
    assert (row["value"], row["min"], row["max"]) == pytest.approx((value, least, most), rel=1e-4)
    assert (row["min"] <= row["value"] <= row["max"]) is passed


def test_a_result_of_zeros_has_not_run():
    assert told("46 22 A9 06 00 00 00 00 00 00").records["onboard_tests"]["has_run"].to_list() == [False]


# -- trouble codes (SAE J2012, X) ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "code"),
    [("0420", "P0420"), ("0133", "P0133"), ("2195", "P2195"), ("2A00", "P2A00"), ("C100", "U0100")],
)
def test_two_byte_coding(data, code):
    assert code_text(int(data, 16)) == code
    assert told(f"43 01 {data}").records["codes"]["code"].to_list() == [code]


def test_letters_of_codes():
    assert [code_text(word) for word in (0x4123, 0x8456, 0xF999)] == ["C0123", "B0456", "U3999"]


@pytest.mark.parametrize(("service", "state"), [("43", "confirmed"), ("47", "pending"), ("4A", "permanent")])
@pytest.mark.parametrize("data", ["02 04 20 21 95", "04 20 21 95 00 00"])
def test_codes_with_and_without_a_count(service, state, data):
    rows = told(f"{service} {data}").records["codes"].select("code", "state").rows()
    assert rows == [("P0420", state), ("P2195", state)]


def test_every_signal_names_a_pid_that_carries_it():
    placed = {"narrowband", "wide_voltage", "wide_current"}
    for signal in signals().values():
        for number in signal.pid.split("/"):
            spec = pids()[int(number, 16)]
            assert signal.name in spec.signals or spec.formula in placed, signal.name
    assert {name for spec in pids().values() for name in spec.signals} <= set(signals())


def test_the_answers_of_one_request_stand_in_one_row():
    """Up to six PIDs (SAE J1979 on CAN; from memory)."""
    frame = told("41 0C 0C 80 0D 3C 05 7B 14 5A 80 06 8D 42 37 F0").readings.frame
    assert frame.select(pl.col("rpm", "speed_kmh", "coolant_degc")).rows() == [(800.0, 60.0, 83.0)]
    assert frame["supply_v"].to_list() == pytest.approx([14.32])
