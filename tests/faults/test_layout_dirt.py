"""Dirty exports behind layouts, from the file to the lake: one named case a kind of dirt."""

from __future__ import annotations

import zipfile
from datetime import UTC, datetime

import polars as pl
import pytest

from pipeline.errors import ConfigError
from tests.faults.lakes import content, fleet, one, reasons, rejects, run, write

NORTH = """
name = "north"
[files]
match = ["gw_*.csv", "gw_*.parquet", "gw_*.ndjson", "pack.zip/*.csv"]
[text]
delimiter = ";"
decimal = ","
thousands = "."
[content]
input = "readings"
absent = ["-", "N/A", "NODATA"]
drop = ["Driver"]
[unit]
column = "Vehicle"
[time]
columns = ["Date", "Time"]
order = "day-first"
zone = "Europe/Vienna"
[columns]
"RPM" = { is = "rpm" }
"Coolant [°C]" = { is = "coolant_degc" }
"""
HEADER = "Vehicle;Date;Time;RPM;Coolant [°C];Driver\n"
AT = "V1;05.01.2026;08:00:0"
FIRST = datetime(2026, 1, 5, 7, tzinfo=UTC)  # 08:00:00 in Vienna


def ingested(tmp_path, text, layout=NORTH, name="gw_1.csv", encoding="utf-8", **more):
    """Summary line and lake after reading one file through layouts."""
    write(tmp_path / "layouts" / "north.toml", layout)
    for other, body in more.items():
        write(tmp_path / "layouts" / f"{other}.toml", body)
    settings, lake = fleet(tmp_path, layouts=str(tmp_path / "layouts"))
    path = write(tmp_path / name, text if isinstance(text, bytes) else text.encode(encoding))
    line = one(run(settings, lake, path))
    if line["status"] == "read":
        assert line["rows_in"] == line["kept"] + line["quarantined"] + line["duplicates"]
    return line, lake


def column(lake, name):
    return content(lake, "readings")[name].to_list()


# -- numbers -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        pytest.param("812,5", 812.5, id="decimal comma"),
        pytest.param("1.812,5", 1812.5, id="thousands mark"),
        pytest.param("1.812", 1812.0, id="thousands without decimals"),
        pytest.param("812 rpm", 812.0, id="unit in the cell"),
        pytest.param('"1.812,25"', 1812.25, id="quoted"),
    ],
)
def test_numbers_as_the_layout_says(tmp_path, cell, value):
    line, lake = ingested(tmp_path, HEADER + f"{AT}0;{cell};90;x\n")
    assert (line["kept"], line["dropped"], line["notes"]) == (1, "Driver", "read by layout north")
    assert column(lake, "rpm") == [value]
    assert content(lake, "readings")["ts"].to_list() == [FIRST]


@pytest.mark.parametrize("cell", ["-", " n/a", "NoData", ""])
def test_declared_absent(tmp_path, cell):
    _, lake = ingested(tmp_path, HEADER + f"{AT}0;{cell};90 °C;x\n")
    assert column(lake, "rpm") == [None] and column(lake, "coolant_degc") == [90.0]
    assert rejects(lake) == []


@pytest.mark.parametrize(
    "cell", ["∞", "inf", "-Infinity", "--", "1.81", "812.5", "12 km/h", "#VALUE!", "8 12"]
)
def test_not_declared_is_quarantined_in_the_files_words(tmp_path, cell):
    _, lake = ingested(tmp_path, HEADER + f"{AT}0;{cell};90;x\n")
    assert column(lake, "rpm") == [None]
    assert rejects(lake) == [(2, "cell", "RPM", cell)]


@pytest.mark.parametrize("cell", ["∞", "inf"])
def test_infinity_may_be_declared_absent(tmp_path, cell):
    layout = NORTH.replace('"NODATA"', '"∞", "inf"')
    _, lake = ingested(tmp_path, HEADER + f"{AT}0;{cell};90;x\n", layout)
    assert column(lake, "rpm") == [None] and rejects(lake) == []


