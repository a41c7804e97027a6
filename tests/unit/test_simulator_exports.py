"""A small simulated fleet end to end: files, names, reproducibility, and physics visible in the exports."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest

from sample_lake.gateway import COLUMNS
from sample_lake.physics import Physics
from sample_lake.simulate import simulate


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("fleet")
    simulate(out, units=14, weeks=6, seed=3, sampling=1.0)
    return out


def _digest(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _readings(folder: Path) -> pl.DataFrame:
    return pl.concat(
        [pl.read_parquet(path) for path in sorted((folder / "exports/readings").glob("*.parquet"))],
        how="diagonal",
    )


def test_the_same_arguments_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        simulate(tmp_path / name, units=6, weeks=2, seed=5, log_minutes_per_week=10)
    assert _digest(tmp_path / "a") == _digest(tmp_path / "b")


def test_another_seed_gives_another_fleet(tmp_path: Path) -> None:
    for seed in (5, 6):
        simulate(tmp_path / str(seed), units=4, weeks=1, seed=seed, log_minutes_per_week=10)
    assert _digest(tmp_path / "5") != _digest(tmp_path / "6")


def test_names_and_types_are_canonical(small: Path) -> None:
    for path in (small / "exports/readings").glob("*.parquet"):
        schema = pl.read_parquet_schema(path)
        assert list(schema)[:2] == ["unit_id", "ts"]
        assert schema["ts"] == pl.Datetime("us", "UTC")
        assert set(list(schema)[2:]) <= set(COLUMNS)
        assert all(dtype == pl.Float32 for name, dtype in schema.items() if name in COLUMNS)
    headers = {path.name: path.read_text().splitlines()[0] for path in (small / "exports").glob("*.csv")}
    assert headers == {
        "codes.csv": "unit_id,ts,code,state",
        "onboard_tests.csv": "unit_id,ts,obdmid,tid,uasid,value,min,max",
        "register.csv": "unit_id,engine_family,model_year,fuel,banks,upstream_sensor,displacement_l,depot,"
        "in_service_on",
        "work_orders.csv": "order_id,unit_id,closed_on,odometer_km,component,action,finding,cause,"
        "parts_cost,labour_h",
    }


def test_truth_stays_outside_the_exports(small: Path) -> None:
    assert {path.name for path in (small / "truth").iterdir()} == {"components.csv", "confounders.csv"}
    assert not [
        path
        for path in (small / "exports").rglob("*")
        if "truth" in path.name or path.name == "components.csv"
    ]


def test_all_three_forms_occur(tmp_path: Path) -> None:
    simulate(tmp_path, units=24, weeks=4, seed=1, log_minutes_per_week=7)
    assert {path.name.split(".", 1)[1] for path in (tmp_path / "exports/readings").iterdir()} == {
        "parquet",
        "csv",
        "csv.gz",
    }


def test_no_instant_twice_and_odometers_never_turn_back(small: Path) -> None:
    readings = _readings(small).sort("unit_id", "ts")
    assert readings.select("unit_id", "ts").is_duplicated().sum() == 0
    steps = (
        readings.drop_nulls("odometer_km").select(pl.col("odometer_km").diff().over("unit_id")).drop_nulls()
    )
    # float32 carries a six-digit odometer to 0.03 km.
    assert steps["odometer_km"].min() > -0.05


def test_the_lamp_follows_confirmed_codes(small: Path) -> None:
    codes = pl.read_csv(small / "exports/codes.csv", try_parse_dates=True)
    lit = _readings(small).filter(pl.col("mil_on") == 1).group_by("unit_id").agg(pl.col("ts").min())
    confirmed = (
        codes.filter(pl.col("state") == "confirmed")
        .group_by("unit_id")
        .agg(pl.col("ts").min().alias("since"))
    )
    joined = lit.join(confirmed, on="unit_id", how="left")
    assert len(joined) > 0
    assert joined.filter(pl.col("since").is_null() | (pl.col("ts") < pl.col("since"))).is_empty()


def _healthy(small: Path) -> pl.DataFrame:
    sick = set(pl.read_csv(small / "truth/components.csv")["unit_id"]) | set(
        pl.read_csv(small / "truth/confounders.csv")["unit_id"]
    )
    return _readings(small).filter(~pl.col("unit_id").is_in(list(sick)))


def test_healthy_switching_sensors_swing_and_rear_sensors_rest(small: Path) -> None:
    # Common practice: rich 0.8 to 0.9 V, lean 0.05 to 0.15 V upstream; 0.6 to 0.8 V downstream at even load.
    warm = _healthy(small).filter((pl.col("fuel_status_b1") == 2) & (pl.col("rpm") > 1200))
    front = warm["o2_b1s1_v"].drop_nulls()
    assert 0.05 < front.quantile(0.05) < 0.16
    assert 0.80 < front.quantile(0.95) < 0.92
    assert 0.60 < warm["o2_b1s2_v"].median() < 0.80


def test_lambda_is_at_its_ceiling_in_fuel_cut(small: Path) -> None:
    # SAE J1979: lambda above 1 is lean; a cut pins it at 65535 / 32768.
    cut = _healthy(small).filter(
        (pl.col("fuel_status_b1") == 4) & (pl.col("throttle_pct") < 13) & (pl.col("load_pct") < 28)
    )
    assert cut["lambda_b1s1"].drop_nulls().quantile(0.8) == pytest.approx(1.99997, abs=1e-3)


def test_a_fleet_without_faults_has_neither_truth_nor_lamps(tmp_path: Path) -> None:
    calm = replace(Physics(), failures_per_unit_week=0.0, ageing_share=0.0, confounder_share=0.0)
    summary = simulate(tmp_path, units=4, weeks=1, seed=2, physics=calm, log_minutes_per_week=10)
    assert summary["faults"] == summary["confounders"] == summary["codes"] == 0
    assert (tmp_path / "exports/codes.csv").read_text() == "unit_id,ts,code,state\n"


@pytest.mark.parametrize(
    "bad", [{"units": 0}, {"weeks": 0}, {"sampling": 0.0}, {"log_minutes_per_week": 0.0}]
)
def test_senseless_arguments_are_refused(tmp_path: Path, bad: dict) -> None:
    with pytest.raises(ValueError):
        simulate(tmp_path, **bad)
