"""Unknown exports and the layouts proposed for them: every field by hand, every refusal with both readings."""

from __future__ import annotations

import gzip
import io
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline.cli import app
from pipeline.errors import ConfigError, ExportError
from pipeline.exports.items import Item
from pipeline.exports.proposing import Said, propose
from tests.faults.lakes import content, fleet, one, run, write

VIENNA = Said(zone="Europe/Vienna")


def proposed(tmp_path: Path, name: str, body: str | bytes, said: Said = Said()) -> tuple[dict, list[str]]:
    """The layout proposed for one file, and its questions."""
    made = propose(Item(write(tmp_path / "in" / name, body)), said)
    return tomllib.loads(made.text), made.questions


# Name and text of a file, what is said of it, and what its layout must hold (worked out by hand).
FILES = {
    "plain commas and instants with Z": (
        "a.csv",
        "vehicle,timestamp,Engine RPM,Coolant [degC]\nV1,2026-01-05T08:00:00Z,800,90\nV1,2026-01-05T08:00:01Z,812,90\n",
        Said(),
        {
            "files": {"match": ["a.csv"]},
            "text": {},
            "content": {"input": "readings"},
            "unit": {"column": "vehicle"},
            "time": {"columns": ["timestamp"], "order": "iso"},
            "columns": {
                "Engine RPM": {"is": "rpm", "unit": "1/min"},
                "Coolant [degC]": {"is": "coolant_degc", "unit": "degC"},
            },
        },
    ),
    "German portal: semicolons, decimal commas, preamble, date and time apart": (
        "gw_0113.csv",
        "Export Nord\nerstellt;2026\n\nFahrzeug;Datum;Uhrzeit;Drehzahl;Kühlmitteltemperatur (°C);Fahrer\n"
        "V1;13.01.2026;08:00:00;812;88,5;A. B.\nV1;13.01.2026;08:00:01;1.845;-;A. B.\n",
        VIENNA,
        {
            "files": {"match": ["gw_*.csv"]},
            "text": {"delimiter": ";", "decimal": ",", "thousands": ".", "skip_lines": 3},
            "content": {"input": "readings", "absent": ["-"], "drop": ["Fahrer"]},
            "unit": {"column": "Fahrzeug"},
            "time": {"columns": ["Datum", "Uhrzeit"], "order": "day-first", "zone": "Europe/Vienna"},
            "columns": {
                "Drehzahl": {"is": "rpm", "unit": "1/min"},
                "Kühlmitteltemperatur (°C)": {"is": "coolant_degc", "unit": "degC"},
            },
        },
    ),
    "month first, imperial units in the headers": (
        "us.csv",
        "Unit ID,Date,Speed (mph),Coolant Temp (°F),Intake Manifold Absolute Pressure [inHg]\n"
        "7,01/25/2026 8:00:00 AM,31,195,12.1\n7,01/25/2026 8:00:01 AM,31,195,12.3\n",
        Said(zone="America/New_York"),
        {
            "unit": {"column": "Unit ID"},
            "time": {"columns": ["Date"], "order": "month-first", "zone": "America/New_York"},
            "columns": {
                "Speed (mph)": {"is": "speed_kmh", "unit": "mph"},
                "Coolant Temp (°F)": {"is": "coolant_degc", "unit": "degF"},
                "Intake Manifold Absolute Pressure [inHg]": {"is": "map_kpa", "unit": "inHg"},
            },
        },
    ),
    "tabs and seconds since 1970": (
        "e.tsv",
        "device\tepoch\trpm\n9\t1767600000\t800\n9\t1767600001\t820\n",
        Said(),
        {
            "text": {"delimiter": "tab"},
            "unit": {"column": "device"},
            "time": {"columns": ["epoch"], "order": "epoch-s"},
            "columns": {"rpm": {"is": "rpm"}},
        },
    ),
    "milliseconds since 1970, millivolts told by their range": (
        "m.csv",
        "asset,ts,O2 B1S1,O2 B1S2\n9,1767600000000,120,655\n9,1767600000500,870,660\n",
        Said(),
        {
            "time": {"columns": ["ts"], "order": "epoch-ms"},
            "columns": {
                "O2 B1S1": {"is": "o2_b1s1_v", "unit": "mV"},
                "O2 B1S2": {"is": "o2_b1s2_v", "unit": "mV"},
            },
        },
    ),
    "spreadsheet days with a decimal comma": (
        "x.csv",
        "Wagen;Zeit;Drehzahl;Batteriespannung [V]\nV1;46027,3333333;800;13,9\nV1;46027,3333449;820;14,1\n",
        VIENNA,
        {
            "text": {"delimiter": ";", "decimal": ","},
            "time": {"columns": ["Zeit"], "order": "spreadsheet", "zone": "Europe/Vienna"},
            "columns": {
                "Drehzahl": {"is": "rpm", "unit": "1/min"},
                "Batteriespannung [V]": {"is": "supply_v", "unit": "V"},
            },
        },
    ),
    "times of day, the date and the vehicle in the name": (
        "veh_V12_20260113.csv",
        "Time,rpm\n08:00:00,800\n08:00:01,820\n",
        Said(zone="UTC", unit_from_name="veh_(?P<unit>[A-Z0-9]+)_"),
        {
            "files": {"match": ["veh_V*.csv"]},
            "unit": {"file_name": "veh_(?P<unit>[A-Z0-9]+)_"},
            "time": {
                "columns": ["Time"],
                "order": "clock",
                "date_from_name": "(?P<date>20\\d{6})",
                "date_pattern": "%Y%m%d",
                "zone": "UTC",
            },
            "columns": {"rpm": {"is": "rpm"}},
        },
    ),
    "seconds since midnight": (
        "log_2026-01-13.csv",
        "van,seconds,rpm\nV1,28800,800\nV1,28801,820\n",
        VIENNA,
        {
            "unit": {"column": "van"},
            "time": {
                "columns": ["seconds"],
                "order": "seconds-of-day",
                "date_from_name": "(?P<date>20\\d{2}-\\d{2}-\\d{2})",
                "date_pattern": "%Y-%m-%d",
                "zone": "Europe/Vienna",
            },
        },
    ),
    "Korean code page": (
        "k.csv",
        "차량번호,일시,엔진 회전수,냉각수온(℃)\nV1,2026-01-13 08:00:00,800,90\nV1,2026-01-13 08:00:01,820,90\n".encode("cp949"),
        Said(zone="Asia/Seoul"),
        {
            "text": {"encoding": "cp949"},
            "unit": {"column": "차량번호"},
            "time": {"columns": ["일시"], "order": "iso", "zone": "Asia/Seoul"},
            "columns": {
                "엔진 회전수": {"is": "rpm", "unit": "1/min"},
                "냉각수온(℃)": {"is": "coolant_degc", "unit": "degC"},
            },
        },
    ),
    "long form": (
        "l.csv",
        "vehicle,time,signal,value\nV1,2026-01-05T08:00:00Z,Engine speed,800\n"
        "V1,2026-01-05T08:00:00Z,SHRTFT1 [%],2.3\nV1,2026-01-05T08:00:00Z,Wiper,1\n",
        Said(),
        {
            "content": {"input": "readings", "form": "long"},
            "columns": {"signal": {"is": "signal"}, "value": {"is": "value"}},
            "signals": {
                "Engine speed": {"is": "rpm", "unit": "1/min"},
                "SHRTFT1 [%]": {"is": "stft_b1_pct", "unit": "%"},
            },
        },
    ),
    "raw answers": (
        "r.csv",
        "car,when date,answer\nV1,2026-01-05T08:00:00Z,410C0C80\nV1,2026-01-05T08:00:01Z,41 05 7B\n",
        Said(),
        {
            "content": {"input": "readings", "form": "raw"},
            "columns": {"answer": {"is": "response"}},
        },
    ),
    "trouble codes": (
        "c.csv",
        "vehicle;date;DTC;Status\nV1;2026-01-05T08:00:00Z;P0420;pending\n",
        Said(),
        {
            "content": {"input": "codes"},
            "columns": {"DTC": {"is": "code"}, "Status": {"is": "state"}},
        },
    ),
    "canonical names need no unit": (
        "n.csv",
        "unit_id,ts,coolant_degc,maf_gs\nV1,2026-01-05T08:00:00Z,20,3.5\n",
        Said(),
        {"columns": {"coolant_degc": {"is": "coolant_degc"}, "maf_gs": {"is": "maf_gs"}}},
    ),
    "work orders dated by a day": (
        "w.csv",
        "order_id;vehicle;closed;component;action;finding\nA1;V1;31.01.2026;B1S1;replaced;confirmed\n",
        Said(),
        {
            "content": {"input": "work_orders"},
            "unit": {"column": "vehicle"},
            "time": {"columns": ["closed"], "order": "day-first"},
            "columns": {name: {"is": name} for name in ("order_id", "component", "action", "finding")},
        },
    ),
    "register": (
        "reg.csv",
        "vehicle,engine_family,fuel,in_service_on\nV1,T12,petrol,2024-05-31\n",
        Said(),
        {
            "content": {"input": "register"},
            "time": {"columns": ["in_service_on"], "order": "iso"},
            "columns": {"engine_family": {"is": "engine_family"}, "fuel": {"is": "fuel"}},
        },
    ),
    "air-fuel ratio whose fuel is said": (
        "afr.csv",
        "vehicle,ts,Lambda B1S1\nV1,2026-01-05T08:00:00Z,14.6\nV1,2026-01-05T08:00:01Z,14.9\n",
        Said(stoichiometric=14.7),
        {"columns": {"Lambda B1S1": {"is": "lambda_b1s1", "unit": "afr", "stoichiometric": 14.7}}},
    ),
    "thousands by apostrophe": (
        "t.csv",
        "vehicle;ts;rpm;MAF [g/s]\nV1;2026-01-05T08:00:00Z;1'800;4.5\nV1;2026-01-05T08:00:01Z;1'810;4.75\n",
        Said(),
        {
            "text": {"delimiter": ";", "thousands": "'"},
            "columns": {"rpm": {"is": "rpm"}, "MAF [g/s]": {"is": "maf_gs", "unit": "g/s"}},
        },
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", FILES)
def test_proposed_layout(tmp_path: Path, case: str) -> None:
    name, body, said, wanted = FILES[case]
    layout, _ = proposed(tmp_path, name, body, said)
    for section, fields in wanted.items():
        assert layout.get(section, {}) == fields, section


@pytest.mark.parametrize("case", FILES)
def test_the_sample_is_read_through_its_layout(tmp_path: Path, case: str) -> None:
    name, body, said, _ = FILES[case]
    path = write(tmp_path / "in" / name, body)
    write(tmp_path / "layouts" / "own.toml", propose(Item(path), said).text)
    settings, lake = fleet(tmp_path, layouts=str(tmp_path / "layouts"))
    line = one(run(settings, lake, path))
    assert (line["status"], line["quarantined"]) == ("read", 0), line["reason"] or lake.read("quarantine").rows()
    assert line["kept"] == line["rows_in"] > 0


def test_values_arrive_in_canonical_units(tmp_path: Path) -> None:
    name, body, said, _ = FILES["month first, imperial units in the headers"]
    path = write(tmp_path / "in" / name, body)
    write(tmp_path / "layouts" / "own.toml", propose(Item(path), said).text)
    settings, lake = fleet(tmp_path, layouts=str(tmp_path / "layouts"))
    run(settings, lake, path)
    row = content(lake, "readings").row(0, named=True)
    assert row["ts"] == datetime(2026, 1, 25, 13, tzinfo=UTC)
    # 31 mph, 195 degF and 12.1 inHg by NIST SP 811.
    assert row["speed_kmh"] == pytest.approx(49.889664)
    assert row["coolant_degc"] == pytest.approx(90.55556)
    assert row["map_kpa"] == pytest.approx(40.97530, abs=1e-4)


READ = "vehicle,ts,rpm,{}\nV1,2026-01-05T08:00:00Z,800,{}\nV1,2026-01-05T08:00:01Z,820,{}\n"


@pytest.mark.parametrize(
    ("header", "cells", "readings"),
    [
        pytest.param("Speed", (0, 50), ("km/h", "mph"), id="speed without unit"),
        pytest.param("Odometer", (100000, 100001), ("km", "mi"), id="distance without unit"),
        pytest.param("Coolant temp", (88, 90), ("degC", "degF"), id="temperature of either scale"),
        pytest.param("Lambda B1S1", (14.6, 14.8), ("air-fuel ratio", "--stoichiometric"), id="air-fuel ratio"),
        pytest.param("Lambda B1S1 sensor", (0.7, 0.9), ("lambda_b1s1", "o2_b1s1_v"), id="lambda or volts"),
        pytest.param("Xyz", (1, 2), ("not a word that is known", "1, 2"), id="unknown word"),
    ],
)
def test_what_it_cannot_know_is_asked_and_left_out(tmp_path: Path, header, cells, readings) -> None:
    layout, questions = proposed(tmp_path, "a.csv", READ.format(header, *cells))
    assert set(layout["columns"]) == {"rpm"}
    assert len(questions) == 1
    assert all(reading in questions[0] for reading in (header, *readings))


def test_range_rules_a_unit_out(tmp_path: Path) -> None:
    layout, questions = proposed(tmp_path, "a.csv", READ.format("Coolant temp", 185, 195))
    assert layout["columns"]["Coolant temp"] == {"is": "coolant_degc", "unit": "degF"}
    assert not questions


def test_canonical_units_when_said(tmp_path: Path) -> None:
    layout, questions = proposed(tmp_path, "a.csv", READ.format("Speed", 0, 50), Said(canonical=True))
    assert layout["columns"]["Speed"] == {"is": "speed_kmh", "unit": "km/h"}
    assert not questions


def test_held_values_are_asked(tmp_path: Path) -> None:
    rows = [f"V1,2026-01-05T08:{n // 60:02}:{n % 60:02}Z,{800 + n // 40},{n % 7}\n" for n in range(400)]
    made = propose(Item(write(tmp_path / "a.csv", "vehicle,ts,rpm,x\n" + "".join(rows))), Said())
    assert "# holds_last_value = true" in made.text
    assert any("'rpm'" in question and "hold the last value" in question for question in made.questions)


REFUSALS = {
    "date order": (
        "vehicle,ts,rpm\nV1,03/04/2026 08:00:00,800\n",
        Said(zone="UTC"),
        ("03/04/2026 08:00:00", "3 April 2026 (day first)", "4 March 2026 (month first)", "--order"),
    ),
    "two orders": (
        "vehicle,ts,rpm\nV1,13/04/2026 08:00:00,800\nV1,04/13/2026 08:00:00,800\n",
        Said(zone="UTC"),
        ("13/04/2026", "04/13/2026", "two orders"),
    ),
    "another order than said": (
        "vehicle,ts,rpm\nV1,13/04/2026 08:00:00,800\n",
        Said(zone="UTC", order="month-first"),
        ("13/04/2026", "day-first, not month-first"),
    ),
    "zone": (
        "vehicle,ts,rpm\nV1,2026-01-05 08:00:00,800\n",
        Said(fleet_zone="Europe/Vienna"),
        ("2026-01-05 08:00:00 UTC if it is UTC", "2026-01-05 07:00:00 UTC if it is Europe/Vienna", "--zone"),
    ),
    "decimal comma or thousands": (
        "vehicle;ts;rpm\nV1;2026-01-05T08:00:00Z;1,234\n",
        Said(),
        ("'1,234' can be 1.234", "1234", "--decimal"),
    ),
    "no vehicle": (
        "ts,rpm\n2026-01-05T08:00:00Z,800\n",
        Said(),
        ("no column is known to name the vehicle", "--unit-column", "--unit-from-name"),
    ),
    "two vehicles": (
        "vehicle,plate,ts,rpm\nV1,W1,2026-01-05T08:00:00Z,800\n",
        Said(),
        ("'vehicle' and 'plate' may name it", "--unit-column"),
    ),
    "no time": ("vehicle,rpm\nV1,800\n", Said(), ("no column holds times", "'rpm'")),
    "no signal": ("vehicle,ts,foo\nV1,2026-01-05T08:00:00Z,bar\n", Said(), ("no header is known as a signal", "'foo'")),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSALS)
def test_refusals_show_both_readings(tmp_path: Path, case: str) -> None:
    text, said, words = REFUSALS[case]
    with pytest.raises(ConfigError) as told:
        proposed(tmp_path, "a.csv", text, said)
    for word in words:
        assert word in str(told.value)


def test_the_order_of_dates_as_said(tmp_path: Path) -> None:
    text = REFUSALS["date order"][0]
    layout, _ = proposed(tmp_path, "a.csv", text, Said(zone="UTC", order="month-first"))
    assert layout["time"]["order"] == "month-first"


@pytest.mark.parametrize(
    ("name", "body", "why"),
    [
        ("a.csv", b"", "empty"),
        ("a.csv", b"vehicle,ts,rpm\n", "no rows"),
        ("a.csv", b"\x00\x01\x02" * 500, "NUL"),
        ("a.csv", b"only one column\n1\n2\n", "is it a table"),
        ("a.csv.gz", b"\x1f\x8bbroken", "damaged"),
        ("a.parquet", b"PAR1 no", "Parquet"),
    ],
)
def test_files_that_are_no_tables(tmp_path: Path, name: str, body: bytes, why: str) -> None:
    with pytest.raises((ExportError, ConfigError), match=why):
        proposed(tmp_path, name, body)


def test_packed_and_typed_files(tmp_path: Path) -> None:
    text = "vehicle,ts,rpm\nV1,2026-01-05T08:00:00Z,800\n"
    layout, _ = proposed(tmp_path, "a.csv.gz", gzip.compress(text.encode()))
    assert layout["time"] == {"columns": ["ts"], "order": "iso"}
    lines = '{"vehicle": "V1", "ts": "2026-01-05T08:00:00Z", "rpm": 800}\n'
    layout, _ = proposed(tmp_path, "a.ndjson", lines)
    assert layout["columns"] == {"rpm": {"is": "rpm"}}
    naive = [datetime(2026, 1, 5, 8) + timedelta(seconds=n) for n in range(3)]
    body = io.BytesIO()
    pl.DataFrame({"vehicle": ["V1"] * 3, "at": naive, "rpm": [800.0, 810.0, 820.0]}).write_parquet(body)
    with pytest.raises(ConfigError, match="--zone"):
        proposed(tmp_path, "a.parquet", body.getvalue())
    layout, _ = proposed(tmp_path, "a.parquet", body.getvalue(), VIENNA)
    assert layout["time"] == {"columns": ["at"], "order": "iso", "zone": "Europe/Vienna"}


# -- the command line ------------------------------------------------------------------------------------------


def test_command_writes_whole_and_never_over(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", FILES["plain commas and instants with Z"][1])
    out = tmp_path / "own.toml"
    first = CliRunner().invoke(app, ["layout", "propose", str(path), "--out", str(out)])
    assert first.exit_code == 0, first.output
    before = out.read_text(encoding="utf-8")
    again = CliRunner().invoke(app, ["layout", "propose", str(path), "--out", str(out)])
    assert isinstance(again.exception, ConfigError) and "is there already" in str(again.exception)
    assert out.read_text(encoding="utf-8") == before
    checked = CliRunner().invoke(app, ["layout", "check", str(out), str(path)])
    assert checked.exit_code == 0
    assert "2 rows in, 2 kept, 0 set aside" in checked.output
    assert "signals: coolant_degc rpm" in checked.output
    assert "2026-01-05 08:00:01 UTC" in checked.output


def test_refusal_ends_with_code_2() -> None:
    assert ConfigError.exit_code == 2


def test_check_says_what_is_set_aside_and_fails_on_refusal(tmp_path: Path) -> None:
    layout = write(
        tmp_path / "own.toml",
        '[files]\nmatch = ["x.csv"]\n[content]\ninput = "readings"\n[unit]\ncolumn = "v"\n'
        '[time]\ncolumns = ["t"]\norder = "iso"\nzone = "UTC"\n[columns]\n"n" = { is = "rpm" }\n',
    )
    good = write(tmp_path / "a.csv", "v,t,n\nV1,2026-01-05 08:00:00,800\nV1,yesterday,810\n")
    told = CliRunner().invoke(app, ["layout", "check", str(layout), str(good)])
    assert told.exit_code == 0
    assert "2 rows in, 1 kept, 1 set aside" in told.output
    assert "first at line 3" in told.output
    other = write(tmp_path / "b.csv", "v,t,m\nV1,2026-01-05 08:00:00,800\n")
    told = CliRunner().invoke(app, ["layout", "check", str(layout), str(other)])
    assert told.exit_code == 1
    assert "refused" in told.output