# -- headers -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "encoding"),
    [
        pytest.param("Coolant [°C]", "latin-1", id="latin-1"),
        pytest.param("Coolant [°C]", "cp949", id="korean code page"),
        pytest.param("Coolant [Â°C]", "utf-8", id="doubly encoded"),
        pytest.param("Coolant [℃]", "cp949", id="one sign"),
    ],
)
def test_degree_signs_in_headers(tmp_path, header, encoding):
    layout = NORTH.replace("[text]", f'[text]\nencoding = "{encoding}"')
    text = HEADER.replace("Coolant [°C]", header) + f"{AT}0;800;90;x\n"
    _, lake = ingested(tmp_path, text, layout, encoding=encoding)
    assert column(lake, "coolant_degc") == [90.0]


def test_korean_headers(tmp_path):
    layout = NORTH.replace("[text]", '[text]\nencoding = "cp949"').replace("Coolant [°C]", "냉각수 온도")
    layout = layout.replace('"Vehicle"', '"차량"')
    text = f"차량;Date;Time;RPM;냉각수 온도;운전자\n{AT}0;800;90;김\n"
    line, lake = ingested(tmp_path, text, layout, encoding="cp949")
    assert column(lake, "coolant_degc") == [90.0]
    assert "does not name '운전자'" in line["notes"]


def test_another_encoding_than_the_declared_one_is_refused(tmp_path):
    line, _ = ingested(tmp_path, HEADER + f"{AT}0;800;90;x\n", encoding="latin-1")
    assert line["status"] == "refused" and "UTF-8" in line["reason"]


def test_a_header_that_is_missing(tmp_path):
    line, lake = ingested(tmp_path, HEADER.replace("RPM", "Rpm") + f"{AT}0;800;90;x\n")
    assert line["status"] == "refused"
    assert "'RPM'" in line["reason"] and "north.toml" in line["reason"] and "'Rpm'" in line["reason"]
    assert content(lake, "readings").height == 0


def test_an_optional_header_that_is_missing(tmp_path):
    layout = NORTH.replace('{ is = "rpm" }', '{ is = "rpm", optional = true }')
    _, lake = ingested(tmp_path, HEADER.replace("RPM", "Rpm") + f"{AT}0;800;90;x\n", layout)
    assert column(lake, "coolant_degc") == [90.0]


def test_a_header_that_stands_twice(tmp_path):
    line, _ = ingested(tmp_path, HEADER.replace("Driver", "RPM ") + f"{AT}0;800;90;x\n")
    assert line["status"] == "refused" and "more than once" in line["reason"]


def test_lines_before_the_header(tmp_path):
    layout = NORTH.replace("[text]", "[text]\nskip_lines = 2")
    _, lake = ingested(tmp_path, "Fleet report\n\n" + HEADER + f"{AT}0;x;90;x\n", layout)
    assert rejects(lake) == [(4, "cell", "RPM", "x")]


# -- which layout ------------------------------------------------------------------------------------------


def test_two_layouts_for_one_file(tmp_path):
    line, lake = ingested(tmp_path, HEADER, south=NORTH.replace('"north"', '"south"'))
    assert line["status"] == "refused"
    assert "'north'" in line["reason"] and "'south'" in line["reason"]
    assert lake.read("exports").height == 1


def test_a_file_that_no_layout_matches_is_canonical(tmp_path):
    text = "unit_id,ts,rpm\nV1,2026-01-05T08:00:00Z,800\n"
    line, lake = ingested(tmp_path, text, name="other.csv")
    assert (line["kept"], line["notes"]) == (1, None)


def test_a_wrong_layout_stops_the_run_before_it_begins(tmp_path):
    with pytest.raises(ConfigError, match="north.toml: columns.RPM.is: 'revs' is no canonical name"):
        ingested(tmp_path, HEADER, NORTH.replace('"rpm"', '"revs"'))


