"""Banks: given context and the register -> what each exhaust bank shows, closed loop and usable windows."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest

from pipeline.tables import table
from tests.sql.given import START, context, rows, run


def register(**columns: object) -> pl.DataFrame:
    return rows("units", [{"unit_id": "V1"} | columns])


def bank(number: int, frame: pl.DataFrame, units: pl.DataFrame | None = None) -> pl.DataFrame:
    """The rows of one bank, with what the day's readings and the register say of the unit."""
    as_readings = frame.select(c for c in table("readings").columns if c in frame.columns)
    days = run(
        "05_unit_days",
        readings=table("readings").conform(
            pl.concat([table("readings").empty(), as_readings], how="diagonal_relaxed").with_columns(bucket=0)
        ),
        **({} if units is None else {"units": units}),
    )
    told = ["banks", "kind", "reports_b1", "reports_b2", "reports_target"]
    known = frame.drop(told).join(days.select("unit_id", "day", *told), on=["unit_id", "day"], how="left")
    made = run("20_banks", samples=run("11_samples", context=known.select(frame.columns)))
    return made.filter(pl.col("bank") == number)


def test_no_samples_make_no_rows():
    assert run("20_banks").height == 0


def test_bank_1_takes_its_own_signals():
    frame = context(
        [0],
        fuel_status_b1=2.0,
        stft_b1_pct=1.0,
        ltft_b1_pct=2.0,
        o2_b1s1_v=0.6,
        o2_b1s2_v=0.7,
        lambda_b1s1=0.99,
        pump_b1s1_ma=-0.1,
    )
    made = bank(1, frame).row(0, named=True)
    seen = [made[name] for name in ("stft_pct", "ltft_pct", "front_v", "front_lambda", "front_ma", "rear_v")]
    assert seen == pytest.approx([1.0, 2.0, 0.6, 0.99, -0.1, 0.7])


def test_bank_2_takes_its_own_signals():
    frame = context(
        [0],
        fuel_status_b1=2.0,
        stft_b2_pct=1.0,
        ltft_b2_pct=2.0,
        o2_b2s1_v=0.6,
        o2_b2s2_v=0.7,
        lambda_b2s1=0.99,
        pump_b2s1_ma=-0.1,
    )
    made = bank(2, frame).row(0, named=True)
    seen = [made[name] for name in ("stft_pct", "ltft_pct", "front_v", "front_lambda", "front_ma", "rear_v")]
    assert seen == pytest.approx([1.0, 2.0, 0.6, 0.99, -0.1, 0.7])


@pytest.mark.parametrize("signal", ["o2_b2s1_v", "o2_b2s2_v", "lambda_b2s1", "pump_b2s1_ma", "stft_b2_pct"])
def test_any_signal_of_bank_2_shows_it(signal):
    assert bank(2, context([0, 1], **{signal: {1: 0.5}})).height == 2


def test_without_any_there_is_one_bank():
    assert bank(2, context([0, 1], o2_b1s1_v=0.5, fuel_status_b2=0.0)).height == 0


def test_the_register_decides_the_banks_before_the_readings_do():
    assert bank(2, context([0], o2_b2s1_v=0.5), register(banks=1)).height == 0
    assert bank(2, context([0], o2_b1s1_v=0.5), register(banks=2)).height == 1


def test_the_kind_of_sensor():
    def kind(units: pl.DataFrame | None = None, **columns: object) -> str:
        return bank(1, context([0, 1], **columns), units)["kind"].unique().item()

    assert kind(o2_b1s1_v=0.5) == "narrowband"
    assert kind(lambda_b1s1={1: 1.0}) == "wide_range"
    assert kind(pump_b1s1_ma={1: 0.0}) == "wide_range"
    assert kind(register(upstream_sensor="wide_range"), o2_b1s1_v=0.5) == "wide_range"


@pytest.mark.parametrize(
    ("status", "closed"), [(0, False), (1, False), (2, True), (4, False), (8, False), (16, True)]
)
def test_the_status_tells_closed_loop(status, closed):
    assert bank(1, context([0], fuel_status_b1=float(status)))["closed"].item() is closed


