"""Cells of files that layouts describe: marks, absent words, units, and faults in the file's own words."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.exports.airfuel import MixtureWatch
from pipeline.exports.layoutmodel import Layout, Meaning
from pipeline.exports.numerals import emptied, read_numbers
from pipeline.exports.readings import clean_readings
from pipeline.exports.rejects import no_faults
from pipeline.exports.sources import TextForm
from pipeline.exports.translate import Named, Translated, settle, to_numbers
from pipeline.exports.units import units


def numbers(texts, decimal=".", thousands="", unit=None):
    form = TextForm(decimal=decimal, thousands=thousands)
    read = read_numbers(pl.Series("x", texts), form, units()[unit] if unit else None)
    return read.values.to_list(), read.unparsed.to_list()


@pytest.mark.parametrize(
    ("text", "decimal", "thousands", "value"),
    [
        ("12,5", ",", "", 12.5),
        (" -0,25 ", ",", "", -0.25),
        ("−3,5", ",", "", -3.5),
        ("+7", ",", "", 7.0),
        ("1.234,5", ",", ".", 1234.5),
        ("1.234.567", ",", ".", 1234567.0),
        ("1,234.5", ".", ",", 1234.5),
        ("1 234,5", ",", " ", 1234.5),
        ("1\u00a0234,5", ",", " ", 1234.5),
        ("1\u202f234", ",", " ", 1234.0),
        ("1'234.5", ".", "’", 1234.5),
        ("1e3", ".", "", 1000.0),
        ("123", ",", ".", 123.0),
    ],
)
def test_marks(text, decimal, thousands, value):
    assert numbers([text], decimal, thousands) == ([value], [False])


@pytest.mark.parametrize(
    ("text", "decimal", "thousands"),
    [
        ("12.5", ",", ""),
        ("12.5", ",", "."),
        ("1.23", ",", "."),
        ("12345.678", ",", "."),
        ("1,5", ".", ""),
        ("1,5", ".", ","),
        ("1,2,3", ",", ""),
        ("∞", ".", ""),
        ("0x1A", ".", ""),
        ("1_000", ".", ""),
        ("12 km", ".", ""),
    ],
)
def test_a_mark_where_it_cannot_stand_is_no_number(text, decimal, thousands):
    """A decimal mark taken for one of thousands would make another number without a word."""
    assert numbers([text], decimal, thousands) == ([None], [True])


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12.5 km/h", "km/h", 12.5),
        ("12.5km/h", "km/h", 12.5),
        ("90 °C", "degC", 90.0),
        ("90 Â°C", "degC", 90.0),
        ("90℃", "degC", 90.0),
        ("90 C", "degC", 90.0),
        ("14.7:1", "afr", 14.7),
        ("55 %", "%", 55.0),
        ("800 rpm", "1/min", 800.0),
        ("90 °F", "degC", None),
        ("12.5 mph", "km/h", None),
        ("450 mV", "V", None),
        ("km/h", "km/h", None),
    ],
)
def test_a_unit_in_the_cell_must_be_the_declared_one(text, unit, value):
    assert numbers(["1", text, None], unit=unit) == ([1.0, value, None], [False, value is None, False])


def test_numbers_of_a_typed_file_have_no_marks():
    read = read_numbers(pl.Series([12.5, None]), TextForm(decimal=",", thousands="."), None)
    assert read.values.to_list() == [12.5, None] and not read.unparsed.any()


def test_absent_words():
    texts = pl.Series("x", ["-", " n/a ", "NoData", "-999", "-5", "", None, "∞"])
    left = emptied(texts, ("-", "N/A", "NODATA", "-999", "∞"))
    assert left.to_list() == [None, None, None, None, "-5", "", None, None]
    assert emptied(pl.Series("x", [-999.0, 1.0, None]), ("-", "-999")).to_list() == [None, 1.0, None]
    assert emptied(texts, ()) is texts


LAYOUT = Layout.model_validate(
    {
        "path": Path("l.toml"),
        "name": "north",
        "files": {"match": ["x.csv"]},
        "text": {"decimal": ","},
        "content": {"input": "readings"},
        "unit": {"column": "u"},
        "time": {"columns": ["t"], "order": "iso"},
        "columns": {"Speed": {"is": "speed_kmh", "unit": "mph"}},
    }
)
SPEED = Named("Speed", LAYOUT.columns["Speed"])


def test_conversion_and_faults():
    values, faults = to_numbers(
        pl.Series("line", [2, 3, 4]), pl.Series(["10,0", "fast", None]), SPEED, LAYOUT.text_form
    )
    assert values.to_list() == [pytest.approx(16.09344), None, None]
    ((line, column, value, reason),) = faults.rows()
    assert (line, column, value) == (3, "Speed", "fast")
    assert "mph" in reason and "','" in reason


def translated(cells, rpm):
    """A batch of one converted and one plain column, cleaned and settled."""
    lines = pl.Series("line", range(2, 2 + len(cells)), dtype=pl.Int64)
    values, faults = to_numbers(lines, pl.Series(cells, dtype=pl.String), SPEED, LAYOUT.text_form)
    keys = lines.to_frame().with_columns(unit_id=pl.lit("V1"), ts=pl.lit(datetime(2026, 1, 5, 8, tzinfo=UTC)))
    frame = keys.with_columns(values.alias("speed_kmh"), pl.Series("rpm", rpm, dtype=pl.Float64))
    named = {"speed_kmh": SPEED, "rpm": Named("Turns", Meaning.model_validate({"is": "rpm"}))}
    own = lines.to_frame().with_columns(pl.Series("speed_kmh", cells), pl.Series("rpm", rpm))
    batch = Translated(frame, len(cells), no_faults(), faults=faults, own=own, named=named)
    return settle(batch, clean_readings(frame, "UTC", 1))


def test_values_are_judged_after_conversion_and_shown_as_they_stand_in_the_file():
    cleaned = translated(["160,0", "158,0"], [800.0, 99999.0])
    assert cleaned.frame.height == 2
    first, second = sorted(cleaned.cells.rows())
    assert first[:3] == (2, "Speed", "160,0")
    assert "outside 0 to 255 km/h" in first[3] and "'Speed' is in mph" in first[3]
    assert second[:3] == (3, "Turns", "99999.0") and "in mph" not in second[3]


def test_a_row_without_a_usable_cell_is_listed_once_with_its_fault():
    cleaned = translated(["fast", "400", None, "10"], [None, None, None, 1.0])
    assert cleaned.frame["line"].to_list() == [5]
    assert cleaned.cells.height == 0
    rows = sorted(cleaned.rows.select("line", "column", "value").rows())
    assert rows == [(2, "Speed", "fast"), (3, "Speed", "400"), (4, "", "")]
    assert cleaned.rows.filter(pl.col("line") < 4)["reason"].str.contains("no other signal").all()


def watched(values, name="lambda_b1s1"):
    watch = MixtureWatch("f.csv")
    watch.see(pl.DataFrame({name: values}))
    watch.judge()


@pytest.mark.parametrize(
    "values", [[14.7, 14.2, 15.1], ["14.7", "", "14.2", "9.1"], [0.0, 0.0, 0.0, 0.0, 14.0, 13.0, 12.0]]
)
def test_an_air_fuel_ratio_named_lambda_is_refused(values):
    with pytest.raises(Exception, match='"lambda_b1s1" = { is = "lambda_b1s1", unit = "afr"'):
        watched(values)


@pytest.mark.parametrize(
    "values", [[1.0, 1.99, 0.9], [1.0, 1.0, 14.7], [14.7, 14.7], [1.0] * 4 + [8.0] * 4, [None, None]]
)
def test_lambda_passes(values):
    watched(values)


def test_an_air_fuel_ratio_of_long_rows_is_refused():
    watch = MixtureWatch("f.csv")
    watch.see(pl.DataFrame({"signal": ["rpm", "lambda_target"] * 3, "value": [800.0, 14.7] * 3}))
    with pytest.raises(Exception, match="lambda_target"):
        watch.judge()
