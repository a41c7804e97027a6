"""The ingest stage from files to tables: counts, ledger, spans, merging, replacement, what is not written."""

from __future__ import annotations

import gzip
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import ingest as stage
from pipeline.errors import ConfigError, LakeError
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
