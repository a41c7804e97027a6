"""Oxygen storage against its worked integral.

Excess oxygen flow is 0.232 * m_air * (1 - 1/lambda), 0.232 being the oxygen in air by mass. Integrated,
this is the oxygen stored, negative where released. Form of Brandt, Wang and Grizzle, "Dynamic modeling of a
three-way catalyst for SI engine exhaust emission control", IEEE Trans. Control Syst. Technol. 8(5), 2000
(from memory). The figures are worked by hand from it; the fuel-cut step integrates the macro under test.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline import query
from pipeline.query import Session

INTEGRAL = """\
-- table: offenders
-- grain: one row
-- reads: flow
-- params:
-- note: grams of oxygen stored over the rows of flow

select sum(oxygen_rate_gs(air_gs, lambda_ratio) * step_s) as stored_g
from flow
"""


@pytest.fixture
def stored_g(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Grams of oxygen stored at constant air flow (g/s) and lambda for so many seconds, integrated step by
    step.
    """
    shutil.copytree(query.SQL / "lib", tmp_path / "lib")
    (tmp_path / "integral.sql").write_text(INTEGRAL, encoding="utf-8")
    monkeypatch.setattr(query, "SQL", tmp_path)

    def integrate(air_gs: float, lambda_ratio: float, seconds: float, step_s: float = 0.1) -> float:
        steps = round(seconds / step_s)
        flow = pl.DataFrame({"air_gs": [air_gs] * steps, "lambda_ratio": lambda_ratio, "step_s": step_s})
        with Session({}, threads=1) as session:
            session.attach("flow", flow)
            return session.offenders("integral")["stored_g"].item()

    yield integrate
    query.step.cache_clear()


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0])
def test_rich_running_releases_oxygen(stored_g, step_s):
    # 10 g/s at lambda 0.97 for 8 s.
    assert stored_g(10.0, 0.97, 8.0, step_s) == pytest.approx(-0.574, rel=0.005)


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0])
def test_lean_running_stores_oxygen(stored_g, step_s):
    # 20 g/s at lambda 1.03 for 3 s.
    assert stored_g(20.0, 1.03, 3.0, step_s) == pytest.approx(0.405, rel=0.005)


def test_a_fuel_cut_stores_all_the_oxygen_of_the_air(stored_g):
    # 1/lambda goes to nothing: 0.232 * 5 g/s.
    assert stored_g(5.0, 1e9, 1.0) == pytest.approx(1.160, rel=0.005)


def test_stoichiometric_running_stores_nothing(stored_g):
    assert stored_g(10.0, 1.0, 60.0) == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(("stored", "seconds"), [(0.6, 17), (0.15, 4)])
def test_purge_times_behind_the_recovery_limits(stored_g, stored, seconds):
    # 5 g/s at lambda 0.97: 0.6 g are gone in about 17 s, 0.15 g in about 4 s.
    assert -stored_g(5.0, 0.97, seconds) == pytest.approx(stored, rel=0.06)
