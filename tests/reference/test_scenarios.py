"""Each fault and each other defect alone, from exports to the list: the right part or none, never a wrong one.

Pairs of a fault with a defect are counted by ``python -m tests.benchmarks.confusion``.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from sample_lake.scenarios import cases
from tests.benchmarks.confusion import confusion


@pytest.fixture(scope="module", params=[1.0, 5.0])
def found(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[float, pl.DataFrame]:
    folder: Path = tmp_path_factory.mktemp("scenarios")
    return request.param, confusion(cases(pairs=False), request.param, folder)


def test_every_fault_and_defect_is_there_to_the_end(found: tuple[float, pl.DataFrame]) -> None:
    _, frame = found
    assert frame.filter("mended").is_empty()


def test_no_other_defect_is_blamed_on_a_part(found: tuple[float, pl.DataFrame]) -> None:
    _, frame = found
    alone = frame.filter((pl.col("defect") != "") & (pl.col("mode") == ""))
    assert alone.height == 48
    assert alone.filter(pl.col("listed") != "").is_empty()


def test_no_fault_puts_another_part_on_the_list(found: tuple[float, pl.DataFrame]) -> None:
    sampling_s, frame = found
    faulty = frame.filter(pl.col("mode") != "")
    wrong = faulty.filter("wrong").select("unit_id", "component", "mode", "listed").rows()
    # At one reading in 5 s a rich bias may hold the downstream sensor so still that both are called: a known limit.
    assert len(wrong) <= (0 if sampling_s == 1.0 else 1), wrong


def test_a_wrong_air_mass_is_seen_where_manifold_pressure_is_there(found: tuple[float, pl.DataFrame]) -> None:
    _, frame = found
    for defect in ("maf_low", "maf_high"):
        alone = frame.filter((pl.col("defect") == defect) & (pl.col("mode") == ""))
        side = -1 if defect == "maf_low" else 1
        assert alone.height == 4
        # 15 % is planted; the yardstick is the vehicle itself in its first weeks.
        assert all(13 < side * off < 17 for off in alone["maf_off_pct"]), alone.select("unit_id", "maf_off_pct").rows()
    others = frame.filter(~pl.col("defect").str.starts_with("maf_"))
    assert others["maf_off_pct"].is_null().all()


def test_most_faults_that_are_fully_there_are_on_the_list(found: tuple[float, pl.DataFrame]) -> None:
    sampling_s, frame = found
    faulty = frame.filter(pl.col("mode") != "")
    assert faulty["right"].mean() >= (0.8 if sampling_s == 1.0 else 0.65)


def test_healthy_vehicles_stay_off_the_list(found: tuple[float, pl.DataFrame]) -> None:
    _, frame = found
    healthy = frame.filter((pl.col("mode") == "") & (pl.col("defect") == ""))
    assert healthy.height == 16
    assert healthy.filter(pl.col("listed") != "").is_empty()
