"""Layout files: what is read from them, what is refused, and which file each is for."""

from __future__ import annotations

import tomllib

import pytest

from pipeline.errors import ConfigError, ExportError
from pipeline.exports.layouts import layout_for, plain_header, read_layouts
from pipeline.exports.sources import TextForm
from pipeline.settings import Settings, read_settings
from tests.faults.lakes import write

GOOD = """
name = "north"
[files]
match = ["gw_*.csv", "north/*.csv.gz", "pack.zip/*.csv"]
[text]
delimiter = "tab"
decimal = ","
thousands = "."
encoding = "cp949"
skip_lines = 2
[content]
input = "readings"
absent = ["-"]
[unit]
column = "Vehicle"
[time]
columns = ["Date", "Time"]
order = "day-first"
zone = "Europe/Vienna"
[columns]
"Speed" = { is = "speed_kmh", unit = "mph" }
"Air" = { is = "maf_gs", unit = "cfm", air_degc = 20.0, air_kpa = 101.325, optional = true }
[gateway]
holds_last_value = true
"""


def layouts(tmp_path, *texts):
    for place, text in enumerate(texts):
        write(tmp_path / f"l{place}.toml", text)
    return read_layouts(tmp_path)


def test_a_layout_is_read(tmp_path):
    (layout,) = layouts(tmp_path, GOOD)
    assert (layout.name, layout.path) == ("north", tmp_path / "l0.toml")
    assert layout.text_form == TextForm("\t", ",", ".", "cp949", 2, ("-",))
    assert layout.columns["Speed"].target.name == "km/h"
    assert layout.columns["Speed"].source_unit.name == "mph"
    assert layout.columns["Air"].given == {"air_degc": 20.0, "air_kpa": 101.325}
    assert layout.gateway.holds_last_value and not layout.gateway.zeros_before_first
    assert not layout.names_the_file


def test_name_is_the_stem_where_it_is_absent(tmp_path):
    assert layouts(tmp_path, GOOD.replace('name = "north"', ""))[0].name == "l0"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[files]", "[file]", "files: missing; add it; file: not a key of a layout"),
        ('match = ["gw_*.csv", "north/*.csv.gz", "pack.zip/*.csv"]', "match = []", "files.match"),
        ('"gw_*.csv"', '"/gw_*.csv"', "no pattern of the end of a path"),
        ('delimiter = "tab"', 'delimiter = ";;"', "text.delimiter: ';;' cannot separate cells"),
        ('decimal = ","', 'decimal = "x"', "text.decimal"),
        ('decimal = ","', 'decimal = "."', "both '.'; they must differ"),
        ('encoding = "cp949"', 'encoding = "cp0"', "text.encoding: 'cp0' is no encoding"),
        ("skip_lines = 2", "skip_lines = -1", "text.skip_lines"),
        ('input = "readings"', 'input = "values"', "content.input"),
        (
            'input = "readings"',
            'input = "codes"\nform = "long"',
            "content: form = 'long' is for readings only",
        ),
        ('column = "Vehicle"', "", "unit: write either column or file_name"),
        ('column = "Vehicle"', 'file_name = "veh_(.*)"', "has no group 'unit'"),
        ('column = "Vehicle"', 'file_name = "veh_(?P<unit>"', "is no regular expression"),
        ('order = "day-first"', 'order = "dmy"', "time.order"),
        ('order = "day-first"', "", "time: write either order"),
        ('order = "day-first"', 'order = "clock"', "needs date_from_name"),
        ('order = "day-first"', 'order = "iso"\npattern = "%d"', "time: write either order"),
        ('zone = "Europe/Vienna"', 'zone = "Vienna"', "time.zone: 'Vienna' is no time zone"),
        ('zone = "Europe/Vienna"', "", "time.zone: missing"),
        ('"speed_kmh"', '"speed"', "columns.Speed.is: 'speed' is no canonical name; near are speed_kmh"),
        ('"speed_kmh", unit = "mph"', '"state"', "columns.'Speed': 'state' is no column of readings"),
        (
            'unit = "mph"',
            'unit = "knots"',
            "columns.Speed: unit 'knots' is not known; write one of m/s, km/h, mph",
        ),
        ('unit = "mph"', 'unit = "degF"', "columns.Speed: speed_kmh cannot be in degF"),
        ("air_degc = 20.0, ", "", "columns.Air: unit cfm needs air_degc"),
        ('unit = "mph"', 'unit = "mph", stoichiometric = 14.7', "stoichiometric is not used with unit mph"),
        ('unit = "mph"', "air_kpa = 100.0", "air_kpa says nothing without a unit"),
        (
            '"maf_gs", unit = "cfm", air_degc = 20.0, air_kpa = 101.325',
            '"speed_kmh"',
            "meaning of two headers",
        ),
        ("[gateway]", '[signals]\n"A" = { is = "rpm" }\n[gateway]', "only a long file has signal names"),
        ("holds_last_value = true", "holds = true", "gateway.holds: not a key of a layout"),
        ('[columns]\n"Speed"', '[columns]\n"Speed" = 3\n"Other"', "columns.Speed"),
    ],
)
def test_a_wrong_layout_is_refused(tmp_path, old, new, words):
    assert old in GOOD
    with pytest.raises(ConfigError) as caught:
        layouts(tmp_path, GOOD.replace(old, new))
    assert "l0.toml: " in str(caught.value)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("x = [", "not a TOML file"),
        (b"name = '\xff'", "not UTF-8 at byte 8"),
        (GOOD.split("[time]")[0] + '[columns]\n"a" = { is = "rpm" }', "time: missing"),
        (GOOD.split("[columns]")[0], "no header is a signal"),
    ],
)
def test_an_unreadable_or_incomplete_layout(tmp_path, text, words):
    with pytest.raises(ConfigError, match=words):
        layouts(tmp_path, text)


