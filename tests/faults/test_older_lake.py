"""Lakes of other versions: an older one goes on as if nothing had been, a newer one is only read."""

from __future__ import annotations

import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from deltalake import DeltaTable, write_deltalake
from polars.testing import assert_frame_equal

from pipeline import jobs
from pipeline.checks import check
from pipeline.errors import LakeError
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table
from tests.data.make_older_lake import ABSENT, BUCKETS, FOLDER, WRITTEN
from tests.faults.lakes import DATA_TABLES, content, contents

NEXT = WRITTEN + timedelta(days=7)
WEEK = NEXT.date()  # Monday of the first list of this version


def opened(root: Path) -> tuple[Settings, Lake]:
    settings = Settings(lake=str(root), buckets=BUCKETS, card_vehicles=0)
    return settings, Lake(settings.lake)


@pytest.fixture
def older(tmp_path: Path) -> tuple[Settings, Lake]:
    """A copy of the committed lake."""
    return opened(Path(shutil.copytree(FOLDER, tmp_path / "older")))


def declared_in(lake: Lake, name: str) -> set[str]:
    return {field.name for field in DeltaTable(str(lake.root / name)).schema().fields}


def as_exports(lake: Lake, folder: Path) -> Path:
    """What an older lake holds, written as the exports that it came from."""
    folder.mkdir(parents=True)
    lake.read("readings").drop("day", "bucket").write_parquet(folder / "readings.parquet")
    for name in ("codes", "register", "work_orders"):
        content(lake, name).drop(ABSENT.get(name, ())).drop("vin_hash", strict=False).write_csv(
            folder / f"{name}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ"
        )
    return folder


def next_week(lake: Lake, folder: Path) -> Path:
    """Exports of the week after, in which the columns that came later are there."""
    folder.mkdir(parents=True)
    last = lake.read("readings").filter(pl.col("day") >= (WRITTEN - timedelta(days=7)).date())
    later = last.drop("day", "bucket").with_columns(
        pl.col("ts") + timedelta(days=7), mil_on=pl.lit(0.0), stft2_b1_pct=pl.lit(0.5), ltft2_b1_pct=pl.lit(-0.25)
    )
    later.write_parquet(folder / "readings_later.parquet")
    orders = "order_id,unit_id,closed_on,component,action,finding,cause,labour_h\n"
    unit = last["unit_id"][0]
    day = (WRITTEN + timedelta(days=2)).date()
    (folder / "orders_later.csv").write_text(
        f"{orders}WO999999,{unit},{day},OTHER,repaired,confirmed,door latch,0.5\n", encoding="utf-8"
    )
    return folder


def night(settings: Settings, lake: Lake, now: datetime, *folders: Path) -> None:
    with lake.lock("nightly", now.isoformat()):
        for folder in folders:
            jobs.nightly(settings, lake, [folder], now)


def test_the_committed_lake_is_small_and_lacks_what_came_later() -> None:
    assert sum(path.stat().st_size for path in FOLDER.rglob("*") if path.is_file()) < 300_000
    lake = Lake(str(FOLDER))
    for name, columns in ABSENT.items():
        assert not declared_in(lake, name) & set(columns), name
        assert all(table(name).columns[column].nullable for column in columns), name
    assert all(content(lake, name).height for name in DATA_TABLES if name != "onboard_tests")


def test_every_table_of_an_older_lake_opens(older: tuple[Settings, Lake]) -> None:
    lake = older[1]
    for name, columns in ABSENT.items():
        frame = lake.read(name)
        assert frame.height and frame.schema == table(name).schema
        assert all(frame[column].null_count() == frame.height for column in columns)
    assert check(*older).is_empty()


