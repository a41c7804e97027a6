"""Bad rows in long and raw exports: named with line, column, value and reason; the counts add up."""

from __future__ import annotations

import gzip
import io

import polars as pl
import pytest

from tests.faults.lakes import content, fleet, one, reasons, rejects, run, write

LONG = (
    "unit_id,ts,signal,value,unit\n"
    "V1,2026-01-05T08:00:00Z,rpm,800,1/min\n"
    "V1,2026-01-05T08:00:00Z,coolant_degc,90,degC\n"
    "V1,2026-01-05T08:00:01Z,o2_b1s1_v,0.45,\n"
)
RAW = (
    "unit_id,ts,response\n"
    "V1,2026-01-05T08:00:00Z,41 0C 0C 80\n"
    "V1,2026-01-05T08:00:00Z,41057B\n"
    "V1,2026-01-05T08:00:01Z,41 14 5A 80\n"
)
FORMS = {"long": LONG, "raw": RAW}


def balanced(line: dict[str, object]) -> tuple[int, int, int, int]:
    """Counts of a file, checked to add up."""
    counts = tuple(line[name] for name in ("rows_in", "kept", "quarantined", "duplicates"))
    assert counts[0] == sum(counts[1:])
    return counts


def test_long_and_raw_end_in_the_same_rows_as_wide(tmp_path):
    rows = []
    for form, text in FORMS.items():
        setup = fleet(tmp_path / form)
        line = one(run(*setup, write(tmp_path / form / "a.csv", text)))
        assert (line["kind"], balanced(line)) == ("readings", (3, 3, 0, 0))
        found = content(setup[1], "readings").select("unit_id", "ts", "rpm", "coolant_degc", "o2_b1s1_v")
        rows.append(found.with_columns(pl.col("coolant_degc") - found["coolant_degc"][0]).rows())
        assert found["coolant_degc"][0] == (90 if form == "long" else 83)
    assert rows[0] == rows[1]
    assert [row[2:] for row in rows[0]] == [(800.0, 0.0, None), (None, None, pytest.approx(0.45))]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("packing", ["csv.gz", "parquet", "crlf"])
def test_every_packing_gives_the_same(tmp_path, form, packing):
    plain, packed = fleet(tmp_path / "plain"), fleet(tmp_path / "packed")
    run(*plain, write(tmp_path / "a.csv", FORMS[form]))
    name = "b.csv" if packing == "crlf" else f"b.{packing}"
    path = write(tmp_path / name, gzip.compress(FORMS[form].encode()))
    if packing == "parquet":
        pl.read_csv(io.StringIO(FORMS[form]), try_parse_dates=True).write_parquet(path)
    elif packing == "crlf":
        write(path, FORMS[form].replace("\n", "\r\n"))
    assert balanced(one(run(*packed, path))) == (3, 3, 0, 0)
    assert content(packed[1], "readings").equals(content(plain[1], "readings"))


@pytest.mark.parametrize("form", FORMS)
def test_the_same_rows_again_are_duplicates(tmp_path, form):
    setup = fleet(tmp_path)
    run(*setup, write(tmp_path / "a.csv", FORMS[form]))
    before = content(setup[1], "readings")
    text = FORMS[form].replace("\n", ",x\n")
    assert balanced(one(run(*setup, write(tmp_path / "b.csv", text)))) == (3, 0, 0, 3)
    assert content(setup[1], "readings").equals(before)


@pytest.mark.parametrize(
    ("row", "column", "value", "words"),
    [
        ("V1,2026-01-05T08:00:02Z,rpms,800,", "signal", "rpms", "not a signal"),
        ("V1,2026-01-05T08:00:02Z,,800,", "signal", "", "not a signal"),
        ("V1,2026-01-05T08:00:02Z,coolant_degc,190,degF", "unit", "degF", "degF where coolant_degc is"),
        ("V1,2026-01-05T08:00:02Z,rpm,x,", "rpm", "x", "not a number"),
        ("V1,2026-01-05T08:00:02Z,rpm,99999,1/min", "rpm", "99999", "outside 0 to 16383.8 1/min"),
        ("V1,2026-01-05T08:00:02Z,rpm,,1/min", "", "", "no signal sampled"),
        (",2026-01-05T08:00:02Z,rpm,800,1/min", "unit_id", "", "no unit"),
        ("V1,soon,rpm,800,1/min", "ts", "soon", "not an ISO-8601 instant"),
        ("V1,2026-01-05T08:00:02Z,rpm,800", "", "V1,2026-01-05T08:00:02Z,rpm,800", "4 cells where"),
    ],
)
def test_a_bad_long_row_is_set_apart(tmp_path, row, column, value, words):
    setup = fleet(tmp_path)
    line = one(run(*setup, write(tmp_path / "a.csv", LONG + row + "\n")))
    assert balanced(line) == (4, 3, 1, 0)
    ((number, scope, found, shown),) = rejects(setup[1])
    assert (number, scope, found) == (5, "row", column)
    assert shown.removesuffix(".0") == value
    assert words in reasons(setup[1])


