"""The ingest stage from files to tables: counts, ledger, spans, merging, replacement, what is not written."""

from __future__ import annotations

import gzip
import os
from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import ingest as stage
from pipeline.arrivals import say_ingested
from pipeline.console import plain_console
from pipeline.errors import ConfigError, LakeError
from pipeline.exports import reading
from pipeline.exports.kinds import recognise
from pipeline.ingest import IngestProgress
from tests.faults.lakes import ARRIVED, READINGS, content, contents, fleet, one, reasons, run, write

CODES = (
    "unit_id,ts,code,state\nV1,2026-01-05T08:00:00Z,P0420,pending\nV1,2026-01-06T08:00:00Z,P0420,confirmed\n"
)
TESTS = (
    "unit_id,ts,obdmid,tid,uasid,value,min,max\n"
    "V1,2026-01-05T08:00:00Z,0x21,0xA9,0x06,3300,1024,65535\n"
)  # fmt: skip
REGISTER = "unit_id,engine_family,fuel,banks\nV1,T12,petrol,1\nV2,T12,diesel,1\n"
ORDERS = "order_id,unit_id,closed_on,component,action,finding\nW1,V1,2026-01-08,B1S1,replaced,unknown\n"
ALL = {
    "readings": READINGS,
    "codes": CODES,
    "onboard_tests": TESTS,
    "register": REGISTER,
    "work_orders": ORDERS,
}


def whole(folder: Path) -> Path:
    """A folder with one file of each input."""
    for name, text in ALL.items():
        write(folder / f"{name}.csv", text)
    return folder


