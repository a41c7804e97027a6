"""The ground: buckets, transactions, locks, replacement of partitions and what a lake is begun with."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest
from deltalake import write_deltalake

from pipeline.errors import ConfigError, LakeError, SchemaError
from pipeline.lake import Lake, bucket_of
from pipeline.signals import signals
from pipeline.tables import table


def readings(*rows: tuple[str, datetime, int], rpm: float = 800.0) -> pl.DataFrame:
    """Readings with an engine speed and nothing else."""
    frame = pl.DataFrame(
        rows, schema={"unit_id": pl.String, "ts": pl.Datetime("us", "UTC"), "bucket": pl.Int32}, orient="row"
    )
    absent = {name: pl.lit(None) for name in signals() if name != "rpm"}
    return frame.with_columns(day=pl.col("ts").dt.date(), rpm=pl.lit(rpm), **absent)


MORNING = datetime(2026, 1, 5, 8, tzinfo=UTC)
NEXT = datetime(2026, 1, 6, 8, tzinfo=UTC)


def test_bucket_is_the_crc_32_of_the_unit() -> None:
    """CRC-32 of "123456789" is 0xCBF43926: IEEE 802.3 polynomial as in ISO/IEC 13239, from memory."""
    units = pl.Series("unit_id", ["123456789", "Ä1", "123456789"])
    numbers = bucket_of(units, 4096)
    assert numbers[0] == numbers[2] == 0xCBF43926 % 4096
    assert numbers.dtype == pl.Int32 and numbers.is_between(0, 4095).all()
    assert (
        pl.DataFrame(units).select(bucket_of(pl.col("unit_id"), 4096)).to_series().to_list()
        == numbers.to_list()
    )


@pytest.mark.parametrize("units", [[], [None]])
def test_no_unit_has_a_bucket_of_the_same_type(units: list[None]) -> None:
    made = bucket_of(pl.Series("unit_id", units, dtype=pl.String), 16)
    assert made.dtype == pl.Int32 and made.to_list() == units


def test_buckets_do_not_depend_on_the_hash_seed_of_a_process() -> None:
    code = (
        "import polars as pl; from pipeline.lake import bucket_of; "
        "print(bucket_of(pl.Series(['V1', 'V2']), 997).to_list())"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", code],
            env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": str(Path(__file__).parents[2])},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(seen) == 1


def test_buckets_spread_units_evenly() -> None:
    counts = bucket_of(pl.Series([f"V{n:05}" for n in range(16_000)]), 16).value_counts()["count"]
    assert counts.len() == 16 and counts.min() > 800 and counts.max() < 1200


def test_settle_holds_what_the_lake_was_begun_with(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path / "lake"))
    lake.settle("UTC", 16)
    lake.settle("UTC", 16)
    with pytest.raises(ConfigError, match="buckets is 16 in the lake and 8 in the settings"):
        lake.settle("UTC", 8)
    with pytest.raises(ConfigError, match="time_zone is 'UTC' in the lake and 'Asia/Tokyo'"):
        lake.settle("Asia/Tokyo", 16)


def test_a_lake_is_held_against_what_it_was_begun_with_and_nothing_is_written(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path / "lake"))
    assert lake.begun_with("Asia/Tokyo", 8) is False and not lake.root.exists()
    lake.settle("UTC", 16)
    assert lake.begun_with("UTC", 16) is True
    with pytest.raises(ConfigError, match="time_zone is 'UTC' in the lake and 'Asia/Tokyo' in the settings and buckets is 16"):
        lake.begun_with("Asia/Tokyo", 8)
    assert json.loads((lake.root / "_lake.json").read_text()) == {"time_zone": "UTC", "buckets": 16}


def test_unwritten_table_is_empty_and_typed(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    assert lake.read("readings").schema == table("readings").empty().schema
    assert lake.version("readings") is None
    assert lake.files("readings").is_empty()


def test_replace_leaves_other_partitions_alone(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    lake.append("readings", readings(("V1", MORNING, 0), ("V1", NEXT, 0), ("V2", MORNING, 1)))
    lake.replace(
        "readings", readings(("V1", MORNING, 0), rpm=900.0), [{"day": date(2026, 1, 5), "bucket": 0}]
    )
    assert lake.read("readings").select("unit_id", "day", "rpm").rows() == [
        ("V1", date(2026, 1, 5), 900.0),
        ("V1", date(2026, 1, 6), 800.0),
        ("V2", date(2026, 1, 5), 800.0),
    ]


def test_replace_by_rows_of_another_partition_is_refused(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    lake.append("readings", readings(("V1", MORNING, 0)))
    with pytest.raises(LakeError, match="cannot be written"):
        lake.replace("readings", readings(("V1", NEXT, 0)), [{"day": date(2026, 1, 5), "bucket": 0}])
    assert lake.read("readings")["ts"].to_list() == [MORNING]


def test_two_rows_of_one_key_are_refused(tmp_path: Path) -> None:
    with pytest.raises(SchemaError, match="share a key"):
        Lake(str(tmp_path)).append(
            "readings", readings(("V1", MORNING, 0), ("V1", NEXT, 0), ("V1", MORNING, 0))
        )


def test_error_in_a_transaction_undoes_every_table(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    lake.append("readings", readings(("V1", MORNING, 0)))
    with pytest.raises(ZeroDivisionError), lake.transaction("readings", "quarantine"):
        lake.append("readings", readings(("V2", MORNING, 1)))
        lake.append(
            "quarantine",
            pl.DataFrame(
                [("e", "f", 1, "row", "", "", "r")], schema=table("quarantine").schema, orient="row"
            ),
        )
        raise ZeroDivisionError
    assert lake.read("readings")["unit_id"].to_list() == ["V1"]
    assert lake.read("quarantine").is_empty()
    assert lake.recover() == []


def test_a_transaction_reads_what_it_has_written(tmp_path: Path) -> None:
    """Its tables are opened once before they are written, and again after each write."""
    lake = Lake(str(tmp_path / "lake"))
    partitions = [{"day": MORNING.date(), "bucket": 3}]
    lake.replace("readings", readings(("V1", MORNING, 3)), partitions)
    with lake.transaction("readings"):
        assert lake.read("readings")["rpm"].to_list() == [800.0]
        for rpm in (900.0, 950.0):
            lake.replace("readings", readings(("V1", MORNING, 3), rpm=rpm), partitions)
            assert lake.read("readings")["rpm"].to_list() == [rpm]
    Lake(lake.uri).replace("readings", readings(("V1", MORNING, 3), rpm=990.0), partitions)
    assert lake.read("readings")["rpm"].to_list() == [990.0]


def test_stopped_transaction_is_undone_by_the_next_lock(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    lake.append("readings", readings(("V1", MORNING, 0)))
    entered = lake.transaction("readings")
    entered.__enter__()
    lake.append("readings", readings(("V2", MORNING, 1)))
    with Lake(str(tmp_path)).lock("derive", "now"):
        assert lake.read("readings")["unit_id"].to_list() == ["V1"]


def test_what_was_begun_is_undone_though_a_file_that_was_replaced_is_gone(tmp_path: Path) -> None:
    """Only in the newest version is the file replaced: undone, the lake names it again, as it did before."""
    lake = Lake(str(tmp_path / "lake"))
    lake.replace("readings", readings(("V1", MORNING, 0), ("V1", NEXT, 0)), [{"day": day.date(), "bucket": 0} for day in (MORNING, NEXT)])
    before = lake.files("readings")
    gone, sound = before["uri"]
    Path(gone).unlink()
    with pytest.raises(ValueError, match="stop here"), lake.transaction("readings"):
        lake.replace("readings", readings(("V1", MORNING, 0)), [{"day": MORNING.date(), "bucket": 0}])
        raise ValueError("stop here")
    assert lake.files("readings").equals(before) and lake.recover() == []
    assert lake.read("readings", where=pl.col("day") == NEXT.date()).height == 1 and Path(sound).is_file()


def test_second_run_is_told_who_holds_the_lake(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    with lake.lock("ingest", "2026-03-01"):
        with pytest.raises(
            LakeError, match=f"held by 'ingest' .process {os.getpid()} on .* since 2026-03-01"
        ):
            with lake.lock("derive", "later"):
                pass
    with lake.lock("derive", "later"):
        pass


def test_lock_of_a_dead_process_is_taken_over(tmp_path: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    gone.wait()
    holder = {"purpose": "ingest", "since": "then", "host": socket.gethostname(), "pid": gone.pid}
    (tmp_path / "_lock.json").write_text(json.dumps(holder), encoding="utf-8")
    with Lake(str(tmp_path)).lock("derive", "now"):
        assert (tmp_path / "_lock.json").is_file()
    assert not (tmp_path / "_lock.json").exists()


# -- columns declared later ------------------------------------------------------------------------------------


def older_lake(folder: Path, rows: list[dict[str, object]]) -> Lake:
    """A lake whose ledger was written before the notes were declared."""
    lake = Lake(str(folder))
    ledger = table("exports").conform(pl.DataFrame(rows, schema=table("exports").schema))
    write_deltalake(str(folder / "exports"), ledger.drop("notes").to_arrow())
    return lake


def ledger_row(export_id: str, notes: str | None = None) -> dict[str, object]:
    counts = dict.fromkeys(("bytes", "rows_in", "kept", "quarantined", "duplicates"), 0)
    texts = dict.fromkeys(("file", "kind", "signals", "dropped"), "x")
    return {"export_id": export_id, "arrived_at": MORNING, "notes": notes} | counts | texts


def test_a_table_without_a_later_column_opens_with_nulls(tmp_path: Path) -> None:
    lake = older_lake(tmp_path, [ledger_row("a")])
    assert lake.read("exports").columns == list(table("exports").columns)
    assert lake.read("exports")["notes"].to_list() == [None]
    assert lake.read("exports", where=pl.col("notes").is_null()).height == 1


@pytest.mark.parametrize("write", ["append", "overwrite"])
def test_writing_takes_the_later_column_in(tmp_path: Path, write: str) -> None:
    lake = older_lake(tmp_path, [ledger_row("a")])
    new = pl.DataFrame([ledger_row("b", "note")], schema=table("exports").schema)
    getattr(lake, write)("exports", new)
    kept = {"append": {"a": None, "b": "note"}, "overwrite": {"b": "note"}}[write]
    assert dict(lake.read("exports").select("export_id", "notes").rows()) == kept
    lake.append("exports", new.with_columns(export_id=pl.lit("c")))
    assert dict(lake.read("exports").select("export_id", "notes").rows()) == kept | {"c": "note"}


def test_replacing_a_partition_takes_the_later_column_in(tmp_path: Path) -> None:
    lake = Lake(str(tmp_path))
    old = table("readings").conform(readings(("V1", MORNING, 0), ("V2", MORNING, 1)))
    write_deltalake(str(tmp_path / "readings"), old.drop("odometer_km").to_arrow(), partition_by=["day", "bucket"])
    new = readings(("V2", MORNING, 1), ("V2", NEXT, 1)).with_columns(odometer_km=pl.lit(7.0))
    day = old["day"][0]
    lake.replace("readings", new.filter(pl.col("ts") == MORNING), [{"day": day, "bucket": 1}])
    assert lake.read("readings").select("unit_id", "odometer_km").rows() == [("V1", None), ("V2", 7.0)]


def test_an_error_after_the_column_was_taken_in_is_undone(tmp_path: Path) -> None:
    lake = older_lake(tmp_path, [ledger_row("a")])
    new = pl.DataFrame([ledger_row("b", "note")], schema=table("exports").schema)
    with pytest.raises(ZeroDivisionError), lake.transaction("exports"):
        lake.append("exports", new)
        raise ZeroDivisionError
    assert lake.read("exports").select("export_id", "notes").rows() == [("a", None)]
    lake.append("exports", new)
    assert lake.read("exports")["export_id"].to_list() == ["a", "b"]


def test_a_table_without_a_column_that_is_needed_is_refused(tmp_path: Path) -> None:
    ledger = pl.DataFrame([ledger_row("a")], schema=table("exports").schema)
    write_deltalake(str(tmp_path / "exports"), ledger.drop("kind").to_arrow())
    with pytest.raises(LakeError, match="lacks the column kind.*begin another lake"):
        Lake(str(tmp_path)).read("exports")


# -- housekeeping ------------------------------------------------------------------------------------------------


def aged(lake: Lake, name: str, days: int) -> None:
    """Every file of a table as if it had been written so many days ago."""
    then = datetime.now(UTC).timestamp() - days * 86_400
    for path in (lake.root / name).rglob("*"):
        os.utime(path, (then, then))


@pytest.mark.parametrize("keep_days", [30, 90])
def test_a_version_can_be_opened_for_as_long_as_the_settings_say(tmp_path: Path, keep_days: int) -> None:
    """The table format by itself forgets after 30 days what a version consisted of."""
    lake, day = Lake(str(tmp_path)), [{"day": MORNING.date(), "bucket": 0}]
    for hour in range(5):
        lake.replace("readings", readings(("V1", MORNING, 0), rpm=800.0 + hour), day)
    before = lake.at({"readings": lake.version("readings")})
    lake.tidy("readings", keep_days)
    aged(lake, "readings", 40)
    lake.replace("readings", readings(("V1", MORNING, 0), rpm=900.0), day)
    lake.tidy("readings", keep_days)
    assert lake.read("readings")["rpm"].to_list() == [900.0]
    if keep_days > 40:
        assert before.read("readings")["rpm"].to_list() == [804.0]
    else:
        with pytest.raises(LakeError, match="cannot be opened"):
            before.read("readings")


def deletions_ms(lake: Lake, name: str) -> list[int]:
    """Deletion times in the newest commit of a table."""
    newest = max((lake.root / name / "_delta_log").glob("*.json"))
    lines = [json.loads(line) for line in newest.read_text(encoding="utf-8").splitlines()]
    return [line["remove"]["deletionTimestamp"] for line in lines if "remove" in line]


def test_files_taken_out_by_a_commit_that_adds_none_stay_as_long_as_others(tmp_path: Path) -> None:
    """Nothing that is written tells such a commit the time; the commit before it was ten days ago."""
    lake, day = Lake(str(tmp_path)), [{"day": MORNING.date(), "bucket": 0}]
    lake.replace("readings", readings(("V1", MORNING, 0), ("V2", MORNING, 1)), [*day, {"day": MORNING.date(), "bucket": 1}])
    before = lake.at({"readings": lake.version("readings")})
    aged(lake, "readings", 10)
    began_ms = datetime.now(UTC).timestamp() * 1000
    lake.remove("readings", day)
    (told,) = deletions_ms(lake, "readings")
    assert began_ms - 1000 < told < datetime.now(UTC).timestamp() * 1000 + 1000
    assert lake.tidy("readings", 7).removed == 0
    assert before.read("readings")["unit_id"].to_list() == ["V1", "V2"]
    assert [path.name for path in lake.root.iterdir()] == ["readings"]  # what told the time is gone
