"""Odd vehicle numbers, wrong clocks and corrupt counters: what is kept, what is set apart, what is said."""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from rich.console import Console

from pipeline.arrivals import say_ingested
from pipeline.exports import clocks
from pipeline.exports.clocks import ClockNotes, excursions
from pipeline.exports.counters import COUNTERS, without_corrupt
from pipeline.report.listing import _cells
from pipeline.signals import signals
from tests.faults.lakes import ARRIVED, content, fleet, one, reasons, rejects, run, write

START = datetime(2026, 1, 5, 8, tzinfo=UTC)
HEADER = "unit_id,ts,rpm\n"


def stamp(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def rows(*seconds: float, unit: str = "V1") -> str:
    """Readings of one vehicle so many seconds after the start, in this order."""
    return "".join(f"{unit},{stamp(START + timedelta(seconds=second))},800\n" for second in seconds)


def read(tmp_path: Path, text: str, **values: object) -> tuple[dict[str, object], object]:
    """Summary line and lake after reading one file of readings."""
    settings, lake = fleet(tmp_path, **values)
    line = one(run(settings, lake, write(tmp_path / "a.csv", text)))
    assert line["rows_in"] == line["kept"] + line["quarantined"] + line["duplicates"]
    return line, lake


# -- clocks --------------------------------------------------------------------------------------------------

DAY = 86_400


@pytest.mark.parametrize(("hours", "kept"), [(25.9, 1), (26, 1), (26.1, 0), (24 * 400, 0)])
def test_an_instant_after_the_arrival(tmp_path, hours, kept):
    line, lake = read(tmp_path, HEADER + f"V1,{stamp(ARRIVED + timedelta(hours=hours))},800\n")
    assert (line["kept"], line["quarantined"]) == (kept, 1 - kept)
    assert ("in the future; check the gateway's clock" in reasons(lake)) is not kept


def test_an_event_after_the_arrival(tmp_path):
    late = stamp(ARRIVED + timedelta(days=3))
    line, lake = read(tmp_path, f"unit_id,ts,code,state\nV1,{late},P0420,pending\nV1,{stamp(START)},P0420,pending\n")
    assert (line["kept"], line["quarantined"]) == (1, 1)
    assert rejects(lake) == [(2, "row", "ts", late)]


def test_answers_after_the_arrival(tmp_path):
    late = stamp(ARRIVED + timedelta(days=3))
    text = f"unit_id,ts,response\nV1,{late},43 02 04 20 01 33\nV1,{late},41 0C 0C 80\nV1,{stamp(START)},41 0C 0C 80\n"
    line, lake = read(tmp_path, text)
    assert (line["kept"], line["quarantined"]) == (1, 2)
    assert content(lake, "codes").is_empty()


def test_reset_to_a_default_epoch(tmp_path):
    text = HEADER + rows(0, 1) + "V1,2000-01-01T00:00:07Z,800\nV1,2000-01-01T00:00:08Z,800\n" + rows(4)
    line, lake = read(tmp_path, text)
    assert (line["kept"], line["quarantined"]) == (3, 2)
    assert "before 2005-01-01, `first_day` of the settings" in reasons(lake)
    line, _ = read(tmp_path / "old", text, first_day=date(1999, 1, 1))
    assert (line["kept"], line["quarantined"]) == (3, 2)  # now as a jump that came back
    line, _ = read(tmp_path / "new", HEADER + rows(0, 1), first_day=date(2026, 1, 6))
    assert line["quarantined"] == 2


# IS-GPS-200, 20.3.3.3.1.1: the week number has ten bits, so a receiver that does not know the epoch dates 1,024 weeks early.
# Known days on which that happens by itself: week 0 began on 6 January 1980, 22 August 1999 and 7 April 2019.
ROLLED = date(2019, 4, 7) - date(1999, 8, 22)


def test_a_week_number_that_began_anew(tmp_path):
    assert ROLLED == date(1999, 8, 22) - date(1980, 1, 6) == timedelta(weeks=1024)
    assert clocks.ROLLOVER == ROLLED
    # 5 January 2026 less 1,024 weeks is 22 May 2006, after `first_day`: a whole file of it, at the end of a file, amid it.
    early = stamp(START - ROLLED)
    assert early.startswith("2006-05-22")
    for name, text, kept in (
        ("whole", f"V1,{early},800\n", 0),
        ("end", rows(0, 1, 2) + f"V1,{early},800\n", 3),
        ("amid", rows(0, 1) + f"V1,{early},800\n" + rows(3, 4), 4),
        ("other", rows(0, 1) + f"V2,{early},800\n", 2),
    ):
        line, lake = read(tmp_path / name, HEADER + text)
        assert (line["kept"], line["quarantined"]) == (kept, 1), name
        assert "1,024 weeks too early" in reasons(lake) and "GPS" in reasons(lake)
        assert "jump" not in reasons(lake) and line["notes"] is None


def test_an_event_whose_week_number_began_anew(tmp_path):
    early = stamp(START - ROLLED)
    line, lake = read(tmp_path, f"unit_id,ts,code,state\nV1,{early},P0420,pending\nV1,{stamp(START)},P0420,pending\n")
    assert (line["kept"], line["quarantined"]) == (1, 1)
    assert rejects(lake) == [(2, "row", "ts", early)]


def test_a_week_number_that_began_anew_long_ago_is_told_by_the_other_rows(tmp_path):
    """A history that is read years later: the arrival says nothing, the rows beside it do."""
    old = START - timedelta(days=5 * 365)
    text = "".join(f"V1,{stamp(at)},800\n" for at in (old, old + timedelta(days=2), old + timedelta(days=1) - ROLLED))
    line, lake = read(tmp_path, HEADER + text, first_day=date(2000, 1, 1))
    assert (line["kept"], line["quarantined"]) == (2, 1)
    assert "1,024 weeks too early" in reasons(lake)


@pytest.mark.parametrize("weeks", [1020, 1023, 1025, 700])
def test_another_span_is_no_week_number(tmp_path, weeks):
    """Rows of another time are not taken for it: beside rows of one drive, a day either way is all that may differ."""
    old = START - timedelta(days=5 * 365)
    text = f"V1,{stamp(old - timedelta(weeks=weeks))},800\nV1,{stamp(old)},800\n"
    line, lake = read(tmp_path, HEADER + text, first_day=date(1990, 1, 1))
    assert (line["kept"], line["quarantined"]) == (2, 0)


@pytest.mark.parametrize("days", [400, -400, 1.5, -30])
def test_a_jump_that_came_back_is_set_apart(tmp_path, days):
    away = [second + days * DAY for second in (3, 4)]
    line, lake = read(tmp_path, HEADER + rows(0, 1, 2, *away, 5, 6, 7), first_day=date(2000, 1, 1))
    late = days > 56
    assert (line["kept"], line["quarantined"]) == (6, 2)
    assert [item[:3] for item in rejects(lake)] == [(5, "row", "ts"), (6, "row", "ts")]
    if not late:
        way = "ahead" if days > 0 else "back"
        assert f"the clock jumped {way} by {abs(days):.1f} days and came back" in reasons(lake)
    assert line["notes"] is None


def test_a_jump_that_never_came_back_stays_and_is_noted(tmp_path):
    line, lake = read(tmp_path, HEADER + rows(0, 1, 2, *(second - 3 * DAY for second in (3, 4, 5))))
    assert (line["kept"], line["quarantined"]) == (6, 0)
    assert "jumped back by more than a day and did not return once, first at line 5; the rows are kept" in line["notes"]


def test_a_step_back_is_noted_with_count_and_first_line(tmp_path):
    line, _ = read(tmp_path, HEADER + rows(0, 10, 5, 20, 30, 25, 40))
    assert line["quarantined"] == 0
    assert line["notes"] == "the clock steps back 2 times, first at line 4"


def test_vehicles_one_below_the_other_are_no_step_back(tmp_path):
    line, _ = read(tmp_path, HEADER + rows(0, 10, 20) + rows(0, 10, unit="V2") + rows(5, 15, unit="V3"))
    assert line["notes"] is None


def test_vehicles_in_turn_are_judged_one_by_one(tmp_path):
    pairs = "".join(
        rows(second if second != 3 else 3 + 5 * DAY) + rows(second - 100 * DAY, unit="V2") for second in range(8)
    )
    line, lake = read(tmp_path, HEADER + pairs)
    assert (line["quarantined"], line["notes"]) == (1, None)
    assert content(lake, "readings")["unit_id"].value_counts().sort("unit_id").rows() == [("V1", 7), ("V2", 8)]


def test_a_weekend_and_a_long_stand_are_kept(tmp_path):
    line, _ = read(tmp_path, HEADER + rows(0, 1, 3 * DAY, 3 * DAY + 1, 6 * DAY, 45 * DAY))
    assert line["quarantined"] == 0
    assert "once more than 30 days without rows, first before line 7, longest 39.0 days" in line["notes"]


def test_what_does_not_continue_the_time_before_is_kept(tmp_path):
    away = [second + 2 * DAY for second in (3, 4)]
    line, _ = read(tmp_path, HEADER + rows(0, 1, 2, *away, 5 + 300, 6 + 300))
    assert line["quarantined"] == 0


def test_the_longer_side_is_believed(tmp_path):
    """A batch that begins in a jump: what comes back, and is longer, is the right time."""
    away = [second + 2 * DAY for second in (0, 1)]
    line, lake = read(tmp_path, HEADER + rows(*away, *range(2, 12), 12 + 2 * DAY))
    assert line["quarantined"] == 0
    assert content(lake, "readings").height == 13


def test_many_jumps_take_every_other_run(tmp_path):
    seconds = [second + (2 * DAY if second // 3 % 2 else 0) for second in range(21)]
    line, lake = read(tmp_path, HEADER + rows(*seconds))
    assert (line["kept"], line["quarantined"]) == (12, 9)
    assert content(lake, "readings")["ts"].max() < START + timedelta(minutes=1)


def test_clocks_equal_a_plain_loop():
    """Against a loop over rows, on made-up clocks of several vehicles in turn."""
    chance = random.Random(5)
    for _ in range(60):
        times = {unit: 0.0 for unit in "ABC"}
        offsets, made = {unit: 0.0 for unit in "ABC"}, []
        for line in range(2, 60):
            unit = chance.choice("ABC")
            times[unit] += chance.choice([1, 10, 100])
            if chance.random() < 0.12:
                offsets[unit] = chance.choice([0, 0, 2 * DAY, -4 * DAY, 9 * DAY])
            made.append((line, unit, START + timedelta(seconds=times[unit] + offsets[unit])))
        frame = pl.DataFrame(
            made, schema={"line": pl.Int64, "unit_id": pl.String, "ts": pl.Datetime("us", "UTC")}, orient="row"
        )
        assert sorted(excursions(frame, ClockNotes())["line"]) == sorted(_slow_excursions(made))


def _slow_excursions(made: list[tuple[int, str, datetime]]) -> list[int]:
    lines = []
    for unit in "ABC":
        own = [(line, ts) for line, name, ts in made if name == unit]
        jumps = [i for i in range(1, len(own)) if abs(own[i][1] - own[i - 1][1]) > clocks.JUMP]
        previous = False
        for k in range(len(jumps) - 1):
            here, back = jumps[k], jumps[k + 1]
            before = here - (jumps[k - 1] if k else 0)
            after = (jumps[k + 2] if k + 2 < len(jumps) else len(own)) - back
            gap, took = own[back][1] - own[here - 1][1], own[back - 1][1] - own[here][1]
            away, home = own[here][1] - own[here - 1][1], own[back][1] - own[back - 1][1]
            opposite = (away > timedelta(0)) != (home > timedelta(0))
            fits = opposite and abs(gap - took) <= clocks.BACK_WITHIN and back - here <= before + after
            previous = fits and not previous
            if previous:
                lines += [line for line, _ in own[here:back]]
    return lines


# -- counters ------------------------------------------------------------------------------------------------


def counted(name: str, values: list[float | None], step: float = 1.0) -> tuple[list, list]:
    """A counter after the door, and the lines of its corrupt cells; rows so many seconds apart."""
    frame = pl.DataFrame(
        {
            "line": range(2, 2 + len(values)),
            "unit_id": ["V1"] * len(values),
            "ts": [START + timedelta(seconds=step * n) for n in range(len(values))],
            name: pl.Series(values, dtype=pl.Float32),
        },
        schema_overrides={"line": pl.Int64, "ts": pl.Datetime("us", "UTC")},
    )
    kept, faults = without_corrupt(frame)
    return kept[name].to_list(), faults["line"].to_list()


@pytest.mark.parametrize(
    ("values", "corrupt"),
    [
        pytest.param([812, 0, 812], [3], id="zero is no code clear"),
        pytest.param([812, 12288, 812], [3], id="jump up"),
        pytest.param([812, 0, 0, 812], [3, 4], id="two rows"),
        pytest.param([812, 12288, 0, 813], [3, 4], id="two rows up and down"),
        pytest.param([812, None, 0, None, 812], [4], id="rows without the signal between"),
        pytest.param([811, 812, 0, 0, 0, 812], [], id="three rows agree"),
        pytest.param([812, 0, 0, 0, 1, 1], [], id="a real clear stays low"),
        pytest.param([812, 0], [], id="a clear at the end cannot be told"),
        pytest.param([0, 812], [], id="beginning"),
        pytest.param([812, 0, 900], [], id="neighbours too far apart for a second"),
        pytest.param([812, 813, 813, 814], [], id="growing"),
        pytest.param([812, 0, 812, 0, 812], [3, 5], id="twice"),
        pytest.param([812, 0, 0, 812, 0, 0, 812], [3, 4, 6, 7], id="two rows twice"),
    ],
)
def test_distance_since_clear(values, corrupt):
    kept, lines = counted("distance_since_clear_km", values)
    assert lines == corrupt
    assert kept == [None if place + 2 in corrupt else value for place, value in enumerate(values)]


@pytest.mark.parametrize(
    ("values", "step", "corrupt"),
    [
        pytest.param([500, 501, 0, 503, 504], 1, [4], id="one frame"),
        pytest.param([500, 501, 65535, 503], 1, [4], id="one frame up"),
        pytest.param([500, 501, 0, 1, 2, 3], 1, [], id="engine start"),
        pytest.param([500, 20, 550], 600, [], id="short trips far apart"),
        pytest.param([5, 15, 8, 18], 10, [], id="restart after a few seconds"),
        pytest.param([500, 0, 500, 501], 1, [3], id="stalled value"),
    ],
)
def test_run_time(values, step, corrupt):
    assert counted("run_time_s", values, step)[1] == corrupt


@pytest.mark.parametrize(
    ("values", "corrupt"),
    [
        pytest.param([140000.1, 0, 140000.1], [3], id="zero"),
        pytest.param([140000.1, 999999, 140000.2], [3], id="up"),
        pytest.param([140000.1, 12.0, 12.1, 12.2], [], id="another instrument"),
    ],
)
def test_odometer(values, corrupt):
    assert counted("odometer_km", values)[1] == corrupt


def test_corrupt_counters_are_listed_and_their_rows_kept(tmp_path):
    text = "unit_id,ts,rpm,distance_since_clear_km\n" + "".join(
        f"V1,{stamp(START + timedelta(seconds=n))},{rpm},{value}\n"
        for n, (rpm, value) in enumerate([(800, 812), (800, 0), (800, 812), ("", 12288), (800, 812)])
    )
    line, lake = read(tmp_path, text)
    assert (line["kept"], line["quarantined"]) == (4, 1)
    assert rejects(lake) == [
        (3, "cell", "distance_since_clear_km", "0.0"),
        (5, "row", "distance_since_clear_km", "12288.0"),
    ]
    assert "812.0 before and 812.0 after; a corrupt frame" in reasons(lake)
    assert content(lake, "readings")["distance_since_clear_km"].to_list() == [812, None, 812, 812]


def test_counters_of_long_files(tmp_path):
    text = "unit_id,ts,signal,value\n" + "".join(
        f"V1,{stamp(START + timedelta(seconds=n))},{name},{value}\n"
        for n, value in enumerate([812, 0, 812])
        for name in ("distance_since_clear_km", "rpm")
    )
    line, lake = read(tmp_path, text)
    assert (line["kept"], line["quarantined"]) == (5, 1)
    assert content(lake, "readings").select("rpm", "distance_since_clear_km").rows() == [
        (812, 812), (0, None), (812, 812),
    ]  # fmt: skip


def test_every_counter_is_a_signal():
    assert set(COUNTERS) <= set(signals())


# -- names of vehicles ----------------------------------------------------------------------------------------


def test_names_that_look_alike_are_kept_apart_and_reported(tmp_path):
    settings, lake = fleet(tmp_path)
    run(settings, lake, write(tmp_path / "r.csv", "unit_id,engine_family,fuel\nVan 7,T12,petrol\nV9,T12,petrol\n"))
    text = HEADER + rows(0, unit="VAN7") + rows(0, unit="van\u200b7") + rows(0, unit="V9") + rows(0, unit="V10")
    summary = run(settings, lake, write(tmp_path / "a.csv", text))
    assert content(lake, "readings")["unit_id"].n_unique() == 4
    assert summary.alike == [("VAN7", "Van 7", "van\u200b7")]
    assert summary.unknown == ["V10", "VAN7", "van\u200b7"]
    quiet = run(settings, lake, write(tmp_path / "b.csv", HEADER + rows(9, unit="V9")))
    assert (quiet.alike, quiet.unknown) == ([], [])


def test_two_values_of_one_stamp_are_noted(tmp_path):
    line, lake = read(tmp_path, HEADER + f"V1,{stamp(START)},900\nV1,{stamp(START)},800\n")
    assert (line["kept"], line["duplicates"]) == (2, 0)
    assert content(lake, "readings")["rpm"].to_list() == [800]
    assert "two values for one instant" in reasons(lake)


ODD = ("-1", "--help", "../../etc/passwd", "/etc/passwd", "=1+1", "@SUM(A1)", "+1", "..", "a\\b", "%00", "V1;rm")


def test_odd_names_are_text_and_nothing_is_written_outside(tmp_path):
    settings, lake = fleet(tmp_path / "fleet")
    text = HEADER + "".join(rows(0, unit=name) for name in ODD)
    before = {path for path in tmp_path.rglob("*") if lake.root not in path.parents}
    line = one(run(settings, lake, write(tmp_path / "a.csv", text)))
    after = {path for path in tmp_path.rglob("*") if lake.root not in path.parents}
    assert (line["kept"], line["quarantined"]) == (len(ODD), 0)
    assert sorted(content(lake, "readings")["unit_id"]) == sorted(ODD)
    assert {path.name for path in after - before} <= {"a.csv", "fleet", "lake"}
    assert not [path for path in lake.root.rglob("*") if "passwd" in path.name]


def test_formulas_are_kept_as_text_and_no_spreadsheet_runs_them(tmp_path):
    settings, lake = fleet(tmp_path)
    text = "order_id,unit_id,closed_on,component,action,finding,cause\n=1+1,-V1,2026-01-08,B1S1,replaced,unknown,@cmd\n"
    run(settings, lake, write(tmp_path / "a.csv", text))
    assert lake.read("work_orders").select("order_id", "unit_id", "cause").row(0) == ("=1+1", "-V1", "@cmd")
    shown = _cells(
        pl.DataFrame({"unit_id": list(ODD), "probability": 0.5, "expected_saving": -1.0}, strict=False)
    )["unit_id"]
    assert [cell for cell in shown if cell[0] in "=+-@"] == []
    assert [cell.removeprefix("'") for cell in shown] == list(ODD)


@pytest.mark.parametrize("mark", ["\x07", "\x1b[2J", "\u202e", "\u2066", "\x9b"])
@pytest.mark.parametrize("terminal", [False, True])
def test_control_and_direction_marks_are_seen_in_the_console(tmp_path, mark, terminal):
    settings, lake = fleet(tmp_path)
    name = f"V{mark}1"
    summary = run(settings, lake, write(tmp_path / f"a{mark}.csv", HEADER + rows(0, unit=name) + rows(0, unit="V1")))
    console = Console(width=200, force_terminal=terminal, color_system=None, record=True, highlight=False, markup=False)
    say_ingested(console, summary)
    shown = console.export_text()
    assert mark not in shown
    assert mark.encode("unicode_escape").decode() in shown
    assert content(lake, "readings")["unit_id"].n_unique() == 2