@pytest.mark.parametrize("form", FORMS)
def test_a_file_without_one_usable_row(tmp_path, form):
    setup = fleet(tmp_path)
    at = "V1,2026-01-05T08:00:02Z"
    rows = {"long": f"{at},speed,1,\n{at},turns,2,rpm\n", "raw": f"{at},SEARCHING\n{at},41 0C\n"}[form]
    text = FORMS[form].splitlines(keepends=True)[0] + rows
    assert balanced(one(run(*setup, write(tmp_path / "a.csv", text)))) == (2, 0, 2, 0)
    assert content(setup[1], "readings").height == 0


def test_two_long_values_of_one_instant(tmp_path):
    setup = fleet(tmp_path)
    line = one(run(*setup, write(tmp_path / "a.csv", LONG + "V1,2026-01-05T08:00:00Z,rpm,700,\n")))
    assert balanced(line) == (4, 4, 0, 0)
    assert content(setup[1], "readings")["rpm"][0] == 700
    assert rejects(setup[1]) == [(5, "cell", "rpm", "700.0")]


@pytest.mark.parametrize(
    ("row", "column", "value", "words"),
    [
        ("V1,2026-01-05T08:00:02Z,41 0C 1A F", "response", "41 0C 1A F", "odd number"),
        ("V1,2026-01-05T08:00:02Z,NO DATA", "response", "NO DATA", "not hexadecimal"),
        ("V1,2026-01-05T08:00:02Z,7F 01 12", "response", "7F 01 12", "refused service $01"),
        ("V1,2026-01-05T08:00:02Z,41 EE 00", "response", "41 EE 00", "PID $EE is not listed"),
        ("V1,2026-01-05T08:00:02Z,41 0C 1A", "response", "41 0C 1A", "too few bytes for PID $0C"),
        ("V1,2026-01-05T08:00:02Z,41 17 5A 80", "response", "41 17 5A 80", "PID $13 or $1D"),
        ("V1,2026-01-05T08:00:02Z,41 0E 9C", "response", "41 0E 9C", "no signal sampled"),
        ("V1,2026-01-05T08:00:02Z,", "response", "", "empty"),
        ("V1,2026-01-05T08:00:02Z,41 03 05 00 1", "response", "41 03 05 00 1", "odd"),
        (",2026-01-05T08:00:02Z,41 0C 0C 80", "unit_id", "", "no unit"),
        ("V1,2026-01-05T08:00:02,41 0C 0C 80", "ts", "2026-01-05T08:00:02", "no offset"),
    ],
)
def test_a_bad_raw_row_is_set_apart(tmp_path, row, column, value, words):
    setup = fleet(tmp_path)
    line = one(run(*setup, write(tmp_path / "a.csv", RAW + row + "\n")))
    assert balanced(line) == (4, 3, 1, 0)
    assert rejects(setup[1]) == [(5, "row", column, value)]
    assert words in reasons(setup[1])


def test_where_sensors_sit_may_be_told_later_in_the_file(tmp_path, monkeypatch):
    monkeypatch.setattr("pipeline.exports.csvtext.BLOCK_BYTES", 64)
    setup = fleet(tmp_path)
    rows = (
        "V1,2026-01-05T08:00:00Z,41 16 5A 80\nV2,2026-01-05T08:00:00Z,41 16 5A 80\n"
        + "V1,2026-01-05T08:00:01Z,41 05 7B\n" * 4
        + "V1,2026-01-05T08:00:09Z,41 1D 0F\n"
    )
    line = one(run(*setup, write(tmp_path / "a.csv", "unit_id,ts,response\n" + rows)))
    assert balanced(line) == (7, 3, 1, 3)
    found = content(setup[1], "readings").filter(pl.col("o2_b2s1_v").is_not_null())
    assert found["unit_id"].to_list() == ["V1"]
    assert rejects(setup[1]) == [(3, "row", "response", "41 16 5A 80")]


