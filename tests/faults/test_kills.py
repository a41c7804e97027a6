"""Runs killed at any instant: the next one ends where an undisturbed run ends, with no row lost or doubled."""

from __future__ import annotations

import random
import shutil
import statistics
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.lake import Lake
from tests.faults.lakes import content, contents, write
from tests.faults.zygote import Zygote

KILLS = 200
MOST_RUNS = 500  # runs begun to be killed; some end before their kill
AGAIN = 0.25  # share of the runs after a kill that are killed, too
IN_TRANSACTION = 0.2  # least share of the kills that must hit between the first write and the commit of a group

pytestmark = pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="counts threads in /proc")


@pytest.fixture(scope="module")
def zygote() -> Iterator[Zygote]:
    started = Zygote()
    yield started
    started.close()


def exports(folder: Path, first_day: int, seed: int) -> Path:
    """All five inputs; files of readings overlap, hold faults, and the last one holds late rows of early days."""
    chance = random.Random(seed)
    for number in range(4):
        late = 3 if number == 3 else 0
        rows = []
        for n in range(450):
            day = max(first_day + (n + number) % 4 - late, 1)
            rpm = "fast" if n % 97 == 0 else 700 + chance.randrange(900)
            coolant = number if n % 4 else ""
            rows.append(f"V{n % 7},2026-01-{day:02}T08:{n % 60:02}:{n % 45:02}Z,{rpm},{coolant}\n")
        write(folder / f"readings_{number}.csv", "unit_id,ts,rpm,coolant_degc\n" + "".join(rows))
    moment = f"2026-01-{first_day:02}T09:00:00Z"
    codes = [f"V{n},{moment},P04{20 + n},pending\n" for n in range(5)]
    write(folder / "codes.csv", "unit_id,ts,code,state\n" + "".join(codes))
    tests = [f"V{n},{moment},0x01,0x80,0x0B,{100 + n},0,900\n" for n in range(5)]
    header = "unit_id,ts,obdmid,tid,uasid,value,min,max\n"
    write(folder / "onboard_tests.csv", header + "".join(tests))
    vehicles = [f"V{n},F{seed},petrol\n" for n in range(7)]
    write(folder / "register.csv", "unit_id,engine_family,fuel\n" + "".join(vehicles))
    orders = [f"W{n + seed},V{n},2026-01-{first_day:02},B1S1,replaced,confirmed\n" for n in range(4)]
    write(folder / "work_orders.csv", "order_id,unit_id,closed_on,component,action,finding\n" + "".join(orders))
    return folder


def state(lake: Lake) -> dict[str, pl.DataFrame]:
    """Every table of the ingest stage without provenance, and what the ledger counts of each file."""
    counts = ("export_id", "kind", "rows_in", "kept", "quarantined", "duplicates")
    spans = lake.read("export_spans").select("export_id", "unit_id", "day", "rows")
    faults = lake.read("quarantine").select("export_id", "line", "scope", "column", "value")
    return contents(lake) | {
        "exports": lake.read("exports").select(counts).sort("export_id"),
        "export_spans": spans.sort("export_id", "unit_id", "day"),
        "quarantine": faults.sort(faults.columns),
    }


def check_same(lake: Lake, wanted: dict[str, pl.DataFrame]) -> None:
    """The lake is what an undisturbed run made of it, and clean."""
    found = state(lake)
    for name, frame in wanted.items():
        assert_frame_equal(found[name], frame)
    ledger = found["exports"]
    assert (ledger["rows_in"] == ledger["kept"] + ledger["quarantined"] + ledger["duplicates"]).all()
    keys = content(lake, "readings").select("unit_id", "ts")
    assert keys.n_unique() == keys.height
    assert sorted(path.name for path in lake.root.glob("_*")) == ["_lake.json"]


def hit(lake: Lake) -> str:
    """Where a kill hit, told by what the run left behind."""
    if (lake.root / "_intent.json").exists():
        return "in a transaction"
    return "between transactions" if (lake.root / "_lock.json").exists() else "outside the lock"


def test_zygote_may_fork(zygote: Zygote) -> None:
    # No pool of workers: one may hold a lock while the process is copied. The one thread that polars starts on
    # import sleeps until spilled data are to be removed.
    assert set(zygote.threads) <= {"polars-ooc-clea"}


def test_runs_killed_at_any_instant(tmp_path: Path, zygote: Zygote, capsys: pytest.CaptureFixture[str]) -> None:
    folder = exports(tmp_path / "in", first_day=2, seed=1)
    begun = Lake(str(tmp_path / "begun"))
    assert zygote.run(begun, folder)["code"] == 0
    early = state(begun)
    # The second delivery comes on top of the first, with late rows for its days.
    both = shutil.copytree(folder, tmp_path / "both")
    exports(both / "later", first_day=5, seed=2)
    plain = Lake(str(tmp_path / "plain"))
    shutil.copytree(begun.root, plain.root)
    assert zygote.run(plain, both)["code"] == 0
    late = state(plain)
    assert late["readings"].height > early["readings"].height > 0
    assert all(early[name].height for name in early)
    cases = ((None, folder, early), (begun, both, late))
    chance, hits, spent = random.Random(5), Counter(), {}
    for case, (start, given, _) in enumerate(cases):
        lake = fresh(tmp_path, start)
        spent[case] = [zygote.run(lake, given)["seconds"]]
    runs = 0
    while hits.total() < KILLS:
        case = runs % 2
        start, given, wanted = cases[case]
        lake = fresh(tmp_path, start)
        runs += 1
        assert runs <= MOST_RUNS, f"only {hits.total()} of {runs} runs could be killed"
        while True:
            # The latest times of whole runs: the machine may have become slower or faster.
            ended = zygote.run(lake, given, chance.uniform(0, statistics.median(spent[case][-5:])))
            if not ended["killed"]:
                assert ended["code"] == 0
                break
            hits[hit(lake)] += 1
            if chance.random() >= AGAIN:
                break
        if ended["killed"]:
            ended = zygote.run(lake, given)
            assert ended["code"] == 0
            spent[case].append(ended["seconds"])
        check_same(lake, wanted)
    with capsys.disabled():
        print(f"\n{hits.total()} kills in {runs} runs: {dict(hits)}")
    assert hits["in a transaction"] >= IN_TRANSACTION * KILLS
    assert hits["between transactions"]


def fresh(folder: Path, start: Lake | None) -> Lake:
    """A lake to be killed in: empty, or one that holds the first delivery."""
    root = folder / "killed"
    shutil.rmtree(root, ignore_errors=True)
    if start is not None:
        shutil.copytree(start.root, root)
    return Lake(str(root))