def test_an_older_lake_takes_exports_in_and_makes_the_list_of_a_new_one(
    older: tuple[Settings, Lake], tmp_path: Path
) -> None:
    before = contents(older[1])
    first, second = as_exports(older[1], tmp_path / "first"), next_week(older[1], tmp_path / "second")
    night(*older, NEXT, second)
    plain = opened(tmp_path / "plain")
    night(*plain, NEXT, first, second)

    for name, frame in contents(plain[1]).items():
        assert_frame_equal(content(older[1], name), frame)
    for name in ("trips", "indicator_days", "signal_days"):
        mine, undisturbed = (lake.read(name).drop("arrived_at", strict=False) for lake in (older[1], plain[1]))
        assert_frame_equal(mine, undisturbed)
    assert older[1].read("readings").height > before["readings"].height
    assert older[1].read("readings")["mil_on"].drop_nulls().len() > 0
    assert check(*older).is_empty()

    lists = [
        jobs.make_list(*fleet, WEEK, tmp_path / "lists" / str(number)).outputs
        for number, fleet in enumerate((older, plain))
    ]
    assert lists[0].counts["judged"] > 0
    for name in ("list.csv", "scores.csv"):
        assert lists[0].paths[name].read_bytes() == lists[1].paths[name].read_bytes()
    # The list that the older version issued still stands beside it.
    ranked = older[1].read("ranked")
    assert set(ranked["week_start"]) == {WRITTEN.date(), WEEK}


def test_an_order_of_an_older_lake_takes_in_its_other_parts(older: tuple[Settings, Lake], tmp_path: Path) -> None:
    # That version held one row an order; the order sent again whole gives the rows that it had lost.
    before = content(older[1], "work_orders")
    order = before.filter(pl.col("component") != "OTHER").row(0, named=True)
    lines = "".join(
        f"{order['order_id']},{order['unit_id']},{order['closed_on']},{part},replaced,confirmed\n"
        for part in (order["component"], "CAT2")
    )
    folder = tmp_path / "more"
    folder.mkdir()
    (folder / "orders.csv").write_text(f"order_id,unit_id,closed_on,component,action,finding\n{lines}", encoding="utf-8")
    night(*older, NEXT, folder)
    after = content(older[1], "work_orders")
    assert after.height == before.height + 1
    mine = after.filter(pl.col("order_id") == order["order_id"])
    assert sorted(mine["component"]) == sorted([order["component"], "CAT2"])
    assert_frame_equal(after.join(mine, on="order_id", how="anti"), before.join(mine, on="order_id", how="anti"))
    assert check(*older).is_empty()


# -- a newer version ---------------------------------------------------------------------------------------------


def newer(lake: Lake, name: str) -> pl.DataFrame:
    """Write one table anew with a column that this version does not declare; the rows it had."""
    rows = lake.read(name)
    shutil.rmtree(lake.root / name)
    grown = rows.with_columns(humidity_pct=pl.lit(40.0))
    write_deltalake(
        str(lake.root / name), grown.to_arrow(), partition_by=list(table(name).partition) or None
    )
    return rows


@pytest.mark.parametrize("name", ["readings", "codes", "indicator_days", "scores"])
def test_a_newer_lake_is_read_without_the_column(older: tuple[Settings, Lake], name: str) -> None:
    rows = newer(older[1], name)
    assert_frame_equal(older[1].read(name), rows)
    assert check(*older).is_empty()


@pytest.mark.parametrize("way", ["append", "overwrite", "replace"])
@pytest.mark.parametrize("name", ["readings", "trips"])
def test_a_newer_lake_is_never_written_over(older: tuple[Settings, Lake], name: str, way: str) -> None:
    lake = older[1]
    rows = newer(lake, name)
    version = lake.version(name)
    partitions = rows.select(table(name).partition).unique().to_dicts()
    more = (rows, partitions) if way == "replace" else (rows,)
    told = f"table '{name}'.*column humidity_pct.*newer version wrote it.*begin another lake"
    with pytest.raises(LakeError, match=told):
        getattr(lake, way)(name, *more)
    assert lake.version(name) == version
    assert set(DeltaTable(str(lake.root / name)).to_pyarrow_table()["humidity_pct"].to_pylist()) == {40.0}


def test_a_night_on_a_newer_lake_ends_with_that_error_and_changes_nothing(
    older: tuple[Settings, Lake], tmp_path: Path
) -> None:
    lake = older[1]
    newer(lake, "readings")
    before = contents(lake) | {"exports": lake.read("exports")}
    with pytest.raises(LakeError, match="newer version"):
        night(*older, NEXT, next_week(lake, tmp_path / "second"))
    for name, frame in (contents(lake) | {"exports": lake.read("exports")}).items():
        assert_frame_equal(frame, before[name])
    assert sorted(path.name for path in lake.root.glob("_*")) == ["_lake.json"]