def test_a_member_of_an_archive(tmp_path):
    with zipfile.ZipFile(tmp_path / "made.zip", "w") as archive:
        archive.writestr("day.csv", HEADER + f"{AT}0;1.800;90;x\n")
    _, lake = ingested(tmp_path, (tmp_path / "made.zip").read_bytes(), name="pack.zip")
    assert column(lake, "rpm") == [1800.0]


def test_the_unit_and_the_day_in_the_name(tmp_path):
    """Two files of one content are not the same file when their names say whose they are."""
    layout = NORTH.replace('column = "Vehicle"', r"file_name = 'gw_(?P<unit>[A-Z0-9]+)_'").replace(
        'columns = ["Date", "Time"]\norder = "day-first"',
        'columns = ["Time"]\norder = "clock"\ndate_from_name = \'_(?P<date>\\d{8})\'\ndate_pattern = "%Y%m%d"',
    )
    text = "Time;RPM;Coolant [°C]\n23:59:59;800;90\n00:00:01;810;90\n"
    write(tmp_path / "layouts" / "north.toml", layout)
    settings, lake = fleet(tmp_path, layouts=str(tmp_path / "layouts"))
    names = ["gw_V1_20260105.csv", "gw_V2_20260105.csv", "gw_V1_20260106.csv", "gw_20260105.csv"]
    found = run(settings, lake, *(write(tmp_path / name, text) for name in names)).files
    assert found.sort("file")["status"].to_list() == ["refused", "read", "read", "read"]
    assert "no unit" in found.sort("file")["reason"][0]
    rows = content(lake, "readings").select("unit_id", pl.col("ts").dt.to_string("%d %H:%M:%S")).rows()
    v1 = ["05 22:59:59", "05 23:00:01", "06 22:59:59", "06 23:00:01"]
    assert rows == [("V1", at) for at in v1] + [("V2", at) for at in v1[:2]]


# -- times -------------------------------------------------------------------------------------------------


def test_the_hours_of_a_change_of_clocks(tmp_path):
    rows = "".join(
        f"V1;{day};{at};800;90;x\n"
        for day, at in [
            ("26.10.2025", "02:30:00"),  # comes twice
            ("30.03.2025", "02:30:00"),  # does not exist
            ("26.10.2025", "03:00:00"),
            ("26.10.2025", "02:30:00+02:00"),  # has its own offset
        ]
    )
    line, lake = ingested(tmp_path, HEADER + rows)
    assert (line["kept"], line["quarantined"]) == (2, 2)
    assert rejects(lake) == [
        (2, "row", "Date Time", "26.10.2025 02:30:00"),
        (3, "row", "Date Time", "30.03.2025 02:30:00"),
    ]
    assert "2025-10-26T00:30:00Z or 2025-10-26T01:30:00Z" in reasons(lake)
    assert "no such time" in reasons(lake)
    assert [at.hour for at in content(lake, "readings")["ts"]] == [0, 2]


@pytest.mark.parametrize(("twice", "hour"), [("earlier", 0), ("later", 1)])
def test_the_layout_may_choose_the_hour(tmp_path, twice, hour):
    layout = NORTH.replace("[columns]", f'twice = "{twice}"\n[columns]')
    _, lake = ingested(tmp_path, HEADER + "V1;26.10.2025;02:30:00;800;90;x\n", layout)
    assert content(lake, "readings")["ts"].to_list() == [datetime(2025, 10, 26, hour, 30, tzinfo=UTC)]


def test_mixed_zones(tmp_path):
    rows = "".join(
        f"V1;05.01.2026;{at};{rpm};90;x\n"
        for rpm, at in [(1, "08:00:00"), (2, "08:00:00Z"), (3, "08:00:00 +09:00"), (4, "08:00:00 CET")]
    )
    line, lake = ingested(tmp_path, HEADER + rows)
    found = content(lake, "readings").sort("rpm")
    assert [(at.day, at.hour) for at in found["ts"]] == [(5, 7), (5, 8), (4, 23)]
    assert rejects(lake) == [(5, "row", "Date Time", "05.01.2026 08:00:00 CET")]


