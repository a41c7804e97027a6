"""A lake in an object store: the same list as in a folder, refusals, cut and slow lines, and who holds the lake."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.checks import check
from pipeline.errors import LakeError
from pipeline.lake import Lake
from pipeline.objects import Bucket
from pipeline.prognosis import OWN_MODEL
from pipeline.restore import lost_files, restore
from pipeline.settings import Settings
from pipeline.store import present_ms, this_process
from tests.faults.lakes import contents, run, write
from tests.faults.objects import (
    BUCKET,
    KEY,
    SECRET,
    Line,
    environment,
    object_store,
    objects,
    refusing_store,
)
from tests.golden.sample import WEEK, command, fleet, small_exports, small_job, week_list


@pytest.fixture(scope="module")
def store() -> Iterator[str]:
    """Endpoint of a store on this machine."""
    pytest.importorskip("moto.server", reason="needs an object store on this machine: install the extra `store`")
    with object_store() as endpoint:
        yield endpoint


@pytest.fixture(autouse=True)
def _own_scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))


def reached(patch: pytest.MonkeyPatch, endpoint: str) -> None:
    """Set the environment as a person would."""
    for name, value in environment(endpoint).items():
        patch.setenv(name, value)


def readings(path: Path, day: int, units: int = 3) -> Path:
    """A file with a minute of a few vehicles."""
    rows = [
        f"V{unit},2026-01-{day:02}T08:00:{second:02}Z,{700 + 10 * unit + second}\n"
        for unit in range(units)
        for second in range(60)
    ]
    return write(path, "unit_id,ts,rpm\n" + "".join(rows))


@pytest.mark.slow
def test_a_weekly_run_makes_the_list_of_a_folder(
    store: str, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    base = tmp_path_factory.getbasetemp()
    plain = small_job(base)
    week_list(plain, WEEK, tmp_path / "plain")
    reached(monkeypatch, store)
    job = fleet(tmp_path / "store", small_exports(base), buckets=1, lake=f"s3://{BUCKET}/vans")
    result = command(job, "weekly", "--week", WEEK.isoformat())
    assert result.exit_code in (0, 3), result.output
    for name in ("list.csv", "scores.csv", "list.txt"):
        assert (job.folder / name).read_bytes() == (tmp_path / "plain" / name).read_bytes(), name
    assert check(job.settings, job.lake).is_empty()
    unit = job.lake.read("register")["unit_id"][0]
    assert command(job, "why", unit).output == command(plain, "why", unit).output
    found = objects(store, "vans/")
    assert [key for key in found if "_delta_log" not in key and not key.endswith((".parquet", "/"))] == [
        "vans/_lake.json"
    ]
    assert not [key for key, content in found.items() if SECRET.encode() in content]
    assert list(job.lake.scratch.iterdir()) == []
    assert not (tmp_path / "store" / "lake").exists()


@pytest.mark.parametrize("words", [("weekly",), ("why", "V1"), ("quarantine",), ("check",)])
def test_refused_credentials_are_one_clear_error(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with refusing_store() as endpoint:
        reached(monkeypatch, endpoint)
        job = fleet(tmp_path / "store", tmp_path, lake=f"s3://{BUCKET}/vans")
        with pytest.raises(LakeError) as refused:
            command(job, *words)
    said = str(refused.value)
    assert f"s3://{BUCKET}/vans" in said and "SignatureDoesNotMatch" in said and "AWS_*" in said
    assert KEY not in said and SECRET not in said and "0123456789abcdef" not in said and "\n" not in said


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.4, 0.7])
def test_a_line_cut_in_the_middle_of_a_run_changes_nothing(
    share: float, store: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings, name = Settings(lake=f"s3://{BUCKET}/cut{share}", buckets=2), f"cut{share}"
    plain = Settings(lake=str(tmp_path / "plain"), buckets=2)
    first, second = readings(tmp_path / "1.csv", 5), readings(tmp_path / "2.csv", 6)
    reached(monkeypatch, store)
    for each in (settings, plain):
        run(each, Lake(each.lake), first)
    before = contents(Lake(settings.lake))
    with Line(store) as whole:
        monkeypatch.setenv("AWS_ENDPOINT_URL", whole.endpoint)
        other = Settings(lake=f"s3://{BUCKET}/whole{share}", buckets=2)
        run(other, Lake(other.lake), second)
    with Line(store, cut_after=int(len(whole.sent) * share)) as line:
        monkeypatch.setenv("AWS_ENDPOINT_URL", line.endpoint)
        with pytest.raises(LakeError, match=f"s3://{BUCKET}/{name}") as failed:
            run(settings, Lake(settings.lake), second)
        assert line.cut and SECRET not in str(failed.value) and KEY not in str(failed.value)
    monkeypatch.setenv("AWS_ENDPOINT_URL", store)
    lake = Lake(settings.lake)
    with lake.lock("look", "2026-03-01"):  # undoes what was begun
        for table, frame in contents(lake).items():
            assert_frame_equal(frame, before[table])
    for each in (settings, plain):
        run(each, Lake(each.lake), second)
    for table, frame in contents(lake).items():
        assert_frame_equal(frame, contents(Lake(plain.lake))[table])
    assert lake.read("readings").height == 2 * before["readings"].height


def test_a_slow_store_only_takes_longer(store: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Settings(lake=str(tmp_path / "plain"), buckets=2)
    files = [readings(tmp_path / "1.csv", 5), readings(tmp_path / "2.csv", 6)]
    run(plain, Lake(plain.lake), *files)
    with Line(store, delay_s=0.02) as line:
        reached(monkeypatch, line.endpoint)
        settings = Settings(lake=f"s3://{BUCKET}/slow", buckets=2)
        run(settings, Lake(settings.lake), *files)
        for table, frame in contents(Lake(settings.lake)).items():
            assert_frame_equal(frame, contents(Lake(plain.lake))[table])


def test_of_runs_on_several_machines_one_gets_the_lake(
    store: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    got, refused = [], []

    def take(number: int, bucket: Bucket, together: threading.Barrier) -> None:
        holder = {"purpose": f"run {number}", "since": "now", **this_process(), "host": f"machine {number}"}
        together.wait()
        try:
            with bucket.hold(holder):
                got.append(number)
                ends.wait(30)
        except LakeError as error:
            refused.append(str(error))
        done.release()

    with Line(store) as line:
        reached(monkeypatch, line.endpoint)
        machines, ends, done = 6, threading.Event(), threading.Semaphore(0)
        barrier = threading.Barrier(machines)
        runs = []
        for number in range(machines):
            bucket = Bucket(f"s3://{BUCKET}/held")
            bucket.scratch = tmp_path / str(number)  # machines have no folder in common
            bucket.scratch.mkdir()
            runs.append(threading.Thread(target=take, args=(number, bucket, barrier)))
            runs[-1].start()
        for _ in range(machines - 1):
            assert done.acquire(timeout=60)
        ends.set()
        for each in runs:
            each.join()
        assert len(got) == 1 and len(refused) == machines - 1
        assert all(f"is held by 'run {got[0]}'" in text for text in refused)
        # What makes it so: the store puts the lock only where there is none.
        assert b"if-none-match: *" in bytes(line.sent).lower()
    assert not [key for key in objects(store, "held/") if "_lock" in key]


def test_a_lock_left_behind_is_taken_over_on_its_own_machine_only(
    store: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    reached(monkeypatch, store)
    bucket = Bucket(f"s3://{BUCKET}/left")
    dead = {"purpose": "weekly", "since": "2026-03-01", **this_process(), "pid": 2**22 + 1, "token": "of the dead"}
    bucket._take(dead)
    with bucket.hold({"purpose": "nightly", "since": "2026-03-02", **this_process()}):
        pass
    bucket._take(dead | {"host": "another"})
    with pytest.raises(LakeError, match="held by 'weekly' .* on another.* since 2026-03-01"):
        with bucket.hold({"purpose": "nightly", "since": "2026-03-02", **this_process()}):
            raise AssertionError("two hold the lake")


def test_a_model_of_its_own_lies_in_the_store(store: str, monkeypatch: pytest.MonkeyPatch) -> None:
    reached(monkeypatch, store)
    lake = Lake(f"s3://{BUCKET}/own")
    with lake.folder(OWN_MODEL) as folder:
        assert list(folder.iterdir()) == []
    with lake.folder(OWN_MODEL, changes=True) as folder:
        (folder / "card.md").write_text("trees")
    with lake.folder(OWN_MODEL) as folder:
        assert (folder / "card.md").read_text() == "trees"
    assert objects(store, "own/_models/own/card.md") == {"own/_models/own/card.md": b"trees"}


def test_the_store_tells_the_time_and_keeps_nothing_of_it(store: str, monkeypatch: pytest.MonkeyPatch) -> None:
    reached(monkeypatch, store)
    began_ms = datetime.now(UTC).timestamp() * 1000
    told = present_ms(Bucket(f"s3://{BUCKET}/clock"))
    # A store tells whole seconds.
    assert began_ms - 1000 <= told <= datetime.now(UTC).timestamp() * 1000 + 1000
    assert objects(store, "clock/_") == {}


def test_a_store_that_is_not_there_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Line("http://127.0.0.1:9") as line:
        gone = line.endpoint
    reached(monkeypatch, gone)
    with pytest.raises(LakeError, match=rf"s3://{BUCKET}/vans cannot be read: .*check bucket, region and endpoint"):
        Lake(f"s3://{BUCKET}/vans").read("exports")


def test_a_bucket_that_does_not_exist_is_named(store: str, monkeypatch: pytest.MonkeyPatch) -> None:
    reached(monkeypatch, store)
    with pytest.raises(LakeError, match="s3://nobody/vans cannot be held: the store answered NoSuchBucket"):
        with Lake("s3://nobody/vans").lock("ingest", "now"):
            raise AssertionError("held")


def test_reading_a_remote_lake_gathers_no_file(store: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    reached(monkeypatch, store)
    settings = Settings(lake=f"s3://{BUCKET}/parts", buckets=2)
    lake = Lake(settings.lake)
    run(settings, lake, readings(tmp_path / "1.csv", 5), readings(tmp_path / "2.csv", 6))
    files = lake.files("readings")
    assert files.height == 2
    wanted = files["uri"].to_list()[:1]
    with lake.on_disk(wanted) as paths:
        assert [Path(path).stat().st_size for path in paths] == files["bytes"].to_list()[:1]
        assert pl.read_parquet(paths[0]).height == files["rows"][0]
    assert not Path(paths[0]).exists()


def test_an_object_that_is_gone_is_restored_and_a_store_that_is_gone_has_lost_nothing(
    store: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reached(monkeypatch, store)
    settings = Settings(lake=f"s3://{BUCKET}/lost", buckets=2, exports=[str(tmp_path / "in")])
    lake = Lake(settings.lake)
    (tmp_path / "in").mkdir()
    run(settings, lake, readings(tmp_path / "in" / "1.csv", 5), readings(tmp_path / "in" / "2.csv", 6))
    wanted, files = lake.read("readings"), lake.files("readings")
    lake._store.erase(f"readings/{files['path'][0]}")
    lake._store.put(f"readings/{files['path'][1]}", memoryview(b"damaged"))
    with lake.lock("restore", "now"):
        told = restore(settings, lake, [])
    assert told.lost["why"].to_list() == ["it is gone", f"it has 7 bytes of {files['bytes'][1]:,}"]
    assert_frame_equal(lake.read("readings"), wanted)
    now = lake.files("readings")
    with Line("http://127.0.0.1:9") as line:
        gone = line.endpoint
    reached(monkeypatch, gone)
    with pytest.raises(LakeError, match="cannot be looked at, so nothing was changed: .*check bucket, region and endpoint"):
        lost_files(Lake(settings.lake), now)


def test_copies_of_a_worker_that_was_killed_are_gone_when_the_next_are_made(tmp_path: Path) -> None:
    bucket = Bucket(f"s3://{BUCKET}/copies")
    bucket.scratch = tmp_path
    dead, alive = tmp_path / f"files-{2**22 + 1}-x", tmp_path / f"files-{os.getpid()}-y"
    for each in (dead, alive):
        (each / "readings").mkdir(parents=True)
    with bucket.on_disk([]):
        assert not dead.exists() and alive.exists()
    assert [path.name for path in tmp_path.iterdir()] == [alive.name]
