"""Derive, shard by shard: one that fails is named and loses nothing of the others; what a worker is given and refuses."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

import pipeline.derive as stage
from pipeline import jobs
from pipeline.derive import ShardWork, derive, keep_shard, measure
from pipeline.errors import ClusterError, ConfigError, LakeError, QueryError, ShardsError, UnfitError, can_pass
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.shards import Shard, joined
from pipeline.spread import check_cluster, local_workers, sendable, spread
from tests.golden.sample import NOW, fleet, small_exports

MADE = ("trips", "indicator_days", "signal_days", "shards")


def ingested(folder: Path, base: Path) -> Settings:
    """A lake with readings and nothing derived, in about ten shards."""
    job = fleet(folder, small_exports(base), buckets=2, shard_readings=10_000)
    jobs.ingest_paths(job.settings, job.lake, [], NOW)
    return job.settings


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    return ingested(tmp_path_factory.mktemp("raw"), tmp_path_factory.getbasetemp())


@pytest.fixture(scope="module")
def wanted(raw: Settings, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    """Tables of a plain run on the same readings."""
    root = shutil.copytree(raw.lake, tmp_path_factory.mktemp("plain") / "lake")
    derive(raw, Lake(str(root)))
    return tables(Lake(str(root)))


@pytest.fixture
def lake(raw: Settings, tmp_path: Path) -> Lake:
    return Lake(str(shutil.copytree(raw.lake, tmp_path / "lake")))


def tables(lake: Lake) -> dict[str, pl.DataFrame]:
    return {name: lake.read(name) for name in MADE}


def check_same(lake: Lake, wanted: dict[str, pl.DataFrame]) -> None:
    for name, frame in tables(lake).items():
        assert_frame_equal(frame, wanted[name], check_exact=True)


def of(frame: pl.DataFrame, shard: Shard) -> pl.DataFrame:
    """Rows of a shard."""
    return frame.filter(pl.col("bucket").is_in(shard.buckets) & pl.col("day").is_between(shard.first_day, shard.last_day))


def failing(monkeypatch: pytest.MonkeyPatch, which: range, error: Exception) -> list[Shard]:
    """From now on the shards of these places fail; the shards that were begun."""
    begun: list[Shard] = []

    def measured(settings: Settings, lake: Lake, params: dict, units: pl.DataFrame, shard: Shard) -> stage.Made:
        begun.append(shard)
        if len(begun) - 1 in which:
            raise error
        return plain(settings, lake, params, units, shard)

    plain = stage._measure
    monkeypatch.setattr(stage, "_measure", measured)
    return begun


@pytest.mark.parametrize("error", [LakeError("the store is gone"), QueryError("out of memory"), OSError(5, "no answer")])
def test_a_shard_that_fails_is_named_and_the_others_are_kept(
    error: Exception, raw: Settings, lake: Lake, wanted: dict[str, pl.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = raw.model_copy(update={"threads": 1})
    begun = failing(monkeypatch, range(3, 4), error)
    with pytest.raises(ShardsError, match="1 of 9 shards are not derived") as failed:
        derive(settings, lake)
    bad = begun[3]
    assert len(begun) == failed.value.shards == 9
    assert str(bad) in str(failed.value) and str(error) in str(failed.value)
    assert list(failed.value.failed) == [str(bad)] and can_pass(failed.value) is not isinstance(error, QueryError)
    for name, frame in tables(lake).items():
        assert of(frame, bad).is_empty()
        others = wanted[name].join(of(wanted[name], bad), on=["bucket", "day"], how="anti")
        if name == "shards":
            assert_frame_equal(frame, others)
        elif name == "indicator_days":
            assert_frame_equal(frame, others, check_exact=True)
    monkeypatch.undo()
    assert derive(settings, lake).derived == of(wanted["shards"], bad).height
    check_same(lake, wanted)


@pytest.mark.parametrize("table_hit", ["indicator_days", "signal_days", "trips"])
def test_a_shard_is_written_whole_or_not_at_all(
    table_hit: str, raw: Settings, lake: Lake, wanted: dict[str, pl.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    place, hit = Lake.replace, []

    def third_fails(self: Lake, name: str, frame: pl.DataFrame, partitions: list[dict]) -> None:
        place(self, name, frame, partitions)
        hit.append(name)
        if name == table_hit and hit.count(name) == 3:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(Lake, "replace", third_fails)
    with pytest.raises(ShardsError, match="1 of 9 shards .*No space left"):
        derive(raw, lake)
    monkeypatch.undo()
    left = wanted["shards"].join(lake.read("shards"), on=["bucket", "day"], how="anti").select("bucket", "day")
    assert left.height > 0
    for name in ("indicator_days", "signal_days"):
        assert lake.read(name).join(left, on=["bucket", "day"], how="semi").is_empty(), name
    assert not (lake.root / "_intent.json").exists()
    derive(raw, lake)
    check_same(lake, wanted)


@pytest.fixture
def together(raw: Settings, monkeypatch: pytest.MonkeyPatch) -> Settings:
    """Settings under which both buckets make one shard."""
    monkeypatch.setattr(stage, "joined", lambda shards, files, most: joined(shards, files, 10 * most))
    return raw.model_copy(update={"threads": 1, "shard_readings": 1_000_000})


def test_what_is_measured_together_is_what_is_measured_apart(
    together: Settings, lake: Lake, wanted: dict[str, pl.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = failing(monkeypatch, range(0), OSError())
    summary = derive(together, lake)
    assert [shard.buckets for shard in begun] == [(0, 1)]
    assert summary.derived == summary.partitions == wanted["shards"].height
    assert summary.readings == wanted["shards"]["readings"].sum()
    check_same(lake, wanted)


def test_of_what_fails_together_only_the_bucket_with_the_damaged_file_is_left(
    together: Settings, lake: Lake, wanted: dict[str, pl.DataFrame]
) -> None:
    damaged = lake.files("readings").filter(pl.col("bucket") == 1).row(3, named=True)
    file, sound = Path(damaged["uri"]), Path(damaged["uri"]).read_bytes()
    file.write_bytes(b"PAR1 and no more")
    seen: list[tuple[int, int, int]] = []
    with pytest.raises(ShardsError, match="1 of 2 shards are not derived: bucket 1, .*cannot be read"):
        derive(together, lake, lambda *told: seen.append(told))
    of_bucket_0 = pl.col("bucket") == 0
    for name, frame in tables(lake).items():
        assert_frame_equal(frame, wanted[name].filter(of_bucket_0), check_exact=True)
    assert seen[-1] == (wanted["shards"].height, wanted["shards"].height, wanted["shards"].filter(of_bucket_0)["readings"].sum())
    file.write_bytes(sound)
    derive(together, lake)
    check_same(lake, wanted)


def test_what_takes_too_much_together_is_tried_apart_after_a_stop(
    together: Settings, lake: Lake, wanted: dict[str, pl.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stage, "_IN_A_ROW", 1)
    begun = failing(monkeypatch, range(0, 1), QueryError("out of memory"))
    derive(together, lake)
    assert [shard.buckets for shard in begun] == [(0, 1), (0,), (1,)]
    check_same(lake, wanted)


def test_shards_that_fail_one_after_another_end_the_run(
    raw: Settings, lake: Lake, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing(monkeypatch, range(2, 9), LakeError("the store is gone"))
    with pytest.raises(ShardsError, match="5 of 9 shards are not derived, and 2 were not tried any more"):
        derive(raw.model_copy(update={"threads": 1}), lake)
    assert lake.read("shards").height > 0


def test_a_wrong_setting_ends_the_run_at_once(raw: Settings, lake: Lake, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = failing(monkeypatch, range(0, 1), ConfigError("a limit is missing"))
    with pytest.raises(ConfigError, match="a limit is missing"):
        derive(raw.model_copy(update={"threads": 1}), lake)
    assert len(begun) == 1 and lake.read("shards").is_empty()


def test_no_more_shards_are_held_than_asked_for(raw: Settings, lake: Lake) -> None:
    held, most = [0], [0]

    class Begun:
        def __init__(self, work: ShardWork) -> None:
            self.work = work
            held[0] += 1
            most[0] = max(most[0], held[0])

        def result(self) -> stage.Made:
            return measure(self.work, lake)

    def measured(work: list[ShardWork]) -> Iterator[stage.Made | Exception]:
        return stage.in_order(work, Begun, 3)

    def kept(lake: Lake, shard: Shard, made: stage.Made) -> None:
        keep_shard(lake, shard, made)
        held[0] -= 1

    derive(raw, lake, measured=measured, keep=kept)
    assert held == [0] and most[0] <= 4  # three begun and the one that is being written


def one_work(settings: Settings, lake: Lake) -> ShardWork:
    """What a worker is given for the first shard."""
    given: list[ShardWork] = []

    def measured(work: list[ShardWork]) -> Iterator[stage.Made | Exception]:
        given.extend(work)
        raise ConfigError("seen")
        yield

    with pytest.raises(ConfigError, match="seen"):
        derive(settings, lake, measured=measured)
    return given[0]


def test_a_worker_refuses_what_it_cannot_do_right(raw: Settings, lake: Lake, tmp_path: Path) -> None:
    work = one_work(raw, lake)
    assert measure(work)["trips"].height > 0
    with pytest.raises(ConfigError, match="other steps or another version of duckdb or polars"):
        measure(replace(work, program="of another version"))
    elsewhere = raw.model_copy(update={"lake": str(tmp_path / "nothing")})
    with pytest.raises(ConfigError, match="finds no readings in .*nothing; a lake that workers share"):
        measure(replace(work, settings=elsewhere))


def test_a_worker_is_given_no_secret_and_no_vehicle_of_another_bucket(raw: Settings, lake: Lake) -> None:
    settings = raw.model_copy(update={"alert_webhook": "https://host/secret-word", "alert_command": ["secret-word"]})
    work = sendable(one_work(settings, lake))
    assert "secret-word" not in repr(work)
    assert 0 < work.units.height < lake.read("register").height


def test_without_the_packages_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ConfigError, match=r"pip install 'lightoff\[dask\]'"):
        spread("local", Settings())
    assert spread("", Settings()) is None


@pytest.mark.parametrize("where", ["tcp://host", "host:8786", "local:0", "http://host:80", "tcp://me@host:1", "tcp://a b:1"])
def test_what_is_no_cluster_is_refused(where: str) -> None:
    with pytest.raises(ConfigError, match="is no Dask cluster: write tcp://HOST:PORT"):
        check_cluster(where)
    with pytest.raises(ValueError, match="dask"):
        Settings(dask=where)


def test_a_cluster_of_this_machine_has_a_process_a_thread_if_not_told() -> None:
    settings = Settings(threads=3)
    assert [local_workers(where, settings) for where in ("local", "local:5", "tcp://host:8786")] == [3, 5, None]


@pytest.mark.parametrize(
    ("error", "passes"),
    [
        (LakeError("held"), True),
        (OSError("reset"), True),
        (ClusterError("gone"), True),
        (UnfitError("written by another version"), False),
        (ConfigError("a wrong limit"), False),
        (QueryError("a wrong step"), False),
        (ShardsError({"bucket 1": QueryError("x"), "bucket 2": LakeError("y")}, 3), True),
        (ShardsError({"bucket 1": QueryError("x")}, 3), False),
        (None, False),
    ],
)
def test_what_may_be_gone_the_next_time(error: object, passes: bool) -> None:
    assert can_pass(error) is passes


def test_a_range_of_days_is_derived_alone_and_anew(lake: Lake, raw: Settings, wanted: dict[str, pl.DataFrame]) -> None:
    days = sorted(wanted["shards"]["day"].unique())
    first, last = days[2], days[5]
    part = derive(raw, lake, between=(first, last))
    done = lake.read("shards")
    assert sorted(done["day"].unique()) == days[2:6]
    assert part.derived == done.height > 0
    assert derive(raw, lake, between=(first, last)).derived == part.derived  # changed or not
    rest = derive(raw, lake)
    assert rest.derived == wanted["shards"].height - part.derived
    check_same(lake, wanted)


def test_a_range_that_holds_closed_days_is_refused(lake: Lake, raw: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    closed = lake.files("readings")["day"].min()
    monkeypatch.setattr(stage, "closed_day", lambda _: closed)
    with pytest.raises(ConfigError, match=f"up to {closed} are thinned"):
        derive(raw, lake, between=(closed, closed))
    assert lake.read("shards").is_empty()


def test_an_end_left_open_begins_after_the_closed_days(
    lake: Lake, raw: Settings, wanted: dict[str, pl.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    days = sorted(wanted["shards"]["day"].unique())
    until = jobs.days_between(None, days[1].isoformat())  # of a lake that was never thinned: all from its first day on
    assert derive(raw, lake, between=until).derived > 0
    assert sorted(lake.read("shards")["day"].unique()) == days[:2]
    monkeypatch.setattr(stage, "closed_day", lambda _: days[2])
    derive(raw, lake, between=jobs.days_between(None, days[4].isoformat()))
    assert sorted(lake.read("shards")["day"].unique()) == [*days[:2], *days[3:5]]
    for named in ((None, days[2].isoformat()), (days[2].isoformat(), None), (days[0].isoformat(), days[5].isoformat())):
        with pytest.raises(ConfigError, match=f"up to {days[2]} are thinned"):
            derive(raw, lake, between=jobs.days_between(*named))


@pytest.mark.parametrize(("first", "last", "problem"), [
    ("2026-04-xx", None, "--from: '2026-04-xx' is no date"), (None, "soon", "--to: 'soon' is no date"),
    ("2026-04-02", "2026-04-01", "--to 2026-04-01 lies before --from 2026-04-02"),
])
def test_a_wrong_range_is_refused(first: str | None, last: str | None, problem: str) -> None:
    with pytest.raises(ConfigError, match=problem):
        jobs.days_between(first, last)
    assert jobs.days_between(None, None) is None