def test_rows_without_unit_or_time(tmp_path):
    rows = ";05.01.2026;08:00:00;800;90;x\n-;05.01.2026;08:00:00;800;90;x\nV1;;;800;90;x\nV1;31.02.2026;1:00;8;9;x\n"
    line, lake = ingested(tmp_path, HEADER + rows + f"{AT}0;800\n")
    assert line["quarantined"] == 5
    assert sorted(rejects(lake)) == [
        (2, "row", "Vehicle", ""),
        (3, "row", "Vehicle", ""),
        (4, "row", "Date Time", ""),
        (5, "row", "Date Time", "31.02.2026 1:00"),
        (6, "row", "", "4 cells; not shown, the file has columns that are not kept"),
    ]


# -- forms and units ---------------------------------------------------------------------------------------

UNITS = """
"Speed" = { is = "speed_kmh", unit = "mph" }
"ECT" = { is = "coolant_degc", unit = "degF" }
"O2S" = { is = "o2_b1s1_v", unit = "mV" }
"Air" = { is = "maf_gs", unit = "cfm", air_degc = 15.0, air_kpa = 101.325 }
"MAP" = { is = "map_kpa", unit = "inHg" }
"Baro" = { is = "baro_kpa", unit = "psi" }
"Load" = { is = "load_pct", unit = "fraction" }
"Lambda 1" = { is = "lambda_b1s1", unit = "afr", stoichiometric = 14.7 }
"Target" = { is = "lambda_target", unit = "phi" }
"MIL" = { is = "mil_on" }
"""
SAMPLED = {"Speed": "60", "ECT": "194", "O2S": "450", "Air": "100", "MAP": "29.92", "Baro": "14.696"} | {
    "Load": "0.5",
    "Lambda 1": "14.7",
    "Target": "1.25",
    "MIL": "true",
}
# By hand: 60 * 1.609344; (194 - 32) / 1.8; 100 ft3/min * 1.2250 g/l = 4.719474 * 12.25; NIST SP 811 for pressures.
EXPECTED = {
    "speed_kmh": 96.56064,
    "coolant_degc": 90.0,
    "o2_b1s1_v": 0.45,
    "maf_gs": 57.813,
    "map_kpa": 101.321,
    "baro_kpa": 101.325,
    "load_pct": 50.0,
    "lambda_b1s1": 1.0,
    "lambda_target": 0.8,
    "mil_on": 1.0,
}
HEAD = """
name = "north"
[files]
match = ["gw_*.csv", "gw_*.parquet", "gw_*.ndjson"]
[content]
input = "readings"
form = "{form}"
[unit]
column = "Vehicle"
[time]
columns = ["At"]
order = "epoch-ms"
"""
EPOCH = int(FIRST.timestamp()) * 1000


def check_converted(lake):
    found = content(lake, "readings")
    assert found["ts"].to_list() == [FIRST]
    for name, value in EXPECTED.items():
        assert found[name][0] == pytest.approx(value, rel=2e-5), name


def test_wide_with_units(tmp_path):
    text = (
        ",".join(["Vehicle", "At", *SAMPLED]) + "\n" + ",".join(["V1", str(EPOCH), *SAMPLED.values()]) + "\n"
    )
    _, lake = ingested(tmp_path, text, HEAD.format(form="wide") + "[columns]" + UNITS)
    check_converted(lake)
    assert rejects(lake) == []


def test_long_with_units(tmp_path):
    layout = HEAD.format(form="long")
    layout += '[columns]\n"Sensor" = { is = "signal" }\n"Val" = { is = "value" }\n[signals]' + UNITS
    rows = "".join(f"V1,{EPOCH},{name},{value}\n" for name, value in SAMPLED.items())
    text = f"Vehicle,At,Sensor,Val\n{rows}V1,{EPOCH},GPS,48.1\nV1,{EPOCH},Speed,200\nV1,{EPOCH},,1\n"
    line, lake = ingested(tmp_path, text, layout)
    check_converted(lake)
    assert line["dropped"] == "GPS" and "does not name 'GPS'" in line["notes"]
    assert sorted(rejects(lake)) == [(13, "row", "Speed", "200"), (14, "row", "Sensor", "")]
    assert "'Speed' is in mph" in reasons(lake)


