"""A disk that is full or read-only: a clear error, nothing half-done, and with space the run ends as if undisturbed."""

from __future__ import annotations

from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from pipeline.lake import Lake
from tests.faults.commands import check_told, codes, command, completed, mounted, needs_mount, settings_file, shell
from tests.faults.lakes import contents, write

# From no room for the first note to room for most of the lake (kB); whether a run ended in an error is told by its code.
SIZES_KB = (4, 32, 80, 160, 260)


def exports(folder: Path) -> Path:
    """Two deliveries: readings of many days, which take room, and the small tables."""
    for number in range(2):
        rows = [
            f"V{n % 9},2026-01-{1 + n % 27:02}T08:{n % 60:02}:{n % 59:02}Z,{700 + n * 7919 % 900},{number}\n"
            for n in range(9000)
        ]
        write(folder / f"readings_{number}.csv", "unit_id,ts,rpm,coolant_degc\n" + "".join(rows))
    write(folder / "codes.csv", "unit_id,ts,code,state\nV1,2026-01-05T08:00:00Z,P0420,pending\n")
    write(folder / "register.csv", "unit_id,engine_family,fuel\nV1,T12,petrol\nV2,T12,diesel\n")
    return folder


@needs_mount
@pytest.mark.parametrize("begun", [False, True])
def test_full_disk_then_space(tmp_path: Path, begun: bool) -> None:
    folder = exports(tmp_path / "in")
    plain = Lake(str(tmp_path / "plain" / "lake"))
    assert completed(settings_file(tmp_path, plain.root), "ingest", str(folder)).returncode == 0
    wanted = contents(plain)
    failed = 0
    for size in SIZES_KB:
        disk = tmp_path / f"disk_{size}"
        disk.mkdir()
        config = settings_file(tmp_path, disk / "lake")
        room = f"mount -t tmpfs -o size={size + (150 if begun else 0)}k none {disk}"
        first = [shell(command(config, "ingest", str(folder / "readings_0.csv")))] if begun else []
        kept = tmp_path / f"kept_{size}"
        told = mounted(
            room,
            *first,
            shell(command(config, "ingest", str(folder))),
            f"mount -o remount,size=64m {disk}",
            shell(command(config, "ingest", str(folder))),
            f"cp -r {disk}/lake {kept}",
        )
        ended = codes(told)
        assert ended[-1] == 0, told.stderr
        assert set(ended) <= {0, 1}
        for code, said in zip(ended, told.stderr.split("ended\n"), strict=False):
            if code:
                failed += 1
                check_told(said)
                assert "No space left" in said
        lake = Lake(str(kept))
        for name, frame in contents(lake).items():
            assert_frame_equal(frame, wanted[name])
        ledger = lake.read("exports")
        assert (ledger["rows_in"] == ledger["kept"] + ledger["quarantined"] + ledger["duplicates"]).all()
        assert sorted(path.name for path in lake.root.glob("_*")) == ["_lake.json"]
    assert failed >= 3


@needs_mount
def test_read_only_lake_is_left_as_it_is(tmp_path: Path) -> None:
    folder = exports(tmp_path / "in")
    lake = tmp_path / "lake"
    config = settings_file(tmp_path, lake)
    assert completed(config, "ingest", str(folder / "readings_0.csv")).returncode == 0

    def seen() -> list[tuple[str, int, int]]:
        files = sorted(path for path in lake.rglob("*") if path.is_file())
        return [(str(path), path.stat().st_size, path.stat().st_mtime_ns) for path in files]

    before = seen()
    told = mounted(
        f"mount --bind {lake} {lake}", f"mount -o remount,ro,bind {lake}", shell(command(config, "ingest", str(folder)))
    )
    assert codes(told) == [1]
    check_told(told.stderr)
    assert "Read-only" in told.stderr
    assert seen() == before