def test_codes_and_results_of_raw_answers_end_in_their_tables(tmp_path):
    setup = fleet(tmp_path)
    at = "V1,2026-01-05T08:00:00Z,"
    rows = [
        "43 02 04 20 01 33",
        "43 02 04 20 01 33",  # says the same: duplicate
        "43 02 04 20 01 34",  # one code is new: kept
        "47 04 20 00 00 00 00",
        "4A 00",  # no codes: kept, no row
        "46 21 A9 06 0C E4 04 00 FF FF 01 05 10 00 55 00 00 00 78",
        "46 21 A9 06 0C E5 04 00 FF FF",  # another result of one instant: set apart
        "46 22 A9 06 00 00 00 00 00 00",
        "41 0C 0C 80 0E 9C",
        "43 02 04 20",  # cut off
    ]
    text = "unit_id,ts,response\n" + "".join(f"{at}{row}\n" for row in rows)
    line = one(run(*setup, write(tmp_path / "a.csv", text)))
    assert balanced(line) == (10, 7, 2, 1)
    assert line["dropped"] == "PID_0E"
    assert content(setup[1], "codes").select("code", "state").rows() == [
        ("P0133", "confirmed"),
        ("P0134", "confirmed"),
        ("P0420", "confirmed"),
        ("P0420", "pending"),
    ]
    assert content(setup[1], "onboard_tests").select("obdmid", "value", "has_run").rows() == [
        (0x01, 85.0, True),
        (0x21, pytest.approx(1.0065), True),
        (0x22, 0.0, False),
    ]
    assert [(number, scope) for number, scope, _, _ in sorted(rejects(setup[1]))] == [(8, "row"), (11, "row")]
    assert setup[1].read("codes")["line"].to_list() == [2, 4, 2, 5]


def test_raw_results_equal_those_of_the_table_form(tmp_path):
    raw, plain = fleet(tmp_path / "raw"), fleet(tmp_path / "plain")
    answer = "46 01 89 84 FF 9C FF 06 00 FA"
    run(*raw, write(tmp_path / "a.csv", f"unit_id,ts,response\nV1,2026-01-05T08:00:00Z,{answer}\n"))
    header = "unit_id,ts,obdmid,tid,uasid,value,min,max\n"
    row = "V1,2026-01-05T08:00:00Z,0x01,0x89,0x84,0xFF9C,0xFF06,0x00FA\n"
    run(*plain, write(tmp_path / "b.csv", header + row))
    assert content(raw[1], "onboard_tests").equals(content(plain[1], "onboard_tests"))


def test_a_raw_file_that_breaks_off_leaves_nothing(tmp_path):
    setup = fleet(tmp_path)
    at = "V1,2026-01-05T08:00:00Z,"
    whole = gzip.compress(("unit_id,ts,response\n" + f"{at}43 01 04 20\n{at}41 05 7B\n" * 2000).encode())
    line = one(run(*setup, write(tmp_path / "a.csv.gz", whole[:-12])))
    assert line["status"] == "refused"
    assert content(setup[1], "readings").height == content(setup[1], "codes").height == 0


def test_many_bad_cells_are_listed_up_to_a_bound(tmp_path):
    setup = fleet(tmp_path)
    rows = [f"V1,2026-01-05T{h:02d}:{m:02d}:00Z,41 05 7B 16 5A 80\n" for h in range(24) for m in range(60)]
    line = one(run(*setup, write(tmp_path / "a.csv", "unit_id,ts,response\n" + "".join(rows))))
    assert balanced(line) == (1440, 1440, 0, 0)
    listed = setup[1].read("quarantine")
    assert listed.filter(pl.col("line") > 0).height == 1000
    assert listed.filter(pl.col("line") == 0)["value"].to_list() == ["440"]


def test_two_sensors_of_one_answer_that_cannot_be_placed(tmp_path):
    # PIDs $16 and $17 mean another sensor under $13 than under $1D (SAE J1979-DA); nothing here says which holds.
    settings, lake = fleet(tmp_path)
    rows = ["410100000000", "410100000000160000170000"]
    text = "unit_id,ts,response\n" + "".join(f"V1,2026-01-05T08:00:0{n}Z,{row}\n" for n, row in enumerate(rows))
    line = one(run(settings, lake, write(tmp_path / "raw.csv", text)))
    assert line["status"] == "read"
    assert lake.read("quarantine").select("line", "column").is_duplicated().any() is False
    assert lake.read("quarantine").filter(pl.col("line") == 3).height == 1
