"""Weeks of nights with all that goes wrong in them: the last list is that of a lake that read everything at once.

The long form is run by hand: ``LIGHTOFF_SOAK_WEEKS=52 python -m pytest tests/faults/test_soak.py``.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.classifier import train
from models.store import save
from pipeline import jobs
from pipeline import lake as store
from pipeline.checks import check
from pipeline.closed import closed_day
from pipeline.errors import LakeError, ShardsError
from pipeline.exports.reading import REFUSED
from pipeline.lake import Lake
from pipeline.partfiles import Put, write_parts
from pipeline.prognosis import OWN_MODEL
from pipeline.settings import PROJECT, Settings
from pipeline.tables import Table, tables
from sample_lake.simulate import simulate
from tests.faults.aging import LATER_SIGNAL, add_later_signal, columns_of, made_older, taken_mb
from tests.faults.lakes import content, contents
from tests.models.made_features import made

SHORT = 8
WEEKS = int(os.environ.get("LIGHTOFF_SOAK_WEEKS", SHORT))
# A short soak has to look back less if anything is to grow old in it; readings stay whole a week longer than lists need.
HISTORY = 26 if WEEKS > 30 else 4
SETTINGS = {"buckets": 2, "card_vehicles": 0, "history_weeks": HISTORY, "keep_readings_days": 7 * (HISTORY + 1)}
UNITS, FLEET, SEED, START = 6, 4, 3, date(2026, 1, 5)
NIGHTS = (3, 7)  # days after a Monday whose 02:00 a run begins at: Thursday and the next Monday
OVERLAP = timedelta(days=10)  # each text export holds the last days once more, as workshops and portals send them
AN_HOUR = timedelta(hours=1)
TROUBLED = {"late": 0.35, "again": 0.15, "cut": 0.12}  # shares of the files; fixed by the seed
DERIVED = ("trips", "indicator_days", "signal_days")
LONG_AFTER = 40  # rows that come when their day is closed

# A run that kills itself: while rows are merged, inside the transaction, or between ingest and the end of derive.
_CHILD = """
import os, signal, sys
from datetime import datetime
from pathlib import Path
from pipeline import jobs
from pipeline.lake import Lake
from pipeline.settings import Settings

def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)

def reading(progress):
    if progress.doing == "merging":
        die()

where, lake, folder, now, settings = sys.argv[1:]
watch = jobs.Watch(reading=reading) if where == "merging" else jobs.Watch(deriving=die)
settings = Settings.model_validate_json(settings)
with Lake(lake).lock("nightly", now):
    if where == "thinning":
        Lake.remove = die  # the thin rows are written, the whole ones are still there
        jobs.housekeep(settings, Lake(lake), datetime.fromisoformat(now))
    else:
        jobs.nightly(settings, Lake(lake), [Path(folder)], datetime.fromisoformat(now), watch)