def test_long_with_stated_units(tmp_path):
    layout = HEAD.format(form="long")
    layout += (
        '[columns]\n"S" = { is = "signal" }\n"V" = { is = "value" }\n"U" = { is = "unit" }\n[signals]' + UNITS
    )
    rows = f"V1,{EPOCH},ECT,194,°F\nV1,{EPOCH},Speed,60,km/h\nV1,{EPOCH},O2S,450,\n"
    line, lake = ingested(tmp_path, "Vehicle,At,S,V,U\n" + rows, layout)
    assert column(lake, "coolant_degc") == [90.0] and column(lake, "o2_b1s1_v") == [pytest.approx(0.45)]
    assert rejects(lake) == [(3, "row", "U", "km/h")]


def test_raw_through_a_layout(tmp_path):
    layout = HEAD.format(form="raw") + '[columns]\n"Answer" = { is = "response" }\n'
    rows = f"V1,{EPOCH},41 0C 0C 80\nV1,{EPOCH},NODATA\nV1,{EPOCH},43 01 04 20\nV1,soon,41 05 7B\n"
    line, lake = ingested(tmp_path, "Vehicle,At,Answer\n" + rows, layout)
    assert (line["kept"], line["quarantined"]) == (2, 2)
    assert column(lake, "rpm") == [800.0]
    assert content(lake, "codes")["code"].to_list() == ["P0420"]
    assert sorted(rejects(lake)) == [(3, "row", "Answer", "NODATA"), (5, "row", "At", "soon")]


@pytest.mark.parametrize("packing", ["parquet", "ndjson"])
def test_files_with_numbers_of_their_own(tmp_path, packing):
    """Marks of text do not apply to numbers: a decimal comma in the layout leaves 29.92 as it is."""
    layout = HEAD.format(form="wide") + '[text]\ndecimal = ","\nthousands = "."\n[columns]' + UNITS
    cells = {name: float(value) if name != "MIL" else True for name, value in SAMPLED.items()}
    frame = pl.DataFrame(
        {"Vehicle": ["V1"], "At": [EPOCH]} | {name: [value] for name, value in cells.items()}
    )
    path = tmp_path / f"made.{packing}"
    frame.write_parquet(path) if packing == "parquet" else frame.write_ndjson(path)
    _, lake = ingested(tmp_path, path.read_bytes(), layout, name=f"gw_1.{packing}")
    check_converted(lake)


def test_naive_timestamps_of_a_parquet_file(tmp_path):
    layout = HEAD.format(form="wide").replace('"epoch-ms"', '"iso"\nzone = "Europe/Vienna"')
    frame = pl.DataFrame({"Vehicle": ["V1"] * 2, "Speed": [60.0] * 2}).with_columns(
        At=pl.Series([datetime(2026, 1, 5, 8), datetime(2025, 10, 26, 2, 30)])
    )
    frame.write_parquet(tmp_path / "made.parquet")
    layout += '[columns]\n"Speed" = { is = "speed_kmh", unit = "mph" }\n'
    _, lake = ingested(tmp_path, (tmp_path / "made.parquet").read_bytes(), layout, name="gw_1.parquet")
    assert content(lake, "readings")["ts"].to_list() == [FIRST]
    assert "comes twice" in reasons(lake)


def test_an_air_fuel_ratio_named_lambda_in_a_canonical_file(tmp_path):
    rows = "".join(f"V1,2026-01-05T08:00:0{second}Z,14.{second}\n" for second in range(6))
    line, lake = ingested(tmp_path, "unit_id,ts,lambda_b1s1\n" + rows, name="other.csv")
    assert line["status"] == "refused"
    assert 'unit = "afr", stoichiometric = 14.7' in line["reason"]
    assert content(lake, "readings").height == 0 and rejects(lake) == []


