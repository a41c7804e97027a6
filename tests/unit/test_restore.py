"""Lost partitions made again from their exports: every table as it was, or nothing changed and what is missing named."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline import jobs
from pipeline import restore as stage
from pipeline.checks import check
from pipeline.closed import closed_day
from pipeline.derive import derive
from pipeline.errors import ExportError, LakeError, QueryError, ShardsError, UnrestoredError
from pipeline.exports import reading
from pipeline.exports.outcome import IngestProgress
from pipeline.lake import Lake, bucket_of
from pipeline.restore import Restored, lost_files, restore
from pipeline.runs import versions
from pipeline.settings import Settings
from pipeline.thinning import thin
from tests.faults.lakes import ARRIVED, fleet, run, write
from tests.unit.test_quarantine import GATEWAY
from tests.unit.test_thinning import HEADER, drive

LATER = ARRIVED + timedelta(days=9)
KEY = "a secret of the fleet"
VIN = "ZZZAB12CD3E456789"
FIRST = date(2026, 2, 2)
SAID = ("readings", "export_spans", "exports", "quarantine")
MADE = ("trips", "indicator_days", "signal_days")
AT = "2026-02-03T00:0"
# Of V1 and V2 on the second day: another signal, one value above and one below what stands, an exact duplicate, a cell and
# two rows that cannot be used, and a row under an identification number, which enters only with a key.
MEETS = (
    "unit_id,ts,o2_b1s2_v,ambient_degc\n"
    f"V1,{AT}0:00Z,,7\nV1,{AT}0:05Z,0.99,7\nV2,{AT}0:00Z,0.01,\nV2,{AT}0:05Z,0.62,\nV2,{AT}0:10Z,0.62,900\n"
    f"V1,soon,0.5,7\nV2,{AT}0:15Z,9,\n{VIN},{AT}1:00Z,0.5,8\nV1,{AT}2:07Z,0.3,8\n"
)


def drives(units: tuple[int, ...], *days: int) -> str:
    return HEADER + "".join(drive(unit, FIRST + timedelta(days=day)) for day in days for unit in units)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four vehicles in two buckets over five days, several files in one partition; one file was read again later."""
    folder = tmp_path_factory.mktemp("filled")
    settings, lake = settled(folder)
    files = {
        "register": "unit_id,engine_family,fuel,banks\n" + "".join(f"V{unit},E1,petrol,1\n" for unit in (1, 2, 3, 4)),
        "a": drives((1, 2, 3), 0, 1, 2),
        "b": drives((4,), 0, 1, 2, 3),
        "c": MEETS,
    }
    for number, (name, text) in enumerate(files.items()):
        path = write(folder / "in" / f"{name}.csv", text)
        run(settings, lake, path, at=ARRIVED + timedelta(hours=number))
    with lake.lock("quarantine retry", "now"):
        jobs.retry_quarantine(settings, lake, [], LATER, vin_key=KEY)
    derive(settings, lake)
    assert check(settings, lake).is_empty()
    reasons = "\n".join(lake.read("quarantine")["reason"])
    assert reasons.count("two values for one instant") == 2 and lake.read("export_spans")["arrived_at"].n_unique() == 4
    return folder


def settled(folder: Path, **more: object) -> tuple[Settings, Lake]:
    return fleet(folder, exports=[str(folder / "in")], out=str(folder / "out"), **more)


@pytest.fixture
def fresh(filled: Path, tmp_path: Path) -> tuple[Settings, Lake]:
    shutil.copytree(filled, tmp_path / "copy")
    return settled(tmp_path / "copy")


def held(lake: Lake, *names: str) -> dict[str, pl.DataFrame]:
    return {name: lake.read(name) for name in names or (*SAID, *MADE)}


def check_same(lake: Lake, wanted: dict[str, pl.DataFrame]) -> None:
    for name, frame in wanted.items():
        assert_frame_equal(lake.read(name), frame, check_exact=True)


def part(lake: Lake, day: int, bucket: int) -> dict[str, object]:
    wanted = (pl.col("day") == FIRST + timedelta(days=day)) & (pl.col("bucket") == bucket)
    return lake.files("readings").filter(wanted).row(0, named=True)


def lose(lake: Lake, *places: tuple[int, int]) -> list[Path]:
    """Files that are gone, those of these days and buckets."""
    paths = [Path(part(lake, *place)["uri"]) for place in places]
    for path in paths:
        path.unlink()
    return paths


