"""A table written in any usual way, its layout proposed, and ingested through it, comes back."""

from __future__ import annotations

import csv
import io
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.exports.items import Item
from pipeline.exports.proposing import Said, propose
from tests.faults.lakes import content, fleet, one, run, write

START = datetime(2026, 1, 1)
# Signal -> headers, how its values are written there (by hand), and its range.
HEADERS = {
    "rpm": ({"Engine RPM": lambda x: x, "Drehzahl [1/min]": lambda x: x, "rpm": lambda x: x}, (600, 6000)),
    "speed_kmh": ({"Speed (km/h)": lambda x: x, "Speed [mph]": lambda x: x / 1.609344}, (0, 180)),
    "coolant_degc": (
        {"Coolant temp [°C]": lambda x: x, "ECT (degF)": lambda x: x * 1.8 + 32, "Wassertemperatur °C": lambda x: x},
        (-20, 110),
    ),
    "o2_b1s1_v": ({"O2 B1S1 [V]": lambda x: x, "O2S11 (mV)": lambda x: x * 1000}, (0.05, 0.95)),
    "stft_b1_pct": ({"SHRTFT1 [%]": lambda x: x, "STFT bank 1 (fraction)": lambda x: x / 100}, (-25, 25)),
}
WRITTEN = {
    "iso": "%Y-%m-%d %H:%M:%S",
    "isoT": "%Y-%m-%dT%H:%M:%S",
    "day-first": "%d.%m.%Y %H:%M:%S",
    "month-first": "%m/%d/%Y %H:%M:%S",
}


@st.composite
def files(draw: st.DrawFn):
    """Rows, the file's bytes, and what its owner would say of it."""
    names = draw(st.lists(st.sampled_from(sorted(HEADERS)), min_size=1, max_size=4, unique=True))
    headers = {name: draw(st.sampled_from(sorted(HEADERS[name][0]))) for name in names}
    zone = draw(st.sampled_from(["UTC", "Europe/Vienna", "Asia/Seoul"]))
    seconds = draw(st.lists(st.integers(0, 50 * 86_400), min_size=3, max_size=15, unique=True))
    order = draw(st.sampled_from(sorted(WRITTEN)))
    delimiter = draw(st.sampled_from([";", "\t", "|", ","]))
    decimal = draw(st.sampled_from([".", ","]))
    rows, text = [], io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator=draw(st.sampled_from(["\n", "\r\n"])))
    for line in range(draw(st.integers(0, 2))):
        text.write(f"preamble {line}\n")
    writer.writerow(["Vehicle", "Date and time", *headers.values()])
    for second in sorted(seconds):
        wall = START + timedelta(seconds=second)
        cells = {name: draw(st.floats(*HEADERS[name][1])) for name in names}
        shown = [f"{HEADERS[name][0][headers[name]](cells[name]):.6f}".replace(".", decimal) for name in names]
        writer.writerow(["V1", wall.strftime(WRITTEN[order]), *shown])
        rows.append((wall.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC), cells))
    said = Said(zone=zone, order=order if order in ("day-first", "month-first") else "")
    return rows, names, text.getvalue().encode(), said


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(file=files())
def test_a_table_comes_back_through_its_proposed_layout(file):
    rows, names, body, said = file
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        path = write(home / "in" / "gw_1.csv", body)
        made = propose(Item(path), said)
        assert not made.questions
        write(home / "layouts" / "own.toml", made.text)
        setup, lake = fleet(home, layouts=str(home / "layouts"))
        line = one(run(setup, lake, path))
        assert (line["status"], line["quarantined"]) == ("read", 0), line["reason"] or lake.read("quarantine").rows()
        found = content(lake, "readings").select("ts", *names)
    assert found["ts"].to_list() == [at for at, _ in rows]
    for name in names:
        for value, (_, cells) in zip(found[name], rows, strict=True):
            assert value == pytest.approx(cells[name], rel=1e-5, abs=2e-4), name
