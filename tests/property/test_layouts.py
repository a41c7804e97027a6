"""A canonical table written as any layout describes, and ingested through it, comes back."""

from __future__ import annotations

import csv
import io
import tempfile
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.faults.lakes import content, fleet, one, run, write

DAY = date(2026, 1, 12)  # far from any change of clocks
# Signal -> range, and ways to write it: what the layout says of its unit, and the value in it (written by hand).
WAYS = {
    "rpm": ((0, 8000), {"": lambda x: x, 'unit = "1/s"': lambda x: x / 60}),
    "speed_kmh": (
        (0, 250),
        {"": lambda x: x, 'unit = "mph"': lambda x: x / 1.609344, 'unit = "m/s"': lambda x: x / 3.6},
    ),
    "coolant_degc": (
        (-40, 140),
        {"": lambda x: x, 'unit = "degF"': lambda x: x * 1.8 + 32, 'unit = "K"': lambda x: x + 273.15},
    ),
    "map_kpa": (
        (10, 250),
        {
            "": lambda x: x,
            'unit = "psi"': lambda x: x / 6.894757293168361,
            'unit = "inHg"': lambda x: x / 3.386388640341,
            'unit = "hPa"': lambda x: x * 10,
            'unit = "bar"': lambda x: x / 100,
        },
    ),
    "load_pct": ((0, 99), {"": lambda x: x, 'unit = "fraction"': lambda x: x / 100}),
    "o2_b1s1_v": ((0, 1.2), {"": lambda x: x, 'unit = "mV"': lambda x: x * 1000}),
    "lambda_b1s1": (
        (0.6, 1.9),
        {
            "": lambda x: x,
            'unit = "phi"': lambda x: 1 / x,
            'unit = "afr", stoichiometric = 14.7': lambda x: x * 14.7,
        },
    ),
    "odometer_km": ((120_000, 120_001), {"": lambda x: x, 'unit = "mi"': lambda x: x / 1.609344}),
}
ORDERS = ("iso", "day-first", "month-first", "epoch-s", "epoch-ms", "spreadsheet", "clock", "seconds-of-day")
MARKS = [(".", ""), (".", ","), (".", "'"), (",", ""), (",", "."), (",", " ")]


@st.composite
def exports(draw):
    """A table, the layout, and the file's name and bytes."""
    names = draw(st.lists(st.sampled_from(sorted(WAYS)), min_size=1, max_size=4, unique=True))
    instants = draw(
        st.lists(
            st.tuples(st.sampled_from("AB"), st.integers(0, 86_399)), min_size=1, max_size=12, unique=True
        )
    )
    zone = draw(st.sampled_from(["UTC", "Europe/Vienna", "America/New_York", "Asia/Seoul"]))
    rows = []
    for unit, second in sorted(instants):
        cells = {name: draw(st.none() | st.floats(*WAYS[name][0])) for name in names}
        if all(value is None for value in cells.values()):
            cells[names[0]] = WAYS[names[0]][0][1]  # no row without a sample, no counter that jumps
        wall = datetime(DAY.year, DAY.month, DAY.day) + timedelta(seconds=second)
        rows.append((unit, wall, wall.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC), cells))
    form = draw(st.sampled_from(["wide", "long"]))
    order = draw(st.sampled_from(ORDERS))
    delimiter = draw(st.sampled_from([",", ";", "tab", "|"]))
    encoding = draw(st.sampled_from(["utf-8", "latin-1", "cp949"]))
    decimal, thousands = draw(st.sampled_from(MARKS))
    absent = draw(st.sampled_from(["", "-", "N/A", "nodata"]))
    ways = {name: draw(st.sampled_from(sorted(WAYS[name][1]))) for name in names}

    def cell(name, value):
        if value is None:
            return absent
        text = f"{WAYS[name][1][ways[name]](value):{',' if thousands else ''}.12f}"
        return text.translate({ord(","): thousands, ord("."): decimal})

    meanings = "".join(
        f'"{name} °" = {{ is = "{name}"{", " + ways[name] if ways[name] else ""} }}\n' for name in names
    )
    columns = f"[columns]\n{meanings}"
    if form == "long":
        columns = f'[columns]\n"S" = {{ is = "signal" }}\n"W" = {{ is = "value" }}\n[signals]\n{meanings}'
    named = "date_from_name = '(?P<date>\\d{8})'\ndate_pattern = '%Y%m%d'\n" if order in ORDERS[-2:] else ""
    layout = (
        f'[files]\nmatch = ["gw_*.csv"]\n[text]\ndelimiter = "{delimiter}"\ndecimal = "{decimal}"\n'
        f'thousands = "{thousands}"\nencoding = "{encoding}"\n'
        f'[content]\ninput = "readings"\nform = "{form}"\nabsent = ["{absent or "-"}"]\n[unit]\ncolumn = "U"\n'
        f'[time]\ncolumns = ["T"]\norder = "{order}"\nzone = "{zone}"\n{named}{columns}'
    )
    text = io.StringIO()
    writer = csv.writer(text, delimiter="\t" if delimiter == "tab" else delimiter, lineterminator="\n")
    writer.writerow(["U", "T", *(["S", "W"] if form == "long" else [f"{name} °" for name in names])])
    for unit, wall, at, cells in rows:
        start = [unit, written(order, wall, at, decimal)]
        if form == "wide":
            writer.writerow([*start, *(cell(name, value) for name, value in cells.items())])
        else:
            writer.writerows(
                [*start, f"{name} °", cell(name, value)] for name, value in cells.items() if value is not None
            )
    return rows, names, layout, text.getvalue().encode(encoding)


def written(order, wall, at, decimal):
    """A time as the order has it."""
    passed = wall - datetime(1899, 12, 30)
    return {
        "iso": wall.isoformat(),
        "day-first": wall.strftime("%d.%m.%Y %H:%M:%S"),
        "month-first": wall.strftime("%m/%d/%Y %I:%M:%S %p"),
        "epoch-s": str(int(at.timestamp())),
        "epoch-ms": str(int(at.timestamp() * 1000)),
        "spreadsheet": f"{passed / timedelta(days=1):.10f}".replace(".", decimal),
        "clock": wall.strftime("%H:%M:%S"),
        "seconds-of-day": str(wall.hour * 3600 + wall.minute * 60 + wall.second),
    }[order]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(export=exports())
def test_a_table_comes_back_through_its_layout(export):
    rows, names, layout, body = export
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        write(home / "layouts" / "own.toml", layout)
        setup, lake = fleet(home, layouts=str(home / "layouts"))
        line = one(run(setup, lake, write(home / f"gw_{DAY:%Y%m%d}.csv", body)))
        assert (line["status"], line["quarantined"], line["duplicates"]) == ("read", 0, 0), line["reason"] or lake.read("quarantine").rows()
        assert lake.read("quarantine").is_empty()
        found = content(lake, "readings").select("unit_id", "ts", *names)
    expected = sorted((unit, at, cells) for unit, _, at, cells in rows)
    assert found.select("unit_id", "ts").rows() == [(unit, at) for unit, at, _ in expected]
    for name in names:
        for value, (_, _, cells) in zip(found[name], expected, strict=True):
            wanted = cells[name]
            assert value == (None if wanted is None else pytest.approx(wanted, rel=2e-7, abs=2e-6)), name
    assert found[names[0]].dtype in (pl.Float32, pl.Float64)