def test_other_inputs_need_their_columns(tmp_path):
    head = '[files]\nmatch = ["x.csv"]\n[content]\ninput = "{}"\n[unit]\ncolumn = "u"\n'
    with pytest.raises(ConfigError, match="no header is order_id, closed_on, component, action, finding"):
        layouts(tmp_path, head.format("work_orders"))
    timed = (
        head.format("codes") + '[time]\ncolumns = ["t"]\norder = "iso"\n[columns]\n"c" = { is = "code" }\n'
    )
    with pytest.raises(ConfigError, match="no header is state"):
        layouts(tmp_path, timed)
    (layout,) = layouts(tmp_path, timed + '"s" = { is = "state" }\n')
    assert layout.content.input == "codes"


def test_two_layouts_of_one_name(tmp_path):
    with pytest.raises(ConfigError, match="'north' is also the name of .*l0.toml"):
        layouts(tmp_path, GOOD, GOOD)


def test_a_missing_folder(tmp_path):
    with pytest.raises(ConfigError, match="no such folder"):
        read_layouts(tmp_path / "none")


@pytest.mark.parametrize(
    ("path", "matches"),
    [
        ("/data/gw_1.csv", True),
        ("gw_1.csv", True),
        ("/data/north/a.csv.gz", True),
        ("/data/south/a.csv.gz", False),
        ("/data/x_gw_1.csv", False),
        ("/in/pack.zip/b.csv", True),
        ("/in/other.zip/b.csv", False),
    ],
)
def test_which_files_a_layout_is_for(tmp_path, path, matches):
    found = layout_for(path, layouts(tmp_path, GOOD))
    assert (found is not None) == matches


def test_two_layouts_that_match_one_file(tmp_path):
    both = layouts(tmp_path, GOOD, GOOD.replace('"north"', '"south"'))
    with pytest.raises(
        ExportError, match=r"gw_1.csv: the layouts 'north' \(l0.toml\) and 'south' \(l1.toml\)"
    ):
        layout_for("a/gw_1.csv", both)


@pytest.mark.parametrize(
    ("text", "same_as"),
    [
        ("Temp [Â°C]", "Temp [°C]"),
        ("Temp [℃]", "Temp [°C]"),
        ("Temp [ºC]", "Temp [°C]"),
        ("  Engine   speed ", "Engine speed"),
        ("GerÃ¤t", "Gerät"),
        ("냉각수 온도", "냉각수 온도"),
    ],
)
def test_headers_are_compared_in_one_form(text, same_as):
    assert plain_header(text) == plain_header(same_as)


def test_headers_that_differ_stay_different():
    assert plain_header("Âge") != plain_header("ge")
    assert plain_header("Speed") != plain_header("speed")


def test_the_setting_is_relative_to_its_file(tmp_path):
    write(tmp_path / "lightoff.toml", 'layouts = "own"')
    assert read_settings(tmp_path / "lightoff.toml").layouts == str(tmp_path / "own")
    assert Settings().layouts == ""


def test_the_example_is_toml():
    assert tomllib.loads(GOOD)["name"] == "north"