def again(settings: Settings, lake: Lake, *paths: Path, partly: bool = False, vin_key: str | None = KEY) -> Restored:
    with lake.lock("restore", "now"):
        return restore(settings, lake, list(paths), partly, vin_key=vin_key)


def bucket(unit: str) -> int:
    return int(bucket_of(pl.Series([unit]), 2)[0])


HOW: dict[str, tuple[Callable[[Path], object], str]] = {
    "gone": (lambda path: path.unlink(), "it is gone"),
    "cut off": (lambda path: path.write_bytes(path.read_bytes()[:-100]), "bytes of"),
    "empty": (lambda path: path.write_bytes(b""), "it has 0 bytes of"),
    "of one size": (lambda path: path.write_bytes(b"\0" * path.stat().st_size), "not those that were written"),
    "another file": (lambda path: pl.DataFrame({"unit_id": ["V1"]}).write_parquet(path), "bytes of"),
}


# -- as it was -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", HOW)
def test_a_lake_is_what_it_was(fresh: tuple[Settings, Lake], how: str) -> None:
    settings, lake = fresh
    wanted, others = held(lake), lake.files("readings")
    spoil, said = HOW[how]
    hit = [part(lake, 1, 0), part(lake, 0, 1)]
    for file in hit:
        spoil(Path(file["uri"]))
    told = again(settings, lake)
    assert sorted(told.lost["path"]) == sorted(file["path"] for file in hit) and told.lost["why"].str.contains(said).all()
    assert told.files == others.height and not told.gaps and told.rows == told.held == sum(file["rows"] for file in hit)
    check_same(lake, wanted)
    now = lake.files("readings")
    assert now.join(others, on="path", how="anti").select("day", "bucket", "rows").sort("day").rows() == sorted(
        (file["day"], file["bucket"], file["rows"]) for file in hit
    )
    # Of the day after, the day before is read, too.
    assert derive(settings, lake).derived == 4
    check_same(lake, wanted)
    assert check(settings, lake).is_empty() and derive(settings, lake).derived == 0
    assert again(settings, lake).lost.is_empty()


def test_one_bit_that_turned_is_found(fresh: tuple[Settings, Lake]) -> None:
    """Such a file can be read, with another value in it: 389 of 400 bits of a column of noise turned unnoticed so."""
    settings, lake = fresh
    wanted, file = held(lake), part(lake, 1, 0)
    sound, hits = Path(file["uri"]).read_bytes(), 0
    for place in range(len(sound)):
        bad = sound[:place] + bytes([sound[place] ^ 1]) + sound[place + 1 :]
        try:
            hits += pl.read_parquet(bad).height == file["rows"]
        except pl.exceptions.PolarsError:
            continue
        if hits == 3:
            break
    assert hits == 3
    Path(file["uri"]).write_bytes(bad)
    assert again(settings, lake).lost["why"].to_list() == ["its bytes are not those that were written"]
    check_same(lake, wanted)