# -- habits of loggers -------------------------------------------------------------------------------------

HABITS = """
V1;05.01.2026;08:00:00;0,00;20;x
V1;05.01.2026;08:00:01;0,00;20;x
V1;05.01.2026;08:00:02;800;20;x
V1;05.01.2026;08:00:03;800;21;x
V1;05.01.2026;09:00:00;800;21;x
V1;05.01.2026;09:00:01;820;21;x
"""


@pytest.mark.parametrize(
    ("habit", "rpm", "coolant", "kept"),
    [
        ("zeros_before_first", [None, None, 800, 800, 800, 820], [20, 20, 20, 21, 21, 21], 6),
        ("holds_last_value", [0, 800, None, 800, 820], [20, None, 21, 21, None], 5),
        ("repeats_before_first", [0, 0, 800, 800, 820], [20, 20, 20, 21, None], 5),
    ],
)
def test_values_that_were_not_sampled(tmp_path, habit, rpm, coolant, kept):
    line, lake = ingested(tmp_path, HEADER + HABITS.lstrip(), NORTH + f"[gateway]\n{habit} = true\n")
    found = content(lake, "readings")
    assert (found["rpm"].to_list(), found["coolant_degc"].to_list()) == (rpm, coolant)
    assert (line["rows_in"], line["kept"], line["quarantined"], found.height) == (6, 6, 0, kept)
    emptied = 12 - found["rpm"].drop_nulls().len() - found["coolant_degc"].drop_nulls().len()
    assert f"{emptied} cells emptied that were not sampled ({habit})" in line["notes"]
    assert rejects(lake) == []


# -- the small tables --------------------------------------------------------------------------------------


def small(taken, columns, time="", text=""):
    lines = "".join(f'"{header}" = {{ {meaning} }}\n' for header, meaning in columns.items())
    return (
        f'name = "north"\n[files]\nmatch = ["gw_*.csv"]\n{text}[content]\ninput = "{taken}"\nabsent = ["-"]\n'
        f'[unit]\ncolumn = "Vehicle"\n{time}[columns]\n{lines}'
    )


def test_codes(tmp_path):
    time = '[time]\ncolumns = ["Seen"]\norder = "month-first"\nzone = "America/New_York"\n'
    layout = small("codes", {"DTC": 'is = "code"', "Status": 'is = "state"'}, time)
    rows = "V1,01/05/2026 02:00 PM,p0420,Confirmed\nV1,11/01/2026 01:30,P0133,pending\nV1,01/05/2026 15:00,x,pending\n"
    line, lake = ingested(tmp_path, "Vehicle,Seen,DTC,Status\n" + rows, layout)
    assert content(lake, "codes").rows() == [
        ("V1", datetime(2026, 1, 5, 19, tzinfo=UTC), "P0420", "confirmed")
    ]
    assert sorted(rejects(lake)) == [(3, "row", "Seen", "11/01/2026 01:30"), (4, "row", "DTC", "x")]


def test_onboard_tests(tmp_path):
    time = '[time]\ncolumns = ["Seen"]\norder = "spreadsheet"\nzone = "UTC"\n'
    names = ("obdmid", "tid", "uasid", "value", "min", "max")
    layout = small("onboard_tests", {name.upper(): f'is = "{name}"' for name in names}, time)
    text = "Vehicle,Seen," + ",".join(names).upper() + "\nV1,46027.25,0x01,0x89,0x0A,3689,0,65535\n"
    _, lake = ingested(tmp_path, text, layout)
    found = content(lake, "onboard_tests")
    assert found["ts"].to_list() == [datetime(2026, 1, 5, 6, tzinfo=UTC)]
    assert found["value_raw"].to_list() == [3689]