"""


class Stopped(Exception):
    """A run that is stopped between ingest and derive."""


@dataclass
class Post:
    """Files by the night on which they lie in the folder, and what was done to them."""

    nights: list[datetime]
    files: dict[int, list[tuple[str, bytes]]] = field(default_factory=dict)
    done: Counter[str] = field(default_factory=Counter)

    def send(self, night: int, name: str, body: bytes) -> None:
        self.files.setdefault(min(night, len(self.nights) - 1), []).append((name, body))


def nights_of(weeks: int) -> list[datetime]:
    """Beginnings of the runs (UTC); on one night in the middle the clock has been put back by an hour."""
    begin = datetime.combine(START, datetime.min.time(), UTC) + timedelta(hours=2)
    nights = [begin + timedelta(days=7 * week + day) for week in range(weeks) for day in NIGHTS]
    middle = len(nights) // 2
    nights.insert(middle + 1, nights[middle] - AN_HOUR)
    return nights


def posted(exports: Path, nights: list[datetime]) -> Post:
    """The exports cut into what each night would bring, then late, repeated and cut off by chance."""
    chance, post = random.Random(SEED), Post(nights)
    for number, (due, name, body) in enumerate(sorted(pieces(exports, nights))):
        told = {what: chance.random() < share for what, share in TROUBLED.items()}
        # The first night brings whole files: without a reading there is nothing to judge.
        late = chance.randrange(1, 6) if told["late"] and due else 0
        if told["cut"] and due and due + late + 1 < len(nights):
            post.send(due + late, name, cut(name, body))
            post.done["cut"] += 1
            late += 1
        post.send(due + late, name, body)
        if told["again"]:
            post.send(due + late + chance.randrange(2), f"again/{number}_{name}", body)
        post.done["late"] += late > 0
        post.done["again"] += told["again"]
    register = (exports / "register.csv").read_bytes()
    lines = register.splitlines(keepends=True)
    post.send(0, "register.csv", b"".join(lines[:-1]))  # one vehicle is registered weeks after it began to log
    post.send(len(nights) // 3, "register_later.csv", register)
    # The oldest readings come once more when their days are thinned: other bytes, hence another file.
    first = min((exports / "readings").glob("*.parquet"))
    post.send(len(nights) - 2, "long_after.parquet", as_parquet(pl.read_parquet(first).head(LONG_AFTER)))
    return post


def pieces(exports: Path, nights: list[datetime]) -> Iterator[tuple[int, str, bytes]]:
    """Night on which it is due, name and content of each piece; text exports overlap."""
    ends = [datetime.min.replace(tzinfo=UTC), *nights]
    for path in (exports / "readings").iterdir():
        if path.suffix != ".parquet":
            # A gateway's week as text comes whole, after its last reading.
            year, week = path.name.split(".")[0].rsplit("_", 1)[1].split("w")
            monday = date.fromisocalendar(int(year), int(week), 1) + timedelta(days=7)
            whole_at = datetime.combine(monday, datetime.min.time(), UTC)
            yield first_after(nights, whole_at), path.name, path.read_bytes()
            continue
        rows = pl.read_parquet(path)
        for night, (after, until) in enumerate(zip(ends, nights, strict=False)):
            part = rows.filter((pl.col("ts") >= after) & (pl.col("ts") < until))
            if part.height:
                yield night, f"{path.stem}_{night}.parquet", as_parquet(part)
    for name, moment in (("codes", "ts"), ("onboard_tests", "ts"), ("work_orders", "closed_on")):
        rows = pl.read_csv(exports / f"{name}.csv", infer_schema=False)
        days = rows[moment].str.head(10).str.to_date()
        for night, until in enumerate(nights):
            known = (days < until.date()) & (days >= (until - OVERLAP).date())
            if known.any():
                yield night, f"{name}_{night}.csv", rows.filter(known).write_csv().encode()


def first_after(nights: list[datetime], moment: datetime) -> int:
    return next(number for number, night in enumerate(nights) if night >= moment)


def as_parquet(rows: pl.DataFrame) -> bytes:
    target = BytesIO()
    rows.write_parquet(target)
    return target.getvalue()


def cut(name: str, body: bytes) -> bytes:
    """The first part of a file as a broken transfer leaves it: text inside the last number of a row, the worst place."""
    part = body[: len(body) * 2 // 3]
    return part[: part.rindex(b"\n") - 1] if name.endswith(".csv") else part


class Soak:
    """One lake through the nights; each trouble comes on nights of its own."""

    def __init__(self, folder: Path, post: Post) -> None:
        self.settings = Settings(lake=str(folder / "lake"), **SETTINGS)
        self.lake = Lake(self.settings.lake)
        self.sizes: list[tuple[float, float]] = []
        self.absent: list[str] = []
        self.folder, self.inbox, self.post = folder, folder / "in", post
        self.seen: Counter[str] = Counter()
        self.judged_by: set[str] = set()

    def live(self, patch: pytest.MonkeyPatch) -> None:
        """Every night; after one that failed the next goes on with what is there."""
        full, killed = ("full at ingest", "full at derive"), ("killed merging", "killed deriving")
        kinds = (None, "stopped", None, killed[1], full[0], None, killed[0], full[1])
        swap, upgrade = len(self.post.nights) // 2, upgrade_night(self.post.nights)
        for number, now in enumerate(self.post.nights):
            for name, body in self.post.files.get(number, []):
                target = self.inbox / name
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_bytes(body)
            if number == swap:
                save(train(*made(units=40), "swapped in"), self.lake.root / OWN_MODEL, "")
            if number == swap + 4:
                shutil.rmtree(self.lake.root / OWN_MODEL)
            if number == upgrade:
                self.absent = made_older(self.lake)
            # The last night must end well, and not every night can fail.
            trouble = kinds[number % len(kinds)] if number + 1 < len(self.post.nights) else None
            if trouble and trouble.startswith("killed"):
                self._killed(trouble.split()[1], now)
            else:
                self._night(trouble, now, patch)
            self._sound(number)
            if now.weekday() == 0:
                self._weekly(now)
                self._sound(number)

    def _weekly(self, now: datetime) -> None:
        """Housekeeping; until it has been killed twice while it thins, it is killed first and then run again."""
        if self.seen["killed thinning"] < 2:
            self._killed("thinning", now)
        with self.lake.lock("housekeep", now.isoformat()):
            thinned = jobs.housekeep(self.settings, self.lake, now)[1]
            self.seen["thinned"] += thinned.partitions
            before = taken_mb(self.lake)[0]
            # Weeks pass in seconds here: what `keep_versions_days` would keep is removed at once, and only measured.
            for name in (each for each in tables() if self.lake.exists(each)):
                self.lake.tidy(name, 0)
            whole = taken_mb(self.lake)[0]
            self.sizes.append((whole, before - whole))

    def _night(self, trouble: str | None, now: datetime, patch: pytest.MonkeyPatch) -> None:
        watch = jobs.Watch(deriving=stop) if trouble == "stopped" else jobs.Watch()
        with patch.context() as patched:
            if trouble and trouble.startswith("full"):
                name = "readings" if "ingest" in trouble else "indicator_days"
                patched.setattr(store, "write_parts", full_at(name))
            try:
                with self.lake.lock("nightly", now.isoformat()):
                    summary = jobs.nightly(self.settings, self.lake, [self.inbox], now, watch)[0]
            except Stopped:
                self.seen["stopped"] += 1
                return
            except (LakeError, ShardsError) as error:
                # Any other error of the lake is one that the night must not have.
                if trouble is None or not trouble.startswith("full") or "No space left" not in str(error):
                    raise
                self.seen[trouble] += 1
                return
        self.seen["refused"] += (summary.files["status"] == REFUSED).sum()
        scores = self.lake.read("scores", where=pl.col("series") == jobs.ISSUED)
        self.judged_by |= set(scores["judged_by"])

    def _killed(self, where: str, now: datetime) -> None:
        words = [sys.executable, "-c", _CHILD, where, self.settings.lake, str(self.inbox), now.isoformat()]
        words.append(self.settings.model_dump_json())
        environment = os.environ | {"PYTHONPATH": str(PROJECT)}
        ended = subprocess.run(words, env=environment, capture_output=True, text=True, timeout=120, check=False)
        if ended.returncode:  # a night without a new file has nothing to be killed in
            assert ended.returncode == -signal.SIGKILL, ended.stderr
            self.seen[f"killed {where}"] += 1
            self.seen["torn"] += (self.lake.root / "_intent.json").exists()

    def _sound(self, number: int) -> None:
        """The ledger adds up after every night, whatever happened in it."""
        if (self.lake.root / "_intent.json").exists():
            return  # rolled back when the next run takes the lock
        ledger = self.lake.read("exports")
        assert (ledger["rows_in"] == ledger["kept"] + ledger["quarantined"] + ledger["duplicates"]).all(), number


def upgrade_night(nights: list[datetime]) -> int:
    """The night before which another version takes over, while every day can still be measured again."""
    return len(nights) // 4


def stop(*_: int) -> None:
    raise Stopped


def full_at(name: str) -> Callable[..., object]:
    """A writer of data files whose disk is full where table ``name`` is written."""

    def writes(put: Put, declared: Table, frame: pl.DataFrame, writers: int) -> object:
        if declared.name == name:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write_parts(put, declared, frame, writers)

    return writes


def at_once(folder: Path, exports: Path, now: datetime) -> tuple[Settings, Lake]:
    """A lake that reads the simulator's own files in one run."""
    settings = Settings(lake=str(folder / "lake"), **SETTINGS)
    lake = Lake(settings.lake)
    with lake.lock("nightly", now.isoformat()):
        jobs.nightly(settings, lake, [exports], now)
    return settings, lake