def test_a_status_that_is_reported_but_too_old_is_not_closed_loop():
    assert bank(1, context([0, 1], fuel_status_b1={0: 2.0}))["closed"].to_list() == [True, False]


def test_a_vehicle_without_status_is_closed_whenever_warm_and_neither_cut_nor_enriched():
    frame = context(
        [0, 1, 2, 3],
        warm=[True, False, True, True],
        cut=[False, False, True, False],
        enriched=[False, False, False, True],
    )
    assert bank(1, frame)["closed"].to_list() == [True, False, False, False]


def test_whether_status_is_reported_is_asked_day_by_day():
    first = context([0, 1])
    second = context([0, 1], start=START + timedelta(days=1), fuel_status_b1=4.0)
    both = bank(1, pl.concat([first, second]))
    assert both["closed"].to_list() == [True, True, False, False]
    assert bank(1, first).equals(both.head(2))  # the same, however many days are derived together


def test_bank_2_follows_its_own_status_where_reported_and_bank_1_elsewhere():
    own = context([0], o2_b2s1_v=0.5, fuel_status_b1=2.0, fuel_status_b2=4.0)
    assert bank(1, own)["closed"].item() is True
    assert bank(2, own)["closed"].item() is False
    absent = context([0], o2_b2s1_v=0.5, fuel_status_b1=2.0, fuel_status_b2=0.0)
    assert bank(2, absent)["closed"].item() is True


def test_windows_open_once_settled_after_a_cut():
    frame = context([0, 1, 2, 3], fuel_status_b1=2.0, since_cut_s=[None, 3.9, 4.0, 20.0])
    made = bank(1, frame)
    assert made["front_ok"].to_list() == [True, False, True, True]
    assert made["rear_ok"].to_list() == [True, False, False, True]


def test_windows_open_once_settled_after_enrichment():
    frame = context([0, 1, 2, 3], fuel_status_b1=2.0, since_enriched_s=[None, 3.9, 4.0, 20.0])
    made = bank(1, frame)
    assert made["front_ok"].to_list() == [True, False, True, True]
    assert made["rear_ok"].to_list() == [True, False, False, True]


@pytest.mark.parametrize("spoiled", [{"warm": False}, {"enriched": True}, {"fuel_status_b1": 4.0}])
def test_windows_need_a_warm_engine_in_closed_loop(spoiled):
    made = bank(1, context([0], **({"fuel_status_b1": 2.0} | spoiled)))
    assert made.select("front_ok", "rear_ok").row(0) == (False, False)


def test_without_status_closed_loop_ends_where_a_reported_commanded_lambda_is_missing():
    told = context([0, 20, 40], lambda_target={0: 1.0, 40: 1.0}, o2_b1s1_v=0.5)
    assert bank(1, told)["closed"].to_list() == [True, False, True]
    never = context([0, 20, 40], o2_b1s1_v=0.5)
    assert bank(1, never)["closed"].to_list() == [True, True, True]
    with_status = context([0, 20, 40], lambda_target={0: 1.0, 40: 1.0}, o2_b1s1_v=0.5, fuel_status_b1=2.0)
    assert bank(1, with_status)["closed"].to_list() == [True, True, True]


def test_a_reported_temperature_says_whether_the_catalyst_is_hot_and_else_the_air_does():
    frame = context(
        [0, 1, 2, 3], catalyst_b1s1_degc=[399.0, 400.0, None, None], hot=[True, False, True, False]
    )
    made = run("20_banks", params={"catalyst_active_degc": 400.0}, samples=run("11_samples", context=frame))
    assert made["hot"].to_list() == [False, True, True, False]


def test_without_status_and_commanded_lambda_high_load_may_be_enriched():
    # Full-load enrichment (common practice): a small engine at full throttle runs at lambda 0.9 for minutes.
    never = context([0, 1, 2, 3], load_pct={0: 40.0, 1: 70.0, 2: 71.0})
    assert bank(1, never)["closed"].to_list() == [True, True, False, True]
    told = context([0, 1], load_pct=100.0, lambda_target=1.0)
    assert bank(1, told)["closed"].to_list() == [True, True]
    with_status = context([0, 1], load_pct=100.0, fuel_status_b1=2.0)
    assert bank(1, with_status)["closed"].to_list() == [True, True]