def test_register(tmp_path):
    columns = {"Engine": 'is = "engine_family"', "Fuel": 'is = "fuel"'}
    columns |= {"Size": 'is = "displacement_l", unit = "cm3"'}
    time = '[time]\ncolumns = ["Since"]\norder = "day-first"\n'
    layout = small("register", columns, time)
    rows = "V1,E1,petrol,1998,31.01.2020\nV2,E1,petrol,big,soon\nV3,E1,petrol,-,\n"
    _, lake = ingested(tmp_path, "Vehicle,Engine,Fuel,Size,Since\n" + rows, layout)
    found = content(lake, "register")
    assert found["displacement_l"].to_list() == [pytest.approx(1.998), None, None]
    assert found["in_service_on"].cast(pl.String).to_list() == ["2020-01-31", None, None]
    assert sorted(rejects(lake)) == [(3, "cell", "Since", "soon"), (3, "cell", "Size", "big")]


@pytest.mark.parametrize(
    ("sent", "size", "since"),
    [
        pytest.param("Vehicle,Engine,Fuel,Size,Since\nV1,E1,petrol,big,soon\n", 1.998, "2020-01-31", id="cells at fault"),
        pytest.param("Vehicle,Engine,Fuel,Size,Since\nV1,E1,petrol,999999,\n", 1.998, None, id="out of range, and empty"),
        pytest.param("Vehicle,Engine,Fuel,Since\nV1,E1,petrol,01.02.2020\n", 1.998, "2020-02-01", id="a column is missing"),
        pytest.param("Vehicle,Engine,Fuel,Size,Since\nV1,E1,petrol,-,31.01.2020\n", None, "2020-01-31", id="a word for empty"),
    ],
)
def test_a_register_sent_again_behind_a_layout_empties_only_what_is_empty(tmp_path, sent, size, since):
    columns = {"Engine": 'is = "engine_family"', "Fuel": 'is = "fuel"'}
    columns |= {"Size": 'is = "displacement_l", unit = "cm3", optional = true'}
    layout = small("register", columns, '[time]\ncolumns = ["Since"]\norder = "day-first"\n')
    _, lake = ingested(tmp_path, "Vehicle,Engine,Fuel,Size,Since\nV1,E1,petrol,1998,31.01.2020\n", layout)
    settings, _ = fleet(tmp_path, layouts=str(tmp_path / "layouts"))
    run(settings, lake, write(tmp_path / "gw_2.csv", sent))
    found = content(lake, "register").row(0, named=True)
    assert found["displacement_l"] == (None if size is None else pytest.approx(size))
    assert str(found["in_service_on"]) == str(since)


def test_work_orders(tmp_path):
    columns = {"Order": 'is = "order_id"', "Part": 'is = "component"', "Done": 'is = "action"'}
    columns |= {
        "Found": 'is = "finding"',
        "Miles": 'is = "odometer_km", unit = "mi"',
        "Cost": 'is = "parts_cost"',
    }
    time = '[time]\ncolumns = ["Closed"]\norder = "day-first"\n'
    layout = small("work_orders", columns, time, '[text]\ndelimiter = ";"\ndecimal = ","\nthousands = "."\n')
    rows = (
        "V1;W1;B1S1;replaced;confirmed;10.000;1.250,50;31.01.2026\n"
        "V1;W2;B1S1;replaced;confirmed;999.999.999;12.5;01.02.2026\n"
        "V1;W3;B1S1;replaced;confirmed;1;1;2026-01-31\n"
    )
    _, lake = ingested(tmp_path, "Vehicle;Order;Part;Done;Found;Miles;Cost;Closed\n" + rows, layout)
    found = content(lake, "work_orders")
    assert found["odometer_km"].to_list() == [pytest.approx(16093.44), None]
    assert found["parts_cost"].to_list() == [1250.5, None]
    assert found["closed_on"].cast(pl.String).to_list() == ["2026-01-31", "2026-02-01"]
    assert sorted(rejects(lake)) == [
        (3, "cell", "Cost", "12.5"),
        (3, "cell", "Miles", "999.999.999"),
        (4, "row", "Closed", "2026-01-31"),
    ]
