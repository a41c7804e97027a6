"""Fuelling and context: given samples -> trims of each bank and what is known of the vehicle that day."""

from __future__ import annotations

import polars as pl
import pytest

from tests.sql.given import banks, counts, run, samples, values

STEP = "35_fuel"


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_total_trim_is_the_sum_of_short_and_long():
    made = run(STEP, banks=banks([0, 1], stft_pct=[4.0, -2.0], ltft_pct=[3.0, 5.0]))
    assert values(made, "BANK1")["trim_pct"] == pytest.approx(5)
    # +10.15625 and +7.8125 %: 17.97 as a sum, 18.76 as a product (common practice uses both; here the sum).
    made = run(STEP, banks=banks([0, 1], stft_pct=10.15625, ltft_pct=7.8125))
    assert values(made, "BANK1")["trim_pct"] == pytest.approx(17.97, abs=0.01)


def test_a_long_trim_that_is_not_sampled_counts_nothing():
    assert values(run(STEP, banks=banks([0, 1], stft_pct=4.0)))["trim_pct"] == 4


@pytest.mark.parametrize("every", [1, 2, 10])
def test_a_long_trim_that_is_sampled_seldom_counts_whole(every):
    # +20 % learned and nothing short term are +20 %, however often the long term trim is polled (SAE J1979, PIDs 06 and 07).
    long_term = {place: 20.0 for place in range(0, 10, every)}
    made = run(STEP, banks=banks(list(range(10)), stft_pct=0.0, ltft_pct=long_term, idle=True))
    assert values(made)["trim_pct"] == values(made)["trim_idle_pct"] == pytest.approx(20)


def test_a_cell_without_its_long_trim_is_not_told():
    frame = banks([0, 1, 2, 3], stft_pct=1.0, ltft_pct={0: 8.0, 1: 8.0}, idle=[False, False, True, True])
    made = values(run(STEP, banks=frame))
    assert made["trim_pct"] == pytest.approx(9)
    assert "trim_idle_pct" not in made


def test_trims_at_idle_and_under_load():
    idle = [True, True, False, False, False]
    load = [20.0, 80.0, 80.0, 80.0, 10.0]
    made = run(
        STEP,
        params={"under_load_pct": 50.0},
        banks=banks(list(range(5)), stft_pct=[10.0, 10.0, -6.0, -6.0, 0.0], idle=idle, load_pct=load),
    )
    assert values(made)["trim_idle_pct"] == 10
    assert values(made)["trim_load_pct"] == -6
    assert (counts(made)["trim_idle_pct"], counts(made)["trim_load_pct"]) == (2, 2)


@pytest.mark.parametrize("otherwise", [{"front_ok": False}, {"stft_pct": None}])
def test_trims_that_do_not_count(otherwise):
    made = run(STEP, banks=banks([0, 1], **({"stft_pct": 3.0} | otherwise)))
    assert "trim_pct" not in values(made)


def test_banks_are_kept_apart():
    both = pl.concat([banks([0, 1], stft_pct=2.0), banks([0, 1], stft_pct=8.0, bank=2)])
    made = run(STEP, banks=both)
    assert values(made, "BANK1")["trim_pct"] == 2
    assert values(made, "BANK2")["trim_pct"] == 8


def test_the_vehicle_in_numbers():
    made = run(
        STEP,
        params={"thermostat_run_s": 600.0},
        samples=samples(
            [0, 1, 2, 3],
            run_s=[10.0, 601.0, 602.0, 603.0],
            coolant_degc=[20.0, 70.0, 88.0, 90.0],
            supply_v=14.0,
            ambient_degc=[5.0, 5.0, 6.0, 7.0],
            speed_kmh=36.0,
            odometer_km=[1000.0, 1000.0, 1001.0, None],
            mil_on=[0.0, 0.0, 1.0, 1.0],
        ),
    )
    assert values(made, "UNIT") == pytest.approx(
        {
            "warm_coolant_degc": 88,
            "supply_v": 14,
            "ambient_degc": 5.5,
            "distance_km": 3 * 0.01,
            "odometer_km": 1001,
            "mil_on": 1,
            "step_s": 1,
        }
    )


def test_warm_coolant_and_supply_count_their_own_readings():
    frame = samples(
        list(range(10)),
        run_s=[10.0] * 8 + [700.0, 701.0],
        coolant_degc=80.0,
        supply_v={0: 13.0, 5: 14.0},
        running=[True] * 9 + [False],
    )
    made = run(STEP, params={"thermostat_run_s": 600.0}, samples=frame)
    assert counts(made)["warm_coolant_degc"] == 1
    assert counts(made)["supply_v"] == 2
    assert counts(made)["step_s"] == 10


def test_supply_of_a_standing_engine_does_not_count():
    made = run(STEP, samples=samples([0, 1], supply_v=12.0, running=False))
    assert "supply_v" not in values(made)


def frozen(**columns: object) -> dict[str, float]:
    """A warm closed-loop minute with everything repeated to the last bit while the speed changes, unless
    told.
    """
    seconds = list(range(0, 60, 5))
    given = {
        "front_v": 0.31,
        "rear_v": 0.7,
        "stft_pct": 1.5,
        "speed_kmh": [40.0 + second for second in seconds],
    }
    made = run(STEP, params={"block_s": 60.0}, banks=banks(seconds, **(given | {"run_s": 1210.0} | columns)))
    return values(made)


def test_signals_that_repeat_to_the_last_bit_while_driving_are_frozen():
    assert frozen()["frozen_share"] == 1


@pytest.mark.parametrize("alive", ["front_v", "rear_v", "stft_pct"])
def test_one_signal_that_moves_is_not_frozen(alive):
    assert frozen(**{alive: [0.5 + 0.01 * (index % 2) for index in range(12)]})["frozen_share"] == 0


def test_a_gateway_that_polls_in_turns_and_holds_a_row_without_the_upstream_sensor_is_frozen():
    assert frozen(front_v=None)["frozen_share"] == 1
    assert frozen(front_v=None, rear_v=[0.5 + 0.01 * (index % 2) for index in range(12)])["frozen_share"] == 0
    # Without the trim a flat downstream sensor is how a healthy catalyst looks.
    assert "frozen_share" not in frozen(front_v=None, stft_pct=None)


def test_a_standing_vehicle_is_not_called_frozen():
    assert frozen(speed_kmh=0.0)["frozen_share"] == 0
