"""Quarantine: reasons and counts, and files read once more after a setting or a layout was mended."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import ingest as stage
from pipeline.arrivals import say_quarantine
from pipeline.console import plain_console
from pipeline.exports import reading
from pipeline.exports.outcome import IngestSummary
from pipeline.jobs import retry_quarantine
from pipeline.lake import Lake
from pipeline.quarantine import faults, to_read_again
from pipeline.settings import Settings
from tests.faults.lakes import ARRIVED, content, contents, fleet, one, rejects, run, write

LATER = ARRIVED + timedelta(days=9)
VIN = "ZZZAB12CD3E456789"
KEY = "a secret of the fleet"
AT = "2026-01-05T08:00:"
TEXT = (
    "unit_id,ts,rpm,coolant_degc\n"
    f"V1,{AT}00Z,800,90\n"
    f"{VIN},{AT}00Z,810,91\n"
    f"V1,{AT}01Z,99999,92\n"
    f"V1,{AT}00Z,800,90\n"
    f"{VIN},{AT}01Z,820,\n"
    "V1,soon,800,90\n"
    f"{VIN},{AT}00Z,810,91\n"
)


def again(settings: Settings, lake: Lake, *paths: Path, vin_key: str | None = None) -> IngestSummary:
    """One retry that holds the lake."""
    with lake.lock("quarantine retry", "now"):
        return retry_quarantine(settings, lake, list(paths), LATER, vin_key=vin_key)


def balance(lake: Lake) -> tuple[int, int, int, int]:
    """Counts of the only export, checked to add up."""
    row = lake.read("exports").row(0, named=True)
    counts = tuple(row[name] for name in ("rows_in", "kept", "quarantined", "duplicates"))
    assert counts[0] == sum(counts[1:])
    assert counts[2] == lake.read("quarantine").filter(pl.col("scope") == "row").height
    return counts


# -- what is in it ---------------------------------------------------------------------------------------------


def test_reasons_are_counted_with_examples_newest_first(tmp_path, capsys):
    settings, lake = fleet(tmp_path)
    old = "unit_id,ts,rpm\n" + "".join(f"V1,{AT}{n:02}Z,{20000 + n}\n" for n in range(5)) + f"V1,{AT}09Z,800\n"
    run(settings, lake, write(tmp_path / "old.csv", old))
    run(settings, lake, write(tmp_path / "new.csv", TEXT), at=LATER)
    found = faults(lake)
    assert [(fault.rows, fault.cells, fault.files) for fault in found] == [(3, 0, 1), (1, 0, 1), (0, 1, 1), (5, 0, 1)]
    assert found[3].examples[0][1:] == (2, "rpm", "20000.0") and len(found[3].examples) == 3
    assert "outside 0 to 16383.8 1/min" in found[3].reason
    assert len(faults(lake, "old.csv")) == 1 and faults(lake, "no such") == []
    say_quarantine(plain_console(), found)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("3 rows, 0 cells in 1 file: looks like a vehicle identification number")
    assert lines[1] == f"  {tmp_path}/new.csv:3 unit_id '(VIN)'"
    assert lines[-1].startswith("4 reasons: 9 rows and 1 cells that could not be used")


def test_cells_that_are_not_listed_count(tmp_path):
    settings, lake = fleet(tmp_path)
    lines = [f"V1,2026-01-05T{n // 3600:02}:{n // 60 % 60:02}:{n % 60:02}Z,x,90\n" for n in range(1500)]
    run(settings, lake, write(tmp_path / "a.csv", "unit_id,ts,rpm,coolant_degc\n" + "".join(lines)))
    assert sum(fault.cells for fault in faults(lake)) == 1500


# -- read once more --------------------------------------------------------------------------------------------


def test_rows_enter_after_a_setting_was_mended(tmp_path):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", TEXT)
    run(settings, lake, path)
    assert balance(lake) == (7, 2, 4, 1)
    before = content(lake, "readings")
    line = one(again(settings, lake, path, vin_key=KEY))
    assert (line["kept"], line["quarantined"], line["duplicates"]) == (4, 1, 2)
    assert balance(lake) == (7, 4, 1, 2)
    after = content(lake, "readings")
    assert_frame_equal(after.filter(pl.col("unit_id") == "V1"), before)
    assert after.filter(pl.col("unit_id") != "V1")["rpm"].to_list() == [810, 820]
    assert sorted(item[:3] for item in rejects(lake)) == [(4, "cell", "rpm"), (7, "row", "ts")]
    spans = lake.read("export_spans").select("first_line", "last_line", "rows", "arrived_at").rows()
    assert spans == [(2, 4, 2, ARRIVED), (3, 6, 2, LATER)]
    ledger = lake.read("exports").row(0, named=True)
    assert ledger["arrived_at"] == ARRIVED
    assert "read again on 2026-03-10: 2 more rows kept, 1 of 4 still quarantined" in ledger["notes"]
    whole = fleet(tmp_path / "whole")
    run(*whole, path, vin_key=KEY)
    assert_frame_equal(content(whole[1], "readings"), after)


def test_reading_again_what_cannot_be_mended_changes_nothing(tmp_path):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", TEXT)
    run(settings, lake, path)
    before, noted, spans = contents(lake), lake.read("quarantine"), lake.read("export_spans")
    version = lake.version("readings")
    for _ in range(2):
        again(settings, lake, path)
        assert balance(lake) == (7, 2, 4, 1)
    assert lake.version("readings") == version
    assert_frame_equal(lake.read("quarantine"), noted)
    assert_frame_equal(lake.read("export_spans"), spans)
    for name, frame in contents(lake).items():
        assert_frame_equal(frame, before[name])


def test_values_kept_before_are_not_rewritten(tmp_path, monkeypatch):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", TEXT.replace("V1,soon", f"V1,{AT}08Z"))
    run(settings, lake, path)
    clean = reading.clean_readings

    def halved(raw: pl.DataFrame, *others: object) -> object:
        """A layout that now reads half of the value, so that the cell at fault becomes usable too."""
        return clean(raw.with_columns(pl.col("rpm").cast(pl.Float64) / 10), *others)

    monkeypatch.setattr(reading, "clean_readings", halved)
    again(settings, lake, path, vin_key=KEY)
    rows = content(lake, "readings").select("unit_id", "ts", "rpm", "coolant_degc").rows()
    own = [row[2:] for row in rows if row[0] == "V1"]
    assert own == [(800, 90), (pytest.approx(9999.9), 92), (800, 90)]
    assert [row[2] for row in rows if row[0] != "V1"] == [81, 82]
    assert rejects(lake) == []
    assert balance(lake) == (7, 5, 0, 2)
    spans = lake.read("export_spans").filter(pl.col("unit_id") == "V1").select("rows", "arrived_at")
    assert spans.rows() == [(3, LATER)]


def test_a_smaller_value_of_another_file_stays(tmp_path):
    settings, lake = fleet(tmp_path)
    first = write(tmp_path / "a.csv", TEXT)
    run(settings, lake, first, write(tmp_path / "b.csv", f"unit_id,ts,rpm\nV1,{AT}00Z,700\n"))
    again(settings, lake, first, vin_key=KEY)
    assert content(lake, "readings").filter(pl.col("unit_id") == "V1")["rpm"].to_list() == [700, None]
    ledger = lake.read("exports")
    assert (ledger["rows_in"] == ledger["kept"] + ledger["quarantined"] + ledger["duplicates"]).all()


def test_conflicts_of_the_first_reading_stay_noted(tmp_path):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", TEXT + f"V1,{AT}00Z,790,90\n")
    run(settings, lake, path)
    assert (9, "cell", "rpm", "790.0") in rejects(lake)
    again(settings, lake, path, vin_key=KEY)
    assert (9, "cell", "rpm", "790.0") in rejects(lake)
    assert balance(lake) == (8, 5, 1, 2)


def test_only_files_with_something_set_apart_are_read(tmp_path):
    settings, lake = fleet(tmp_path)
    clean = write(tmp_path / "in" / "clean.csv", f"unit_id,ts,rpm\nV4,{AT}00Z,700\n")
    run(settings, lake, clean, write(tmp_path / "in" / "a.csv", TEXT))
    write(tmp_path / "in" / "new.csv", f"unit_id,ts,rpm\nV3,{AT}00Z,700\n")
    write(tmp_path / "in" / "copy.csv", TEXT)
    summary = again(settings, lake, tmp_path / "in", vin_key=KEY)
    assert dict(summary.files.select(pl.col("file").str.split("/").list.last(), "status").rows()) == {
        "a.csv": "read", "clean.csv": "already read", "copy.csv": "already read", "new.csv": "ignored",
    }  # fmt: skip
    assert "V3" not in content(lake, "readings")["unit_id"].to_list()
    assert len(to_read_again(lake, [])) == 1


GATEWAY = """
[files]
match = ["gw_*.csv"]
[content]
input = "readings"
[unit]
column = "unit_id"
[time]
columns = ["ts"]
order = "iso"
[columns]
rpm = { is = "rpm" }
"O2S11 [V]" = { is = "o2_b1s1_v", unit = "V" }
"""


def test_a_column_that_was_dropped_comes_back_once_a_layout_keeps_it(tmp_path):
    settings, lake = fleet(tmp_path, layouts=str(tmp_path / "layouts"))
    (tmp_path / "layouts").mkdir()
    path = write(tmp_path / "in" / "gw_1.csv", f"unit_id,ts,rpm,O2S11  [V],note\nV1,{AT}00Z,800,0.45,x\nV1,{AT}01Z,810,,x\n")
    write(tmp_path / "in" / "other.csv", f"unit_id,ts,rpm,O2S11 [V]\nV2,{AT}00Z,800,0.45\n")
    run(settings, lake, path.parent)
    before = content(lake, "readings")
    assert to_read_again(lake, []) == {}
    write(tmp_path / "layouts" / "gw.toml", GATEWAY)
    files = again(settings, lake, path.parent).files
    assert files["status"].to_list() == ["read", "already read"]
    after = content(lake, "readings")
    assert after["o2_b1s1_v"].to_list() == [pytest.approx(0.45), None, None]
    assert_frame_equal(after.drop("o2_b1s1_v"), before.drop("o2_b1s1_v"))
    ledger = lake.read("exports").filter(pl.col("file") == str(path)).row(0, named=True)
    assert (ledger["rows_in"], ledger["kept"], ledger["quarantined"], ledger["duplicates"]) == (2, 2, 0, 0)
    assert ledger["dropped"] == "note" and ledger["signals"] == "rpm o2_b1s1_v"
    spans = lake.read("export_spans").filter(pl.col("unit_id") == "V1").select("rows", "arrived_at").rows()
    assert spans == [(2, LATER)]  # the day is known later now
    assert set(again(settings, lake, path.parent).files["status"]) == {"already read"}


def test_what_a_layout_drops_or_two_layouts_claim_is_not_read_again(tmp_path):
    settings, lake = fleet(tmp_path, layouts=str(tmp_path / "layouts"))
    path = write(tmp_path / "gw_1.csv", f"unit_id,ts,rpm,O2S11 [V],note\nV1,{AT}00Z,800,0.45,x\n")
    (tmp_path / "layouts").mkdir()
    run(settings, lake, path)
    write(tmp_path / "layouts" / "gw.toml", GATEWAY.replace('"O2S11 [V]"', "other"))
    assert set(again(settings, lake, path).files["status"]) == {"already read"}
    write(tmp_path / "layouts" / "gw.toml", GATEWAY)
    write(tmp_path / "layouts" / "hw.toml", GATEWAY)
    assert set(again(settings, lake, path).files["status"]) == {"already read"}


def test_a_refused_file_is_read_once_its_columns_are_known(tmp_path, monkeypatch):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", TEXT)
    recognise = reading.recognise
    monkeypatch.setattr(reading, "recognise", lambda file, names: recognise(file, ["vehicle"]))
    assert one(run(settings, lake, path))["status"] == "refused"
    monkeypatch.setattr(reading, "recognise", recognise)
    assert one(again(settings, lake, path))["kept"] == 2
    assert balance(lake) == (7, 2, 4, 1)


def test_a_file_cut_another_way_or_refused_now_is_left_as_it_is(tmp_path, monkeypatch):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", TEXT)
    run(settings, lake, path)
    before, ledger, noted = content(lake, "readings"), lake.read("exports"), lake.read("quarantine")
    recognise = reading.recognise
    for lie in (lambda file, names: recognise(file, ["vehicle"]), None):
        if lie is None:
            monkeypatch.setattr(reading, "recognise", recognise)
            batch = reading.guarded
            monkeypatch.setattr(
                reading, "guarded", lambda raw, *more: batch(type(raw)(raw.frame[1:], raw.rows_in - 1, raw.rejected), *more)
            )
            monkeypatch.setattr(
                reading, "_guarded",
                lambda raw, hide, export, door: reading.guarded(raw, hide, door.vins)[0],
            )  # fmt: skip
        else:
            monkeypatch.setattr(reading, "recognise", lie)
        line = one(again(settings, lake, path, vin_key=KEY))
        assert line["status"] == "refused" and line["reason"]
        assert_frame_equal(content(lake, "readings"), before)
        assert_frame_equal(lake.read("exports"), ledger)
        assert_frame_equal(lake.read("quarantine"), noted)


def test_small_tables_take_rows_and_leave_those_that_stand(tmp_path):
    settings, lake = fleet(tmp_path)
    orders = "order_id,unit_id,closed_on,odometer_km,component,action,finding\n"
    orders += f"W1,V1,2026-01-08,far,B1S1,replaced,unknown\nW2,{VIN},2026-01-08,,B1S1,replaced,unknown\n"
    orders += f"W3,{VIN},2026-01-09,,B1S2,replaced,unknown\n"
    path = write(tmp_path / "a.csv", orders)
    run(settings, lake, path)
    head = "order_id,unit_id,closed_on,component,action,finding\n"
    run(settings, lake, write(tmp_path / "b.csv", head + "W3,V5,2026-01-10,CAT1,inspected,unknown\n"))
    run(settings, lake, write(tmp_path / "c.csv", head + "W1,V6,2026-01-11,CAT1,inspected,unknown\n"))
    line = one(again(settings, lake, path, vin_key=KEY))
    assert (line["rows_in"], line["kept"], line["quarantined"]) == (3, 2, 1)
    units = dict(lake.read("work_orders").select("order_id", "unit_id").rows())
    assert (units["W1"], units["W3"]) == ("V6", "V5") and units["W2"].startswith("vin-")
    assert sorted(item[:3] for item in rejects(lake)) == [(2, "cell", "odometer_km"), (4, "row", "order_id")]


@pytest.mark.parametrize(("sent", "kept", "stand"), [(-1, 3, 4), (1, 1, 2)])
def test_the_second_line_of_an_order_enters_unless_a_later_file_speaks_of_the_order(tmp_path, sent, kept, stand):
    settings, lake = fleet(tmp_path)
    head = "order_id,unit_id,closed_on,component,action,finding\n"
    other = write(tmp_path / "b.csv", head + "W1,V1,2026-01-08,B2S1,replaced,unknown\n")
    if sent < 0:
        run(settings, lake, other, at=ARRIVED - timedelta(days=1))
    path = write(
        tmp_path / "a.csv", head + f"W1,{VIN},2026-01-08,B1S1,replaced,unknown\nW1,{VIN},2026-01-08,CAT1,replaced,unknown\n"
        "W1,V1,2026-01-08,B1S2,replaced,unknown\n"
    )
    run(settings, lake, path)
    if sent > 0:
        run(settings, lake, other, at=ARRIVED + timedelta(days=1))
    line = one(again(settings, lake, path, vin_key=KEY))
    assert (line["rows_in"], line["kept"], line["quarantined"]) == (3, kept, 3 - kept)
    assert lake.read("work_orders").height == stand


def test_answers_take_rows_codes_and_quiet_lines(tmp_path):
    settings, lake = fleet(tmp_path)
    text = "unit_id,ts,response\n" + "".join(
        f"{unit},{AT}00Z,{answer}\n"
        for unit in ("V1", VIN)
        for answer in ("41 0C 0C 80", "41 1D 0F", "43 01 04 20", "41 0C 0C")
    )
    path = write(tmp_path / "a.csv", text)
    run(settings, lake, path)
    assert balance(lake) == (8, 3, 5, 0)
    again(settings, lake, path, vin_key=KEY)
    assert balance(lake) == (8, 6, 2, 0)
    assert content(lake, "codes").height == content(lake, "readings").height == 2


def test_an_error_on_the_way_leaves_everything(tmp_path, monkeypatch):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", TEXT)
    run(settings, lake, path)
    names = ("readings", "export_spans", "quarantine", "exports")
    before = {name: lake.read(name) for name in names}

    def fails(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(stage._Run, "_write_ledger", fails)
    with pytest.raises(OSError, match="No space"):
        again(settings, lake, path, vin_key=KEY)
    for name in names:
        assert_frame_equal(lake.read(name), before[name])


def test_what_was_future_when_it_arrived_stays_out(tmp_path):
    settings, lake = fleet(tmp_path)
    text = f"unit_id,ts,rpm\nV1,{AT}00Z,800\nV1,{ARRIVED + timedelta(days=3):%Y-%m-%dT%H:%M:%SZ},800\n"
    path = write(tmp_path / "a.csv", text)
    run(settings, lake, path)
    again(settings, lake, path)
    assert balance(lake) == (2, 1, 1, 0)


def test_a_mended_first_day(tmp_path):
    settings, lake = fleet(tmp_path)
    path = write(tmp_path / "a.csv", "unit_id,ts,rpm\nV1,2003-01-05T08:00:00Z,800\nV2,2026-01-05T08:00:00Z,800\n")
    run(settings, lake, path)
    assert balance(lake) == (2, 1, 1, 0)
    again(settings.model_copy(update={"first_day": date(2001, 1, 1)}), lake, path)
    assert balance(lake) == (2, 2, 0, 0)
    ledger = lake.read("exports").row(0, named=True)
    assert ledger["first_ts"] == datetime(2003, 1, 5, 8, tzinfo=UTC)