def test_five_inputs_are_recognised_and_counted(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    summary = run(settings, lake, whole(tmp_path / "in"))
    kinds = dict(summary.files.select("kind", "kept").rows())
    assert kinds == {"codes": 2, "onboard_tests": 1, "readings": 3, "register": 2, "work_orders": 1}
    assert summary.totals == {
        "read": 5, "already read": 0, "refused": 0, "ignored": 0,
        "rows_in": 9, "kept": 9, "quarantined": 0, "duplicates": 0,
    }  # fmt: skip
    assert lake.read("exports").height == 5
    assert set(lake.read("codes")["arrived_at"]) == {ARRIVED}


def test_ledger_row(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    text = "unit_id,ts,rpm,lat,driver name,coolant_degc\nV1,2026-01-05T08:00:00Z,800,48.1,Ann,\n"
    path = write(tmp_path / "a.csv", text)
    run(settings, lake, path)
    row = lake.read("exports").row(0, named=True)
    assert row["file"] == str(path)
    assert row["bytes"] == len(text)
    assert (row["signals"], row["dropped"]) == ("rpm", "lat driver_name")
    assert row["first_ts"] == row["last_ts"] == content(lake, "readings")["ts"][0]
    assert set(content(lake, "readings").columns).isdisjoint({"lat", "driver name"})


def test_read_twice_counted_once(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    run(settings, lake, whole(tmp_path / "in"))
    before, version = contents(lake), lake.version("readings")
    again = run(settings, lake, tmp_path / "in", write(tmp_path / "copy.csv", READINGS))
    assert set(again.files["status"]) == {"already read"}
    assert again.totals["rows_in"] == 0
    assert lake.version("readings") == version
    for name, frame in contents(lake).items():
        assert_frame_equal(frame, before[name])


def test_same_rows_in_another_file_are_duplicates_and_rewrite_nothing(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    run(settings, lake, whole(tmp_path / "in"))
    versions = {name: lake.version(name) for name in ALL}
    for name, text in ALL.items():
        write(tmp_path / "again" / f"{name}.csv", text + "\n")
    summary = run(settings, lake, tmp_path / "again")
    assert (summary.totals["duplicates"], summary.totals["kept"]) == (9, 0)
    assert {name: lake.version(name) for name in ALL} == versions
    assert lake.read("export_spans")["export_id"].n_unique() == 1


def test_only_changed_partitions_are_rewritten(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path, buckets=1)
    day = "unit_id,ts,rpm\nV1,2026-01-0{}T08:00:00Z,800\n"
    run(settings, lake, write(tmp_path / "a.csv", day.format(5)), write(tmp_path / "b.csv", day.format(6)))
    before = lake.files("readings")
    late = day.format(5) + "V1,2026-01-06T09:00:00Z,900\n"
    line = one(run(settings, lake, write(tmp_path / "c.csv", late)))
    assert (line["kept"], line["duplicates"]) == (1, 1)
    after = lake.files("readings")
    same = before.join(after, on="path", how="semi")
    assert same["day"].to_list() == [date(2026, 1, 5)]
    assert after.select("day", "rows").rows() == [(date(2026, 1, 5), 1), (date(2026, 1, 6), 2)]


def test_partial_rows_fill_each_other_over_two_runs(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    head = "unit_id,ts,rpm,coolant_degc\n"
    run(settings, lake, write(tmp_path / "a.csv", head + "V1,2026-01-05T08:00:00Z,800,\n"))
    line = one(run(settings, lake, write(tmp_path / "b.csv", head + "V1,2026-01-05T08:00:00Z,,90\n")))
    assert (line["kept"], line["duplicates"]) == (1, 0)
    assert content(lake, "readings").select("rpm", "coolant_degc").rows() == [(800.0, 90.0)]


@pytest.mark.parametrize(("first", "second"), [(800, 810), (810, 800)])
def test_smaller_value_stays_over_two_runs_and_is_noted_once(tmp_path: Path, first: int, second: int) -> None:
    settings, lake = fleet(tmp_path)
    text = "unit_id,ts,rpm\nV1,2026-01-05T08:00:00Z,{}\n"
    run(settings, lake, write(tmp_path / "a.csv", text.format(first)))
    line = one(run(settings, lake, write(tmp_path / "b.csv", text.format(second))))
    assert line["kept"] == 1
    assert content(lake, "readings")["rpm"].to_list() == [800.0]
    noted = lake.read("quarantine").row(0, named=True)
    assert (noted["line"], noted["scope"], noted["column"], noted["value"]) == (
        2,
        "cell",
        "rpm",
        f"{second}.0",
    )
    assert "800.0" in noted["reason"] and "810.0" in noted["reason"]


def test_conflicts_of_a_whole_file_are_bounded(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    rows = [f"V1,2026-01-05T08:{n // 60:02}:{n % 60:02}Z,{{}}\n".format for n in range(1500)]
    for name, rpm in (("a", 800), ("b", 900)):
        write(tmp_path / f"{name}.csv", "unit_id,ts,rpm\n" + "".join(row(rpm) for row in rows))
        run(settings, lake, tmp_path / f"{name}.csv")
    noted = lake.read("quarantine")
    assert noted.height == 1001
    assert noted.filter(pl.col("line") == 0)["value"].to_list() == ["500"]


def test_spans_name_the_lines_of_a_day(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path, time_zone="Europe/Vienna")
    text = (
        "unit_id,ts,rpm\n"
        "V1,2026-01-05T22:59:59Z,1\n"
        "V2,2026-01-05T12:00:00Z,1\n"
        "V1,2026-01-05T23:00:00Z,1\n"
        "V1,2026-01-05T23:00:00Z,1\n"
        "V1,2026-01-06T10:00:00Z,1\n"
    )
    run(settings, lake, write(tmp_path / "a.csv", text))
    spans = lake.read("export_spans").select("unit_id", "day", "first_line", "last_line", "rows").rows()
    assert spans == [
        ("V1", date(2026, 1, 5), 2, 2, 1),
        ("V1", date(2026, 1, 6), 4, 6, 2),
        ("V2", date(2026, 1, 5), 3, 3, 1),
    ]
    days = content(lake, "readings").filter(pl.col("unit_id") == "V1")["day"].to_list()
    assert days == [date(2026, 1, 5), date(2026, 1, 6), date(2026, 1, 6)]


def test_partitions_are_sorted_and_unique(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path, buckets=3)
    rows = [f"V{n % 7},2026-01-0{5 + n % 2}T08:00:{(n * 37) % 60:02}Z,{n}\n" for n in range(200)]
    write(tmp_path / "in" / "a.csv", "unit_id,ts,rpm\n" + "".join(rows[:120]))
    write(tmp_path / "in" / "b.csv", "unit_id,ts,rpm\n" + "".join(rows[120:]))
    run(settings, lake, tmp_path / "in")
    for uri in lake.files("readings")["uri"]:
        keys = pl.read_parquet(uri, hive_partitioning=False).select("unit_id", "ts")
        assert keys.equals(keys.unique().sort("unit_id", "ts"))


def test_small_blocks_packages_and_spills_give_the_same_lake(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = [
        f"V{n % 5},2026-01-{5 + n % 9:02}T08:{n % 60:02}:00Z,{n % 11 * 100},{n % 3}\n" for n in range(900)
    ]
    text = "unit_id,ts,rpm,speed_kmh\n" + "".join(rows)
    write(tmp_path / "in" / "a.csv", text)
    (tmp_path / "in" / "b.csv.gz").write_bytes(gzip.compress((text + rows[0].replace("V0", "V9")).encode()))
    plain, small = fleet(tmp_path / "plain"), fleet(tmp_path / "small")
    run(*plain, tmp_path / "in")
    monkeypatch.setattr(stage, "PACKAGE_ROWS", 40)
    monkeypatch.setattr(stage, "GROUP_ROWS", 100)
    monkeypatch.setattr("pipeline.exports.staging.SPILL_ROWS", 50)
    monkeypatch.setattr("pipeline.exports.csvtext.BLOCK_BYTES", 700)
    run(*small, tmp_path / "in")
    for name in ("readings", "export_spans", "exports"):
        found, wanted = content(small[1], name), content(plain[1], name)
        if name == "exports":  # clocks are judged inside a batch
            found, wanted = found.drop("notes"), wanted.drop("notes")
        assert_frame_equal(found, wanted)
    assert not (small[1].root / "_staging").exists()


def test_register_and_work_orders_are_replaced_by_later_rows(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    run(settings, lake, whole(tmp_path / "in"))
    write(tmp_path / "new" / "a.csv", REGISTER.replace("V1,T12", "V1,T14"))
    write(
        tmp_path / "new" / "b.csv",
        ORDERS.replace("unknown", "confirmed") + "W2,V2,2026-01-09,OTHER,repaired,unknown\n",
    )
    later = ARRIVED + timedelta(days=7)
    summary = run(settings, lake, tmp_path / "new", at=later)
    assert summary.files.select("kept", "duplicates").rows() == [(1, 1), (2, 0)]
    register = lake.read("register")
    assert register.select("unit_id", "engine_family", "arrived_at").rows() == [
        ("V1", "T14", later),
        ("V2", "T12", ARRIVED),
    ]
    assert lake.read("work_orders").select("order_id", "finding").rows() == [
        ("W1", "confirmed"),
        ("W2", "unknown"),
    ]


VEHICLE = (
    "unit_id,engine_family,fuel,model_year,banks,upstream_sensor,displacement_l,depot,in_service_on\n"
    "V1,F1,petrol,2019,2,wide_range,2.0,North,2019-01-01\n"
)
SAID = ["engine_family", "fuel", "model_year", "banks", "upstream_sensor", "displacement_l", "depot", "in_service_on"]


@pytest.mark.parametrize(
    ("sent", "changes"),
    [
        # A word for a number, a word that is none of the list, a day in another order: what was known stays.
        (VEHICLE.replace(",2,wide", ",two,wide").replace("2019-01-01", "01.01.2019").replace("North", "South"), {"depot": "South"}),
        (VEHICLE.replace("petrol", "Benzin").replace("wide_range", "wideband"), {}),
        # Columns that the file does not have say nothing.
        ("unit_id,engine_family,fuel\nV1,F2,petrol\n", {"engine_family": "F2"}),
        # An empty cell of a column that is there says that it is empty.
        (VEHICLE.replace("North", " ").replace(",2019,", ",,"), {"depot": None, "model_year": None}),
    ],
)
def test_only_an_empty_cell_empties_what_is_known_of_a_vehicle(
    tmp_path: Path, sent: str, changes: dict[str, object]
) -> None:
    settings, lake = fleet(tmp_path)
    run(settings, lake, write(tmp_path / "a.csv", VEHICLE))
    before = lake.read("register").select(SAID).row(0, named=True)
    assert None not in before.values()
    line = one(run(settings, lake, write(tmp_path / "b.csv", sent), at=ARRIVED + timedelta(days=1)))
    assert lake.read("register").select(SAID).row(0, named=True) == before | changes
    assert (line["kept"], line["duplicates"]) == ((1, 0) if changes else (0, 1))


def test_rows_of_one_run_fill_each_other_in_their_order(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "in" / "1.csv", VEHICLE + "V1,F1,petrol,2020,x,,,West,\n")
    write(tmp_path / "in" / "2.csv", "unit_id,engine_family,fuel,depot\nV2,F1,petrol,East\nV1,F1,flex,East\n")
    run(settings, lake, tmp_path / "in")
    rows = lake.read("register").select("unit_id", *SAID).rows()
    assert rows == [
        ("V1", "F1", "flex", 2020, 2, None, None, "East", None),
        ("V2", "F1", "petrol", None, None, None, None, "East", None),
    ]


def test_an_order_sent_again_without_its_costs_keeps_them(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    head = "order_id,unit_id,closed_on,odometer_km,component,action,finding,cause,parts_cost,labour_h\n"
    run(settings, lake, write(tmp_path / "a.csv", head + "W1,V1,2026-01-08,9000,B1S1,replaced,unknown,soot,120,1.5\n"))
    run(settings, lake, write(tmp_path / "b.csv", ORDERS.replace("unknown", "confirmed")))
    known = lake.read("work_orders").select("finding", "odometer_km", "cause", "parts_cost", "labour_h").rows()
    assert known == [("confirmed", 9000.0, "soot", 120.0, 1.5)]


ORDER_HEAD = "order_id,unit_id,closed_on,component,action,finding\n"
LINES = "4711,V1,2026-01-05,B1S1,replaced,confirmed\n4711,V1,2026-01-05,CAT1,replaced,confirmed\n"


def test_an_order_of_a_sensor_and_a_catalyst_is_two_rows(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    line = one(run(settings, lake, write(tmp_path / "a.csv", ORDER_HEAD + LINES)))
    assert (line["rows_in"], line["kept"], line["duplicates"]) == (2, 2, 0)
    assert lake.read("work_orders").select("component", "line").rows() == [("B1S1", 2), ("CAT1", 3)]
    # Sent again with one line corrected: the other stays as it is.
    again = ORDER_HEAD + LINES.replace("CAT1,replaced,confirmed", "CAT1,inspected,no_fault_found")
    line = one(run(settings, lake, write(tmp_path / "b.csv", again)))
    assert (line["kept"], line["duplicates"]) == (1, 1)
    assert lake.read("work_orders").select("component", "action").rows() == [("B1S1", "replaced"), ("CAT1", "inspected")]


def test_last_line_of_a_run_stands_in_the_register(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "in" / "2.csv", "unit_id,engine_family,fuel\nV1,T20,petrol\n")
    write(
        tmp_path / "in" / "1.csv", "unit_id,engine_family,fuel\nV1,T10,petrol\nV1,T11,petrol\nV1,T11,petrol\n"
    )
    summary = run(settings, lake, tmp_path / "in")
    assert summary.files.select("kept", "duplicates").rows() == [(2, 1), (1, 0)]
    assert lake.read("register")["engine_family"].to_list() == ["T20"]


DAY = timedelta(days=1)


def delivered(path: Path, text: str, at: datetime) -> Path:
    """The file as changed at an instant."""
    write(path, text)
    os.utime(path, (at.timestamp(),) * 2)
    return path


def depots(*names: str) -> list[str]:
    return [f"unit_id,engine_family,fuel,depot\nV1,F1,petrol,{name}\nV2,F1,steam,{name}\n" for name in names]


def test_the_later_of_two_numbered_files_stands(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    for name, action in (("work_orders_10.csv", "replaced"), ("work_orders_9.csv", "inspected")):
        write(tmp_path / "in" / name, ORDERS.replace("replaced", action))
    run(settings, lake, tmp_path / "in")
    assert lake.read("work_orders")["action"].to_list() == ["replaced"]


def test_a_register_that_was_changed_back_stands(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    north, south = depots("North", "South")
    path = tmp_path / "in" / "register.csv"
    for day, (text, stands) in enumerate([(north, "North"), (south, "South"), (north, "North"), (north, "North")]):
        delivered(path, text, ARRIVED + day * DAY)
        line = one(run(settings, lake, path.parent, at=ARRIVED + day * DAY + timedelta(hours=1)))
        assert lake.read("register")["depot"].to_list() == [stands, stands]
        assert line["status"] == ("read" if day < 3 else "already read")
        ledger = lake.read("exports")
        assert ledger.height == min(day + 1, 2)
        assert (ledger["rows_in"] == ledger["kept"] + ledger["quarantined"] + ledger["duplicates"]).all()
        quarantine = lake.read("quarantine").select("export_id", "line", "column")
        assert quarantine.height == quarantine.n_unique() == ledger.height
    first = ledger.sort("arrived_at").row(0, named=True)
    assert first["arrived_at"] == ARRIVED + timedelta(hours=1) and first["as_of"] == ARRIVED + 2 * DAY
    assert "merged once more on 2026-03-03" in first["notes"]
    assert lake.read("register")["arrived_at"].to_list() == [ARRIVED + 2 * DAY + timedelta(hours=1)] * 2


def test_files_that_lie_there_for_ever_are_read_once(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    north, south = depots("North", "South")
    delivered(tmp_path / "in" / "a" / "register_1.csv", north, ARRIVED - 2 * DAY)
    delivered(tmp_path / "in" / "register_2.csv", south, ARRIVED - DAY)
    delivered(tmp_path / "in" / "future.csv", REGISTER.replace("V1", "V3"), ARRIVED + 999 * DAY)
    run(settings, lake, tmp_path / "in")
    version = lake.version("register")
    for night in range(1, 4):
        if night == 2:  # an old file is put away: its time of change stays
            (tmp_path / "in" / "a" / "register_1.csv").rename(tmp_path / "in" / "zz_old.csv")
        files = run(settings, lake, tmp_path / "in", at=ARRIVED + night * DAY).files
        assert set(files["status"]) == {"already read"}
        assert lake.version("register") == version
    assert lake.read("register")["depot"].to_list()[0] == "South"


def test_there_and_back_in_one_run_and_under_three_names(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    for day, text in enumerate(depots("North", "South", "North")):
        delivered(tmp_path / "in" / f"{9 - day}.csv", text, ARRIVED - (9 - day) * DAY)
    files = run(settings, lake, tmp_path / "in").files
    assert files["status"].to_list() == ["read"] * 3
    assert lake.read("register")["depot"].to_list() == ["North", "North"]
    assert lake.read("exports").height == 2 and lake.read("quarantine").height == 2
    assert set(run(settings, lake, tmp_path / "in", at=ARRIVED + DAY).files["status"]) == {"already read"}


def test_known_content_that_is_no_register_any_more_leaves_what_it_said(tmp_path: Path, monkeypatch) -> None:
    settings, lake = fleet(tmp_path)
    path = tmp_path / "in" / "register.csv"
    for day, text in enumerate(depots("North", "South")):
        run(settings, lake, delivered(path, text, ARRIVED + day * DAY), at=ARRIVED + day * DAY)
    before = lake.read("exports")
    delivered(path, depots("North")[0], ARRIVED + 2 * DAY)
    monkeypatch.setattr(reading, "recognise", lambda file, names: recognise(file, ["vehicle"]))
    line = one(run(settings, lake, path, at=ARRIVED + 2 * DAY))
    assert line["status"] == "refused" and "not one of the inputs" in line["reason"]
    assert lake.read("register")["depot"].to_list() == ["South", "South"]
    assert_frame_equal(lake.read("exports"), before)


def test_exports_beside_the_lake_are_found_without_its_tables(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings, lake = fleet(tmp_path, out=str(tmp_path / "out"))
    write(tmp_path / "out" / "2026-04-27" / "list.csv", "x\n")
    write(tmp_path / "register.csv", REGISTER)
    for night in range(2):
        summary = run(settings, lake, tmp_path, at=ARRIVED + night * DAY)
        told = dict(summary.files.select(pl.col("file").str.split("/").list.last(), "status").rows())
        assert told == {"lake": "ignored", "out": "ignored", "register.csv": "already read" if night else "read"}
        say_ingested(plain_console(), summary)
        said = [line for line in capsys.readouterr().out.splitlines() if line.startswith("left out")]
        assert [line.split(": ")[1] for line in said] == [str(tmp_path / "lake"), str(tmp_path / "out")]


@pytest.mark.parametrize("order", [(3300, 3200), (3200, 3300)])
def test_two_results_of_one_test_leave_the_smaller_whatever_the_order(
    tmp_path: Path, order: tuple[int, int]
) -> None:
    settings, lake = fleet(tmp_path)
    fates = []
    for place, value in enumerate(order):
        path = write(tmp_path / f"{place}.csv", TESTS.replace("3300", str(value)))
        fates.append(one(run(settings, lake, path)))
    assert content(lake, "onboard_tests")["value_raw"].to_list() == [3200]
    assert (fates[1]["kept"], fates[1]["quarantined"]) == ((1, 0) if order[1] == 3200 else (0, 1))
    noted = lake.read("quarantine").row(0, named=True)
    assert (noted["scope"], noted["line"]) == ("cell" if order[1] == 3200 else "row", 2)
    assert "another result" in reasons(lake)


def test_ignored_files_are_reported(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    write(tmp_path / "in" / "a.csv", READINGS)
    write(tmp_path / "in" / "deep" / "notes.xlsx", "x")
    write(tmp_path / "in" / ".cache" / "b.csv", READINGS.replace("V1", "V7"))
    files = run(settings, lake, tmp_path / "in").files
    assert [Path(name).name for name in files["file"]] == ["a.csv", "notes.xlsx"]
    assert files["status"].to_list() == ["read", "ignored"]


def test_progress_is_told(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    told: list[IngestProgress] = []
    with lake.lock("ingest", "now"):
        stage.ingest(settings, lake, [whole(tmp_path / "in")], ARRIVED, told.append)
    assert len([item for item in told if item.doing == "reading"]) == 5
    done = [item.files_done for item in told]
    assert done == sorted(done)
    assert [item.files_done for item in told if item.doing == "merging"] == [5]
    assert [item.rows for item in told if item.doing == "merging"] == [3]


def test_rows_that_do_not_add_up_are_never_published(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    settings, lake = fleet(tmp_path)
    run(settings, lake, write(tmp_path / "a.csv", READINGS))
    before = content(lake, "readings")
    merge = stage.merge_readings

    def loses_a_row(existing: pl.DataFrame, new: pl.DataFrame) -> object:
        return merge(existing, new.head(new.height - 1))

    monkeypatch.setattr(stage, "merge_readings", loses_a_row)
    path = write(tmp_path / "b.csv", READINGS.replace("V1", "V3"))
    with pytest.raises(LakeError, match=r"b\.csv: 3 rows in, but 2 kept, 0 quarantined and 0 duplicates"):
        run(settings, lake, path)
    monkeypatch.undo()
    assert_frame_equal(content(lake, "readings"), before)
    assert lake.read("exports").height == 1
    assert not (lake.root / "_staging").exists()
    assert one(run(settings, lake, path))["kept"] == 2  # V2 of both files is the same row


def test_other_zone_or_buckets_than_the_lake_has(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", READINGS)
    run(settings, lake, path)
    for changed in ({"buckets": 4}, {"time_zone": "Asia/Tokyo"}):
        other, _ = fleet(tmp_path, **changed)
        with pytest.raises(ConfigError, match=f"{next(iter(changed))} is"):
            run(other, lake, path)