def test_a_file_of_an_older_version_has_no_checksum_and_is_read(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    files = lake.files("readings")
    renamed = files.with_columns(pl.col("uri", "path").str.replace(r"-[0-9a-f]{8}\.parquet$", ".parquet"))
    for old, new in zip(files["uri"], renamed["uri"], strict=True):
        assert old != new
        shutil.move(old, new)
    assert lost_files(lake, renamed).is_empty()
    Path(renamed["uri"][0]).write_bytes(b"x" * renamed["bytes"][0])
    assert lost_files(lake, renamed)["why"].str.contains("it is damaged").to_list() == [True]


def test_every_partition_may_be_lost(fresh: tuple[Settings, Lake], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stage, "PACKAGE_ROWS", 100)
    settings, lake = fresh
    wanted = held(lake)
    files = lake.files("readings")
    for uri in files["uri"]:
        Path(uri).write_bytes(b"PAR1")
    assert again(settings, lake).lost.height == files.height > 8
    derive(settings, lake)
    check_same(lake, wanted)


def test_nothing_lost_changes_nothing(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    before = versions(lake)
    told = again(settings, lake)
    assert told.lost.is_empty() and told.files == lake.files("readings").height and versions(lake) == before


def test_the_damaged_file_stays_until_versions_are_tidied(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    file = part(lake, 1, 0)
    version = lake.version("readings")
    Path(file["uri"]).write_bytes(b"damaged")
    again(settings, lake)
    assert Path(file["uri"]).read_bytes() == b"damaged"
    assert file["path"] in lake.at({"readings": version}).files("readings")["path"].to_list()
    assert file["path"] not in lake.files("readings")["path"].to_list()


def test_what_was_set_apart_stays_apart_though_it_could_be_read_now(tmp_path: Path) -> None:
    """Without a key the row of an identification number was set apart; `quarantine retry` takes it in, not this."""
    settings, lake = settled(tmp_path)
    run(settings, lake, write(tmp_path / "in" / "c.csv", MEETS))
    wanted = held(lake, *SAID)
    assert "identification number" in "\n".join(wanted["quarantine"]["reason"])
    lose(lake, *((1, number) for number in wanted["readings"]["bucket"].unique()))
    again(settings, lake, vin_key=KEY)
    check_same(lake, wanted)


def test_what_lay_in_the_future_then_stays_apart(tmp_path: Path) -> None:
    settings, lake = settled(tmp_path)
    run(settings, lake, write(tmp_path / "in" / "a.csv", drives((1,), 0, 1)), at=datetime(2026, 2, 1, 12, tzinfo=UTC))
    wanted = held(lake, *SAID)
    assert wanted["quarantine"].height > 0
    lose(lake, (0, bucket("V1")))
    again(settings, lake)
    check_same(lake, wanted)


@pytest.mark.parametrize("packed", ["a.csv.gz", "moved/other name.csv", "zip"])
def test_files_are_told_by_their_content(fresh: tuple[Settings, Lake], tmp_path: Path, packed: str) -> None:
    settings, lake = fresh
    wanted = held(lake)
    lose(lake, (1, 0), (1, 1))
    inside = tmp_path / "copy" / "in"
    if packed == "zip":
        shutil.make_archive(str(tmp_path / "old"), "zip", inside)
        where = tmp_path / "old.zip"
    else:
        where = tmp_path / "elsewhere"
        where.mkdir()
        shutil.move(inside / "a.csv", where / "another name.csv")
        for name in ("b.csv", "c.csv"):
            shutil.move(inside / name, where / name)
    shutil.rmtree(inside)
    if packed == "a.csv.gz":
        # Packed by somebody since, it is another content.
        shutil.make_archive(str(where / "a"), "gztar", where)
        (where / "another name.csv").unlink()
        with pytest.raises(UnrestoredError, match="a.csv: .*not there any more"):
            again(settings, lake, where)
        return
    assert not again(settings, lake, where).gaps
    check_same(lake, wanted)


def test_a_partition_of_a_closed_day_is_restored(tmp_path: Path) -> None:
    """The day after the newest thinned one is whole and closed; nothing new is taken in, but what it had is."""
    keep = {"keep_readings_days": 35, "history_weeks": 4}
    settings, lake = settled(tmp_path, **keep)
    run(settings, lake, write(tmp_path / "in" / "a.csv", drives((1, 2, 3), 0, 1, 2)), at=ARRIVED)
    derive(settings, lake)
    thin(settings, lake, FIRST + timedelta(days=35), ARRIVED)
    wanted = held(lake, *SAID, *MADE, "readings_thin", "thinned")
    lost = lose(lake, *((0, number) for number in wanted["readings"]["bucket"].unique()))
    assert again(settings, lake).lost.height == len(lost) > 0
    derive(settings, lake)
    check_same(lake, wanted)
    assert check(settings, lake).is_empty()


def test_check_names_the_command(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    lose(lake, (1, 0))
    with pytest.raises(QueryError, match="files of table 'readings' cannot be read: .*`lightoff restore`"):
        check(settings, lake)


def test_derive_names_the_command(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    lose(lake, (1, 0))
    derive_all = (date.min, date.max)
    with pytest.raises(ShardsError, match="cannot be read: .*; where a data file .* is damaged or gone, `lightoff restore`"):
        derive(settings, lake, between=derive_all)
    rows = "".join(f"V{n},{AT}3:33Z,900\n" for n in (1, 2, 3, 4))
    late = write(Path(settings.exports[0]) / "late.csv", f"unit_id,ts,rpm\n{rows}")
    with pytest.raises(LakeError, match="`lightoff restore`"):
        run(settings, lake, late)


# -- what is missing -------------------------------------------------------------------------------------------


def test_a_missing_export_is_named_and_nothing_changes(
    fresh: tuple[Settings, Lake], filled: Path, tmp_path: Path
) -> None:
    settings, lake = fresh
    inside = Path(settings.exports[0])
    wanted = held(lake)
    lost = lose(lake, (1, bucket("V4")))
    shutil.move(inside / "b.csv", tmp_path / "b.csv")
    spans = lake.read("export_spans").filter((pl.col("unit_id") == "V4") & (pl.col("day") == FIRST + timedelta(days=1)))
    before = versions(lake)
    with pytest.raises(UnrestoredError) as told:
        again(settings, lake)
    (line,) = told.value.missing
    assert line == f"{filled / 'in' / 'b.csv'}: {spans['rows'].sum()} rows of 1 vehicle on 1 day: it is not there any more"
    assert "lightoff restore FOLDER" in str(told.value) and "--partly" in str(told.value) and told.value.exit_code == 1
    assert versions(lake) == before and not lost[0].exists()
    check_same(lake, {name: frame for name, frame in wanted.items() if name != "readings"})
    with pytest.raises(ExportError, match="nowhere: no such file"):
        again(settings, lake, tmp_path / "nowhere")
    assert not again(settings, lake, tmp_path / "b.csv").gaps
    check_same(lake, wanted)


def test_a_folder_without_any_export_names_all_that_is_missing(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    lose(lake, (1, 0), (1, 1))
    shutil.rmtree(settings.exports[0])
    with pytest.raises(UnrestoredError) as told:
        again(settings, lake)
    assert len(told.value.missing) == 3


def test_a_file_under_an_identification_number_needs_the_same_key(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    hashed = lake.read("readings").filter(~pl.col("unit_id").str.contains("^V[0-9]$"))["bucket"].unique().to_list()
    assert len(hashed) == 1
    lose(lake, (1, hashed[0]))
    for key in (None, "another"):
        with pytest.raises(UnrestoredError, match="c.csv: .*other rows would be kept now.*key of vehicles"):
            again(settings, lake, vin_key=key)


KEPT = GATEWAY[GATEWAY.index("[columns]") :]
CODES = '[columns]\nnote = { is = "code" }\nrpm = { is = "state" }\n'
ONE = "unit_id,ts,rpm,O2S11 [V],note\nV1,2026-02-03T08:00:00Z,800,0.45,x\nV1,2026-02-03T08:00:01Z,810,0.5,y\n"


def laid_out(folder: Path, layout: str = GATEWAY) -> tuple[Settings, Lake]:
    """A lake with one file, read through a layout; its only partition is lost."""
    settings, lake = settled(folder, layouts=str(folder / "layouts"))
    write(folder / "layouts" / "gw.toml", layout)
    run(settings, lake, write(folder / "in" / "gw_1.csv", ONE))
    return settings, lake


def test_a_signal_that_a_layout_keeps_only_now_stays_out(tmp_path: Path) -> None:
    """`quarantine retry` takes it in, in every partition alike."""
    settings, lake = laid_out(tmp_path, GATEWAY.replace('"O2S11 [V]" = { is = "o2_b1s1_v", unit = "V" }', ""))
    wanted = held(lake, *SAID)
    lose(lake, (1, bucket("V1")))
    write(tmp_path / "layouts" / "gw.toml", GATEWAY)
    again(settings, lake)
    check_same(lake, wanted)
    assert wanted["readings"]["rpm"].to_list() == [800, 810] and wanted["readings"]["o2_b1s1_v"].null_count() == 2


def test_a_line_set_apart_that_a_layout_reads_now_stays_out(tmp_path: Path) -> None:
    """Its vehicle has other lines on that day, which are restored."""
    settings, lake = settled(tmp_path, layouts=str(tmp_path / "layouts"))
    write(tmp_path / "layouts" / "gw.toml", GATEWAY)
    run(settings, lake, write(tmp_path / "in" / "gw_1.csv", ONE + "V1,2026-02-03T08:00:02Z,,450,z\n"))
    wanted = held(lake, *SAID)
    assert wanted["readings"].height == 2 and wanted["quarantine"]["line"].to_list() == [4]
    lose(lake, (1, bucket("V1")))
    write(tmp_path / "layouts" / "gw.toml", GATEWAY.replace('unit = "V"', 'unit = "mV"'))
    again(settings, lake)
    kept = ["unit_id", "ts", "rpm"]
    assert_frame_equal(lake.read("readings").select(kept), wanted["readings"].select(kept))
    check_same(lake, {name: frame for name, frame in wanted.items() if name != "readings"})


def test_a_partition_of_fewer_readings_than_the_log_says_is_not_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """First and last line and the number of lines are those of before, but two of them fall on one instant."""
    settings, lake = settled(tmp_path)
    rows = "".join(f"V1,{AT}0:0{n}Z,800\n" for n in range(4))
    run(settings, lake, write(tmp_path / "in" / "a.csv", f"unit_id,ts,rpm\n{rows}"))
    wanted, files = held(lake, *SAID), lake.files("readings")
    lose(lake, (1, bucket("V1")))
    clean = reading.clean_readings

    def shifted(raw: pl.DataFrame, *others: object) -> object:
        return clean(raw.with_columns(ts=pl.col("ts").cast(pl.String).str.replace("0:02", "0:01")), *others)

    monkeypatch.setattr(reading, "clean_readings", shifted)
    for partly in (False, True):  # no file is missing that could be done without
        with pytest.raises(UnrestoredError, match=f"2026-02-03, bucket {bucket('V1')}: 3 readings of 4"):
            again(settings, lake, partly=partly)
    assert_frame_equal(lake.files("readings"), files)
    monkeypatch.undo()
    again(settings, lake)
    check_same(lake, wanted)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (('"O2S11 [V]" = { is = "o2_b1s1_v", unit = "V" }', ""), "o2_b1s1_v would not be read any more"),
        ((KEPT, CODES), "it was read as readings before and would be codes now"),
        (('order = "iso"', 'order = "day-first"\nzone = "UTC"'), "rpm, o2_b1s1_v would not be read any more"),
        (('column = "unit_id"', 'column = "note"'), "none of these rows would be kept now"),
    ],
)
def test_a_layout_that_reads_a_file_otherwise_is_named(tmp_path: Path, change: tuple[str, str], why: str) -> None:
    settings, lake = laid_out(tmp_path)
    lose(lake, (1, bucket("V1")))
    layout = GATEWAY.replace(*change).replace(*('"readings"', '"codes"') if CODES in change else ("", ""))
    assert layout != GATEWAY
    write(tmp_path / "layouts" / "gw.toml", layout)
    before = versions(lake)
    with pytest.raises(UnrestoredError, match=f"gw_1.csv: 2 rows of 1 vehicle on 1 day: .*{why}"):
        again(settings, lake)
    assert versions(lake) == before
    write(tmp_path / "layouts" / "gw.toml", GATEWAY)
    assert again(settings, lake).rows == 2


def test_answers_and_long_rows_are_restored(tmp_path: Path) -> None:
    settings, lake = settled(tmp_path)
    inside = tmp_path / "in"
    answers = "unit_id,ts,response\n" + "".join(
        f"{unit},{AT}0:0{second}Z,{answer}\n"
        for unit in ("V1", VIN)
        for second, answer in enumerate(("41 0C 0C 80", "41 1D 0F", "43 01 04 20", "41 0C 0C"))
    )
    run(settings, lake, write(inside / "raw.csv", answers))
    long = f"unit_id,ts,signal,value\nV1,{AT}0:00Z,rpm,700\nV1,{AT}0:00Z,coolant_degc,x\n"
    run(settings, lake, write(inside / "long.csv", long))
    wanted = held(lake, *SAID, "codes")
    assert wanted["codes"].height == 1 and wanted["readings"]["rpm"].to_list() == [700]
    lose(lake, (1, bucket("V1")))
    again(settings, lake)
    check_same(lake, wanted)


# -- in part ---------------------------------------------------------------------------------------------------


def without(folder: Path, tmp_path: Path, name: str) -> tuple[Settings, Lake]:
    """A lake that never had one of the files."""
    settings, lake = settled(tmp_path / "never")
    for number, each in enumerate(("register", "a", "b", "c")):
        if each != name:
            text = (folder / "in" / f"{each}.csv").read_text(encoding="utf-8")
            run(settings, lake, write(tmp_path / "never" / "in" / f"{each}.csv", text), at=ARRIVED + timedelta(hours=number))
    with lake.lock("quarantine retry", "now"):
        jobs.retry_quarantine(settings, lake, [], LATER, vin_key=KEY)
    derive(settings, lake)
    return settings, lake


def test_in_part_the_rest_is_as_if_the_missing_file_had_never_come(
    fresh: tuple[Settings, Lake], filled: Path, tmp_path: Path
) -> None:
    settings, lake = fresh
    wanted = held(lake)
    gone = Path(settings.exports[0]) / "b.csv"
    shutil.move(gone, tmp_path / "b.csv")
    alone = bucket("V4")
    days = [day for day in range(-1, 4)]
    lose(lake, *((day, alone) for day in days))
    told = again(settings, lake, partly=True)
    (gap,) = told.gaps
    rows = wanted["export_spans"].filter(pl.col("unit_id") == "V4")["rows"].sum()
    assert (gap.file, gap.rows, gap.units, gap.days) == (str(filled / "in" / "b.csv"), rows, 1, 5)
    assert told.rows < told.held
    derive(settings, lake)
    assert check(settings, lake).is_empty()
    never = without(filled, tmp_path, "b")[1]
    check_same(lake, held(never, "readings", "export_spans", *MADE))
    check_same(lake, {name: wanted[name] for name in ("exports", "quarantine")})
    # Nothing is lost now, and the rows are still missing; with their file they come back.
    later = again(settings, lake)
    assert later.lost.is_empty() and later.missing == rows and not later.back
    back = again(settings, lake, tmp_path / "b.csv")
    assert back.back == rows and not back.missing and lake.read("lost_spans").is_empty()
    derive(settings, lake)
    check_same(lake, wanted)
    assert check(settings, lake).is_empty()


def test_a_partition_of_which_nothing_is_left_is_forgotten(fresh: tuple[Settings, Lake], tmp_path: Path) -> None:
    settings, lake = fresh
    wanted = held(lake)
    shutil.rmtree(settings.exports[0])
    lost = part(lake, 1, 0)
    lose(lake, (1, 0))
    told = again(settings, lake, partly=True)
    assert told.rows == 0 and told.held == lost["rows"] and len(told.gaps) >= 1
    derive(settings, lake)
    inside = (pl.col("day") == lost["day"]) & (pl.col("bucket") == 0)
    check_same(lake, {"readings": wanted["readings"].filter(~inside)})
    anew = Lake(str(shutil.copytree(lake.root, tmp_path / "anew")))
    for name in (*MADE, "shards"):
        shutil.rmtree(anew.root / name)
    derive(settings, anew)
    check_same(lake, held(anew, *MADE))
    assert lake.read("trips", where=inside).is_empty() and lake.read("indicator_days", where=inside).is_empty()
    # No trip of the evening before goes on into a day of which nothing is known.
    ends = lake.read("trips", where=(pl.col("bucket") == 0) & (pl.col("day") == lost["day"] - timedelta(days=1)))["ended_at"]
    before = wanted["trips"].filter((pl.col("bucket") == 0) & (pl.col("day") == FIRST))["ended_at"]
    assert before.dt.date().max() == lost["day"]
    assert ends.dt.date().max() < lost["day"]
    assert check(settings, lake).is_empty()
    assert derive(settings, lake).derived == 0


def test_rows_come_back_among_those_that_are_there(fresh: tuple[Settings, Lake], tmp_path: Path) -> None:
    settings, lake = fresh
    wanted = held(lake)
    shutil.move(Path(settings.exports[0]) / "c.csv", tmp_path / "c.csv")
    lose(lake, (1, 0), (1, 1))
    told = again(settings, lake, partly=True)
    assert 0 < told.rows < told.held and lake.read("lost_spans")["unit_id"].n_unique() == 3
    back = again(settings, lake, tmp_path / "c.csv")
    assert back.lost.is_empty() and back.back == told.lost_rows
    derive(settings, lake)
    check_same(lake, wanted)


def test_rows_of_a_day_thinned_since_do_not_come_back(tmp_path: Path) -> None:
    settings, lake = settled(tmp_path, keep_readings_days=35, history_weeks=4)
    inside = tmp_path / "in"
    run(settings, lake, write(inside / "a.csv", drives((1, 2), 0, 1, 2)), write(inside / "b.csv", drives((3,), 0, 1, 2)))
    shutil.move(inside / "b.csv", tmp_path / "b.csv")
    lose(lake, (0, bucket("V3")), (1, bucket("V3")))
    assert len(again(settings, lake, partly=True).gaps) == 1
    derive(settings, lake)
    thin(settings, lake, FIRST + timedelta(days=36), ARRIVED)
    assert closed_day(lake) == FIRST + timedelta(days=1)
    before = versions(lake)
    told = again(settings, lake, tmp_path / "b.csv")
    assert told.back == told.missing == 0 and versions(lake) == before
    assert lake.read("lost_spans").height == 2


def test_a_partition_that_lost_rows_may_be_lost_again(fresh: tuple[Settings, Lake], tmp_path: Path) -> None:
    settings, lake = fresh
    wanted = held(lake)
    gone = Path(settings.exports[0]) / "c.csv"
    shutil.move(gone, tmp_path / "c.csv")
    lose(lake, (1, 0), (1, 1))
    assert len(again(settings, lake, partly=True).gaps) == 1
    lose(lake, (1, 0), (1, 1))
    less = held(lake, "export_spans", "lost_spans")
    told = again(settings, lake)
    assert not told.gaps and told.rows == told.held and told.missing
    check_same(lake, less)
    lose(lake, (1, 0), (1, 1))
    told = again(settings, lake, tmp_path / "c.csv")
    assert told.back and not told.missing and told.rows > told.held
    derive(settings, lake)
    check_same(lake, wanted)


def test_readings_that_are_merely_not_found_wipe_nothing_out(fresh: tuple[Settings, Lake]) -> None:
    """A lake copied without its readings: what was measured stays."""
    settings, lake = fresh
    wanted = held(lake, *MADE)
    shutil.rmtree(Path(settings.lake) / "readings")
    assert derive(settings, lake).derived == 0
    check_same(lake, wanted)


# -- neither ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [errno.EACCES, errno.ESTALE])
def test_a_file_that_cannot_be_reached_is_not_taken_for_lost(
    fresh: tuple[Settings, Lake], monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    settings, lake = fresh
    before, hit, plain = versions(lake), part(lake, 1, 0)["uri"], Path.read_bytes

    def refuse(path: Path) -> bytes:
        if str(path) == hit:
            raise OSError(number, os.strerror(number), str(path))
        return plain(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(LakeError, match="cannot be looked at, so nothing was changed"):
        again(settings, lake, partly=True)
    assert versions(lake) == before


def test_a_medium_that_gives_no_data_has_lost_them(
    fresh: tuple[Settings, Lake], monkeypatch: pytest.MonkeyPatch
) -> None:
    settings, lake = fresh
    wanted, hit, plain = held(lake), part(lake, 1, 0)["uri"], Path.read_bytes

    def fail(path: Path) -> bytes:
        if str(path) == hit:
            raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))
        return plain(path)

    monkeypatch.setattr(Path, "read_bytes", fail)
    assert again(settings, lake).lost["why"].to_list() == ["it cannot be read (Input/output error)"]
    check_same(lake, wanted)


@pytest.mark.parametrize("after", [1, 2])
def test_an_error_in_the_middle_leaves_the_lake_as_it_was(
    fresh: tuple[Settings, Lake], monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    settings, lake = fresh
    wanted, files = held(lake), lake.files("readings")
    lost = lose(lake, (0, 0), (1, 1))
    place, seen = Lake.replace, []

    def full(self: Lake, name: str, frame: pl.DataFrame, partitions: list[dict]) -> None:
        place(self, name, frame, partitions)
        seen.append(name)
        if len(seen) == after:
            raise LakeError("No space left on device")

    monkeypatch.setattr(stage, "PACKAGE_PARTITIONS", 1)
    monkeypatch.setattr(Lake, "replace", full)
    with pytest.raises(LakeError, match="No space left"):
        again(settings, lake)
    assert_frame_equal(lake.files("readings"), files)
    assert not any(path.exists() for path in lost) and not (lake.root / "_intent.json").exists()
    assert not (lake.scratch / "_staging").exists()
    monkeypatch.undo()
    again(settings, lake)
    check_same(lake, wanted)


def test_progress_names_files_looked_at_and_read(fresh: tuple[Settings, Lake]) -> None:
    settings, lake = fresh
    lose(lake, (1, 0))
    seen: list[IngestProgress] = []
    restore(settings, lake, [], progress=seen.append, vin_key=KEY)
    looked = [step for step in seen if step.doing == "looking"]
    assert [step.files_done for step in looked] == list(range(1, lake.files("readings").height + 1))
    assert {Path(step.file).name for step in seen if step.doing == "reading"} <= {"a.csv", "b.csv", "c.csv"}
    assert len({step.doing for step in seen}) == 2