@pytest.mark.slow
def test_nights_with_every_trouble_end_at_the_list_of_an_undisturbed_lake(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    simulate(tmp_path, UNITS, WEEKS, FLEET, START, log_minutes_per_week=12)
    exports, nights = tmp_path / "exports", nights_of(WEEKS)
    add_later_signal(exports, nights[upgrade_night(nights)])
    post = posted(exports, nights)
    soak = Soak(tmp_path / "soak", post)
    soak.live(monkeypatch)
    settings, plain = at_once(tmp_path / "plain", exports, nights[-1])
    with capsys.disabled():
        print(f"\n{len(nights)} nights: {dict(post.done)}, {dict(soak.seen)}, judged by {sorted(soak.judged_by)}")
        print(f"columns of a later version: {', '.join(soak.absent)}")
        for week, (whole, removed) in enumerate(soak.sizes, 1):
            if week % 4 == 0 or week == len(soak.sizes):
                print(f"after {week} weeks {whole:.1f} MB, {removed:.1f} MB of replaced files removed that week")
        print("read at once: {:.1f} MB, {:.1f} MB of them data".format(*taken_mb(plain)))

    closed = closed_day(soak.lake)
    for name, frame in contents(plain).items():
        # Old readings are thin, one by one accounted for; everything else is as if nothing had happened.
        whole = frame.filter(pl.col("day") >= closed) if name == "readings" else frame
        assert_frame_equal(content(soak.lake, name), whole)
    thinned = soak.lake.read("thinned")
    assert thinned["rows_before"].sum() == plain.read("readings").filter(pl.col("day") < closed).height > 0
    late = soak.lake.read("quarantine").filter(pl.col("file").str.ends_with("long_after.parquet"))
    assert late.height == LONG_AFTER and late["reason"].str.contains("its day is closed").all()
    assert soak.absent and LATER_SIGNAL in columns_of(soak.lake, "readings")
    assert plain.read("readings")[LATER_SIGNAL].drop_nulls().len() > 0
    for name in DERIVED:
        mine, undisturbed = (lake.read(name).drop("arrived_at", strict=False) for lake in (soak.lake, plain))
        assert_frame_equal(mine, undisturbed)
    assert check(soak.settings, soak.lake).is_empty()

    # The last night's Monday: everything had arrived by then in both lakes.
    week = START + timedelta(weeks=WEEKS)
    lists = [
        jobs.make_list(*fleet, week, tmp_path / "lists" / str(number)).outputs
        for number, fleet in enumerate(((soak.settings, soak.lake), (settings, plain)))
    ]
    assert lists[0].counts["judged"] > 0
    if WEEKS == SHORT:
        assert lists[0].counts["listed"] > 0 and lists[0].counts["held"] > 0
    for name in ("list.csv", "scores.csv"):
        mine, undisturbed = (made_list.paths[name].read_bytes() for made_list in lists)
        assert mine == undisturbed, name

    # Each trouble did come.
    assert min(post.done[what] for what in TROUBLED) > 0
    killed, full = ("killed merging", "killed deriving", "torn", "killed thinning"), ("full at ingest", "full at derive")
    assert all(soak.seen[what] for what in ("stopped", "refused", *killed, *full)), soak.seen
    assert "swapped in" in soak.judged_by
