"""Rows and cells that cannot be used: named with line, column, value and reason while the rest is kept."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import polars as pl
import pytest

from tests.faults.lakes import content, fleet, one, reasons, rejects, run, write

HEADER = "unit_id,ts,rpm,coolant_degc,o2_b1s1_v\n"
GOOD = "V1,2026-01-05T08:00:00Z,800,90,0.45\n"


def read(tmp_path: Path, text: str | bytes, name: str = "a.csv") -> tuple[dict[str, object], object]:
    """Summary line and lake after reading one file."""
    settings, lake = fleet(tmp_path)
    return one(run(settings, lake, write(tmp_path / name, text))), lake


@pytest.mark.parametrize(
    ("row", "column", "value", "why"),
    [
        pytest.param(
            "V2,2026-01-05T08:00:00Z,800,90", "", "V2,2026-01-05T08:00:00Z,800,90", "4 cells", id="too few"
        ),
        pytest.param(
            "V2,2026-01-05T08:00:00Z,1,2,0.1,9", "", "V2,2026-01-05T08:00:00Z,1,2,0.1,9", "6 cells", id="many"
        ),
        pytest.param(
            "V2,2026-01-05T08:00:00Z,\0,2,0.1", "", "V2,2026-01-05T08:00:00Z,\0,2,0.1", "NUL", id="nul"
        ),
        pytest.param(
            'V2,"2026-01-05T08:00:00Z,1,2,0.1',
            "",
            'V2,"2026-01-05T08:00:00Z,1,2,0.1',
            "not closed",
            id="quote",
        ),
        pytest.param(",2026-01-05T08:00:00Z,1,2,0.1", "unit_id", "", "no unit", id="no unit"),
        pytest.param("  ,2026-01-05T08:00:00Z,1,2,0.1", "unit_id", "", "no unit", id="blank unit"),
        pytest.param("V2,,1,2,0.1", "ts", "", "no time", id="no time"),
        pytest.param(
            "V2,2026-01-05T08:00:00,1,2,0.1", "ts", "2026-01-05T08:00:00", "with an offset or Z", id="naive"
        ),
        pytest.param(
            "V2,2026-01-05 08:00,1,2,0.1", "ts", "2026-01-05 08:00", "with an offset or Z", id="naive short"
        ),
        pytest.param("V2,05.01.2026 08:00,1,2,0.1", "ts", "05.01.2026 08:00", "ISO-8601", id="other date"),
        pytest.param(
            "V2,2026-02-30T08:00:00Z,1,2,0.1", "ts", "2026-02-30T08:00:00Z", "ISO-8601", id="no such day"
        ),
        pytest.param(
            "V2,1995-12-31T23:59:59Z,1,2,0.1", "ts", "1995-12-31T23:59:59Z", "1996 to 2100", id="too early"
        ),
        pytest.param(
            "V2,2101-01-01T00:00:00Z,1,2,0.1", "ts", "2101-01-01T00:00:00Z", "1996 to 2100", id="too late"
        ),
        pytest.param("V2,2026-01-05T08:00:00Z,,,", "", "", "no signal sampled", id="nothing sampled"),
        pytest.param("V2,2026-01-05T08:00:00Z,,NaN,", "", "", "no signal sampled", id="only nan"),
        pytest.param("V2,2026-01-05T08:00:00Z,x,,7", "rpm", "x", "no other signal", id="no cell usable"),
    ],
)
def test_row_is_quarantined(tmp_path: Path, row: str, column: str, value: str, why: str) -> None:
    line, lake = read(tmp_path, HEADER + GOOD + row + "\n" + GOOD.replace("V1", "V3"))
    assert (line["rows_in"], line["kept"], line["quarantined"], line["duplicates"]) == (3, 2, 1, 0)
    assert rejects(lake) == [(3, "row", column, value)]
    assert why in reasons(lake)
    assert content(lake, "readings")["unit_id"].to_list() == ["V1", "V3"]


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        pytest.param("16384", "outside 0 to 16383.8 1/min", id="above"),
        pytest.param("-1", "outside", id="below"),
        pytest.param("inf", "outside", id="infinite"),
        pytest.param("-Infinity", "outside", id="minus infinite"),
        pytest.param("1e999", "outside", id="overflow"),
        pytest.param("fast", "not a number", id="word"),
        pytest.param("0x1F", "not a number", id="hexadecimal"),
        pytest.param('"1,5"', "not a number", id="decimal comma"),
    ],
)
def test_cell_is_emptied_and_its_row_kept(tmp_path: Path, cell: str, why: str) -> None:
    line, lake = read(tmp_path, HEADER + f"V1,2026-01-05T08:00:00Z,{cell},90,\n")
    assert (line["kept"], line["quarantined"]) == (1, 0)
    (number, scope, column, _), *more = rejects(lake)
    assert (number, scope, column, more) == (2, "cell", "rpm", [])
    assert why in reasons(lake)
    assert content(lake, "readings").select("rpm", "coolant_degc").row(0) == (None, 90.0)


def test_limits_themselves_are_kept(tmp_path: Path) -> None:
    text = (
        "unit_id,ts,rpm,supply_v,o2_b1s1_v,load_pct\n"
        "V1,2026-01-05T08:00:00Z,16383.75,65.535,1.5,0\n"
        "V1,2026-01-05T08:00:01Z,16383.76,65.536,-1.01,-0.01\n"
        "V1,2026-01-05T08:00:02Z,0,0,-1,100\n"
    )
    line, lake = read(tmp_path, text)
    assert (line["kept"], line["quarantined"]) == (2, 1)
    assert [item[:3] for item in rejects(lake)] == [(3, "row", "rpm")]
    assert content(lake, "readings").select("rpm", "o2_b1s1_v", "load_pct").rows() == [
        (16383.75, 1.5, 0.0),
        (0.0, -1.0, 100.0),
    ]


def test_coded_values(tmp_path: Path) -> None:
    rows = "".join(
        f"V{n},2026-01-05T08:00:00Z,800,{status},{lamp}\n"
        for n, (status, lamp) in enumerate(
            [("2", "true"), ("3", "False"), ("16", "1"), ("0", "0.5"), ("2.0", "maybe")]
        )
    )
    line, lake = read(tmp_path, "unit_id,ts,rpm,fuel_status_b1,mil_on\n" + rows)
    assert line["kept"] == 5
    assert [item[:3] for item in rejects(lake)] == [
        (3, "cell", "fuel_status_b1"),
        (5, "cell", "mil_on"),
        (6, "cell", "mil_on"),
    ]
    kept = content(lake, "readings").select("fuel_status_b1", "mil_on").rows()
    assert kept == [(2.0, 1.0), (None, 0.0), (16.0, 1.0), (0.0, None), (2.0, None)]


def test_one_bad_cell_does_not_shift_the_lines_of_the_others(tmp_path: Path) -> None:
    rows = "".join(f"V1,2026-01-05T08:00:{n:02}Z,{n},,\n" for n in range(60))
    text = HEADER + rows.replace(",30,,", ",bad,90,").replace(",40,,", ",99999,90,") + "\n\nV2,oops,1,,\n"
    line, lake = read(tmp_path, text)
    assert (line["rows_in"], line["kept"], line["quarantined"]) == (61, 60, 1)
    assert [item[:3] for item in rejects(lake)] == [
        (32, "cell", "rpm"),
        (42, "cell", "rpm"),
        (64, "row", "ts"),
    ]


def test_bom_crlf_blank_lines_quotes_and_a_missing_last_line_end(tmp_path: Path) -> None:
    text = HEADER + GOOD + '\n"V2","2026-01-05T08:00:00Z","800","",0.2\n   \nV3,2026-01-05T08:00:00Z,,80,"0.3"'
    line, lake = read(tmp_path, b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert (line["rows_in"], line["kept"]) == (3, 3)
    assert content(lake, "readings").select("unit_id", "rpm", "coolant_degc").rows() == [
        ("V1", 800.0, 90.0),
        ("V2", 800.0, None),
        ("V3", None, 80.0),
    ]


def test_balanced_commas_do_not_hide_ragged_rows(tmp_path: Path) -> None:
    text = HEADER + GOOD + "V2,2026-01-05T08:00:00Z,1,2\nV2,2026-01-05T08:00:01Z,1,2,0.1,5\n"
    line, lake = read(tmp_path, text)
    assert (line["kept"], line["quarantined"]) == (1, 2)
    assert [item[0] for item in rejects(lake)] == [3, 4]


@pytest.mark.parametrize(
    ("stamp", "instant"),
    [
        ("2026-01-05T08:00:00+02:00", datetime(2026, 1, 5, 6)),
        ("2026-01-05T08:00:00-0330", datetime(2026, 1, 5, 11, 30)),
        ("2026-01-05 08:00:00.25+00", datetime(2026, 1, 5, 8, 0, 0, 250_000)),
        ("2026-01-05T08:00:00,123456z", datetime(2026, 1, 5, 8, 0, 0, 123_456)),
        ("2026-01-05T08:00Z", datetime(2026, 1, 5, 8)),
        ("2026-01-05T00:30:00 +01:00", datetime(2026, 1, 4, 23, 30)),
    ],
)
def test_iso_8601_forms(tmp_path: Path, stamp: str, instant: datetime) -> None:
    """ISO 8601-1, clauses 5.3 and 5.4: basic and extended offsets, fractions with a comma or a point."""
    cell = f'"{stamp}"' if "," in stamp else stamp
    line, lake = read(tmp_path, f"unit_id,ts,rpm\nV1,{cell},800\n")
    assert line["kept"] == 1
    kept = content(lake, "readings").row(0, named=True)
    assert kept["ts"].replace(tzinfo=None) == instant
    assert kept["day"] == instant.date()


def test_parquet_timestamp_without_zone(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    frame = pl.DataFrame({"unit_id": ["V1", "V2"], "ts": [datetime(2026, 1, 5)] * 2, "rpm": [800, 900]})
    frame.write_parquet(tmp_path / "a.parquet")
    line = one(run(settings, lake, tmp_path / "a.parquet"))
    assert (line["rows_in"], line["quarantined"]) == (2, 2)
    assert [item[:3] for item in rejects(lake)] == [(1, "row", "ts"), (2, "row", "ts")]
    assert "write the time with an offset or Z" in reasons(lake)


def test_parquet_column_types(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    instant = pl.Series([datetime(2026, 1, 5, 8)] * 3).cast(pl.Datetime("ns", "Europe/Vienna"))
    frame = pl.DataFrame(
        {
            "unit_id": pl.Series(["V1", "V2", "V3"], dtype=pl.Categorical),
            "ts": instant,
            "rpm": pl.Series([800, 900, 20000], dtype=pl.Int32),
            "coolant_degc": ["90", "hot", None],
            "mil_on": [True, False, None],
            "speed_kmh": pl.Series(["1.5", "2.5", "3.5"]).cast(pl.Decimal(10, 2)),
            "odometer_km": pl.Series([None, None, None], dtype=pl.Null),
            "latitude": [48.0, 48.0, 48.0],
        }
    )
    frame.write_parquet(tmp_path / "a.parquet")
    line = one(run(settings, lake, tmp_path / "a.parquet"))
    assert (line["kept"], line["dropped"]) == (3, "latitude")
    assert rejects(lake) == [(2, "cell", "coolant_degc", "hot"), (3, "cell", "rpm", "20000.0")]
    kept = content(lake, "readings").select("ts", "rpm", "coolant_degc", "mil_on", "speed_kmh").rows()
    assert [row[1:] for row in kept] == [
        (800.0, 90.0, 1.0, 1.5),
        (900.0, None, 0.0, 2.5),
        (None, None, None, 3.5),
    ]
    assert kept[0][0] == instant[0]


@pytest.mark.parametrize(
    ("stamp", "why"),
    [(1767600000, "not an ISO-8601 instant"), (date(2026, 1, 5), "Date is not a time"), (None, "no time")],
)
def test_parquet_column_that_is_no_time(tmp_path: Path, stamp: object, why: str) -> None:
    settings, lake = fleet(tmp_path)
    pl.DataFrame({"unit_id": [7], "ts": [stamp], "rpm": [800]}).write_parquet(tmp_path / "a.parquet")
    assert one(run(settings, lake, tmp_path / "a.parquet"))["quarantined"] == 1
    assert why in reasons(lake)


def test_two_values_for_one_instant(tmp_path: Path) -> None:
    text = HEADER + GOOD + "V1,2026-01-05T08:00:00Z,810,,0.45\nV1,2026-01-05T08:00:00Z,790,90,\n"
    line, lake = read(tmp_path, text)
    assert (line["rows_in"], line["kept"], line["duplicates"]) == (3, 3, 0)
    assert rejects(lake) == [(3, "cell", "rpm", "810.0"), (4, "cell", "rpm", "790.0")]
    assert "810.0 and 800.0; the smaller stays" in reasons(lake)
    assert "790.0 and 800.0; the smaller stays" in reasons(lake)
    assert content(lake, "readings").select("rpm", "coolant_degc", "o2_b1s1_v").rows() == [
        (790.0, 90.0, pytest.approx(0.45))
    ]


def test_small_tables_with_bad_rows_and_cells(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    codes = write(
        tmp_path / "codes.csv",
        "unit_id,ts,code,state\n"
        "V1,2026-01-05T08:00:00Z,p0420-00,Confirmed\n"
        "V1,2026-01-05T08:00:00Z,,cleared\n"
        "V1,2026-01-05T09:00:00Z,P0420,cleared\n"
        "V1,2026-01-05T08:00:00Z,,pending\n"
        "V1,2026-01-05T08:00:00Z,X0420,pending\n"
        "V1,2026-01-05T08:00:00Z,P4420,pending\n"
        "V1,2026-01-05T08:00:00Z,P0420,active\n"
        "V1,yesterday,P0420,pending\n"
        "V1,2026-01-05T08:00:00Z,P0420\n",
    )
    line = one(run(settings, lake, codes))
    assert (line["rows_in"], line["kept"], line["quarantined"]) == (9, 3, 6)
    assert content(lake, "codes").select("code", "state").rows() == [
        ("", "cleared"),
        ("P0420", "confirmed"),
        ("", "cleared"),
    ]
    assert [item[0::2][:2] for item in rejects(lake)] == [
        (5, "code"), (6, "code"), (7, "code"), (8, "state"), (9, "ts"), (10, ""),
    ]  # fmt: skip
    register = write(
        tmp_path / "register.csv",
        "unit_id,engine_family,model_year,fuel,banks,upstream_sensor,displacement_l,depot,in_service_on,"
        "vin,driver name\n"
        'V1,T12,2017,Petrol,1,narrowband,1.2,"North\nYard",2017-12-05,XX1,Ann\n'
        "V2,T12,17,steam,3,wide,-1,,05.12.2017,XX2,Bob\n"
        ",T12,2017,petrol,1,narrowband,1.2,North,2017-12-05,XX3,Cy\n",
    )
    line = one(run(settings, lake, register))
    assert (line["kept"], line["quarantined"], line["dropped"]) == (2, 1, "vin driver_name")
    rows = content(lake, "register").rows()
    assert rows[0][1:8] == ("T12", 2017, "petrol", 1, "narrowband", 1.2, "North\nYard")
    assert rows[1] == ("V2", "T12", None, None, None, None, None, None, None, None)
    cells = lake.read("quarantine").filter(pl.col("file").str.ends_with("register.csv"))
    assert cells.filter(pl.col("line") == 4)["column"].to_list() == [
        "banks", "displacement_l", "fuel", "in_service_on", "model_year", "upstream_sensor",
    ]  # fmt: skip
    assert cells.filter(pl.col("scope") == "row").select("line", "column").rows() == [(5, "unit_id")]


def test_work_orders_with_unknown_words(tmp_path: Path) -> None:
    line, lake = read(
        tmp_path,
        "order_id,unit_id,closed_on,odometer_km,component,action,finding,cause,parts_cost,labour_h\n"
        "W1,V1,2026-01-08,140315,b1s2,Replaced,confirmed,aged,64.47,0.6\n"
        "W2,V1,2026-01-08,,B3S1,replaced,confirmed,,,\n"
        "W3,V1,2026-01-08,,B1S1,washed,confirmed,,,\n"
        "W4,V1,2026-01-08,,B1S1,replaced,,,,\n"
        "W5,V1,08.01.2026,,B1S1,replaced,unknown,,,\n"
        ",V1,2026-01-08,,B1S1,replaced,unknown,,,\n"
        "W7,V1,2026-01-08 00:00:00,far,CAT1,inspected,no_fault_found,,-5,\n"
        "W8,V1,2026-01-08,,B1S1,replaced,looks fine,,,\n",
    )
    assert (line["kept"], line["quarantined"]) == (3, 5)
    assert [item[:3] for item in rejects(lake)] == [
        (3, "row", "component"),
        (4, "row", "action"),
        (6, "row", "closed_on"),
        (7, "row", "order_id"),
        (8, "cell", "odometer_km"),
        (8, "cell", "parts_cost"),
        (9, "row", "finding"),
    ]
    # Without a finding the part was exchanged all the same: losing the row would lose the break in its history.
    assert content(lake, "work_orders").select("order_id", "component", "odometer_km", "finding").rows() == [
        ("W1", "B1S2", 140315.0, "confirmed"),
        ("W4", "B1S1", None, "unknown"),
        ("W7", "CAT1", None, "no_fault_found"),
    ]


def test_onboard_tests_with_bad_numbers(tmp_path: Path) -> None:
    line, lake = read(
        tmp_path,
        "unit_id,ts,obdmid,tid,uasid,value,min,max\n"
        "V1,2026-01-05T08:00:00Z,0x01,0x05,0x10,0x0055,0,120\n"
        "V1,2026-01-05T08:00:00Z,0x101,5,16,85,0,120\n"
        "V1,2026-01-05T08:00:00Z,1,5,16,65536,0,120\n"
        "V1,2026-01-05T08:00:00Z,1,5,16,85.5,0,120\n"
        "V1,2026-01-05T08:00:00Z,1,6,,85,0,120\n"
        "V1,2026-01-05T08:00:00Z,1,7,0xFE,85,0,120\n"
        "V1,2026-01-05T08:00:00Z,1,8,16,0,0,0\n",
    )
    assert (line["kept"], line["quarantined"]) == (3, 4)
    assert [item[:3] for item in rejects(lake)] == [
        (3, "row", "obdmid"),
        (4, "row", "value"),
        (5, "row", "value"),
        (6, "row", "uasid"),
        (7, "cell", "uasid"),
    ]
    assert content(lake, "onboard_tests").select("tid", "value_raw", "value", "max", "has_run").rows() == [
        (5, 85, 85.0, 120.0, True),
        (7, 85, 85.0, 120.0, True),
        (8, 0, 0.0, 0.0, False),
    ]
