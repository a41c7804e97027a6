"""Shards on a Dask cluster: the tables of a plain run, also when a worker is killed; and what is said where it is gone."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

import pipeline.spread as spreading
from pipeline import jobs
from pipeline.derive import derive
from pipeline.errors import ClusterError, ConfigError, LakeError, ShardsError
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.spread import spread
from tests.faults.objects import BUCKET, environment, object_store
from tests.golden.sample import NOW, command, fleet, small_exports
from tests.unit.test_derive_shards import check_same, ingested, tables

pytest.importorskip("distributed", reason="needs a Dask cluster on this machine: install the extra `dask`")

from tests.faults.dasks import cluster  # noqa: E402  needs the extra

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def raw(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    return ingested(tmp_path_factory.mktemp("raw"), tmp_path_factory.getbasetemp())


@pytest.fixture(scope="module")
def wanted(raw: Settings, tmp_path_factory: pytest.TempPathFactory) -> dict[str, pl.DataFrame]:
    root = shutil.copytree(raw.lake, tmp_path_factory.mktemp("plain") / "lake")
    derive(raw, Lake(str(root)))
    return tables(Lake(str(root)))


def copy_of(raw: Settings, folder: Path) -> Settings:
    """The same lake for a run of its own."""
    return raw.model_copy(update={"lake": str(shutil.copytree(raw.lake, folder / "lake"))})


def test_with_one_of_two_workers_killed_the_tables_are_those_of_a_plain_run(
    raw: Settings, wanted: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    settings = copy_of(raw, tmp_path)
    lake = Lake(settings.lake)
    with cluster(2) as made:
        before = set(made.pids().values())
        summary = derive(settings, lake, made.killing_after(2), spread(made.address, settings))
        assert len(made.killed) == 1 and made.killed[0] in before
        assert made.killed[0] not in made.pids().values()
    assert summary.derived == wanted["shards"].height > 9
    check_same(lake, wanted)
    # Only the process that asked wrote: one version a table and commit, and nothing left of the workers.
    assert sorted(path.name for path in lake.root.glob("_*")) == ["_lake.json"]


def test_the_command_makes_its_own_cluster(
    raw: Settings, wanted: dict[str, pl.DataFrame], tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    settings = copy_of(raw, tmp_path)
    job = fleet(
        tmp_path, small_exports(tmp_path_factory.getbasetemp()), buckets=2, shard_readings=10_000, lake=settings.lake
    )
    result = command(job, "derive", "--dask", "local:2")
    assert result.exit_code == 0 and f"derived {wanted['shards'].height} of" in result.output
    check_same(job.lake, wanted)
    # Nothing new: no cluster is asked, so that none need be there.
    again = command(job, "derive", "--dask", "tcp://127.0.0.1:9")
    assert again.exit_code == 0 and "derived 0 of" in again.output


def test_a_lake_in_an_object_store_is_measured_by_workers_too(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch,
    wanted: dict[str, pl.DataFrame],
) -> None:
    pytest.importorskip("moto.server", reason="needs an object store on this machine: install the extra `store`")
    with object_store() as endpoint:
        for name, value in (environment(endpoint) | {"TMPDIR": str(tmp_path)}).items():
            monkeypatch.setenv(name, value)
        monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
        job = fleet(
            tmp_path / "store", small_exports(tmp_path_factory.getbasetemp()), buckets=2, shard_readings=10_000,
            lake=f"s3://{BUCKET}/spread",
        )
        jobs.ingest_paths(job.settings, job.lake, [], NOW)
        derive(job.settings, job.lake, measured=spread("local:2", job.settings))
        found = tables(job.lake)
        assert list(job.lake.scratch.iterdir()) == []
    for name, frame in found.items():  # files have other names in another lake, and their fingerprints with them
        assert frame.drop("content", strict=False).equals(wanted[name].drop("content", strict=False)), name


def test_workers_that_do_not_see_the_lake_end_the_run(raw: Settings, tmp_path: Path) -> None:
    settings = copy_of(raw, tmp_path)
    told = settings.model_copy(update={"lake": str(tmp_path / "elsewhere")})
    over = spread("local:1", settings)
    with pytest.raises(ConfigError, match="the worker on .* finds no readings in"):
        derive(
            settings, Lake(settings.lake),
            measured=lambda work: over([replace(each, settings=told) for each in work]),
        )
    assert Lake(settings.lake).read("shards").is_empty()


def test_a_scheduler_that_is_not_there_is_named(raw: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreading, "_CONNECT_S", 2)
    settings = copy_of(raw, tmp_path)
    with pytest.raises(ClusterError, match="tcp://127.0.0.1:9 does not answer"):
        derive(settings, Lake(settings.lake), measured=spread("tcp://127.0.0.1:9", settings))


def test_a_cluster_without_workers_is_named(raw: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spreading, "_CONNECT_S", 1)
    settings = copy_of(raw, tmp_path)
    with cluster(0) as made, pytest.raises(ClusterError, match="has had no worker"):
        derive(settings, Lake(settings.lake), measured=spread(made.address, settings))


def test_a_file_that_is_damaged_fails_its_shard_alone(
    raw: Settings, wanted: dict[str, pl.DataFrame], tmp_path: Path
) -> None:
    settings = copy_of(raw, tmp_path)
    lake = Lake(settings.lake)
    broken = Path(lake.files("readings").sort("day", "bucket")["uri"][0])
    whole = broken.read_bytes()
    broken.write_bytes(b"not a table any more")
    with pytest.raises(ShardsError, match=r"1 of 9 shards are not derived: bucket \d, ") as failed:
        derive(settings, lake, measured=spread("local:2", settings))
    assert not isinstance(failed.value, LakeError)
    assert 0 < lake.read("shards").height < wanted["shards"].height
    broken.write_bytes(whole)
    derive(settings, lake)
    check_same(lake, wanted)
