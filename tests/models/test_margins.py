"""On-board tests on their way to the limit: hand-worked series, what must not count, and how often sound ones alarm."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import theilslopes

from models.margins import margin_paths, margin_words

MONDAY = date(2026, 6, 1)
NO_FITS = pl.DataFrame(schema={"unit_id": pl.String, "component": pl.String, "fitted_on": pl.Date})
FAMILIES = pl.DataFrame({"unit_id": [f"V{k:02}" for k in range(40)], "engine_family": ["T12"] * 40})


def results(
    margins, unit: str = "V00", obdmid: int = 0x01, tid: int = 0x81, step: float = 7.0, newest: int = 3, low: float = 0.0
) -> pl.DataFrame:
    """Results every ``step`` days, the last ``newest`` days before the Monday; monitor $01 is B1S1 (SAE J1979-DA)."""
    count = len(margins)
    last = datetime.combine(MONDAY - timedelta(days=newest), datetime.min.time(), UTC)
    return pl.DataFrame({
        "unit_id": [unit] * count, "obdmid": [obdmid] * count, "tid": [tid] * count,
        "ts": [last - timedelta(days=step * (count - 1 - k)) for k in range(count)],
        "min": [low] * count, "max": [1.0] * count, "margin": [float(v) for v in margins],
    })


def paths(*frames: pl.DataFrame, fits: pl.DataFrame = NO_FITS) -> pl.DataFrame:
    return margin_paths(pl.concat(frames), fits, FAMILIES, MONDAY, "UTC")


FALLING = [0.60 - 0.005 * 7 * k for k in range(12)]


def test_a_steady_fall_by_hand():
    """0.005 a day over 77 days from 0.60: own past is the median of days 0 to 35, 0.5125; newest three 0.25. Gone 0.2625 of
    0.5125, in 28 days 0.4025; the 0.215 of the newest result last 43 days."""
    row = paths(results(FALLING)).row(0, named=True)
    assert (row["unit_id"], row["component"], row["margin_test"]) == ("V00", "B1S1", "$01 test $81")
    assert (row["margin_before"], row["margin_now"]) == pytest.approx((0.5125, 0.215))
    assert row["margin_gone"] == pytest.approx(0.2625 / 0.5125)
    assert row["margin_gone_28d"] == pytest.approx(0.4025 / 0.5125)
    assert row["margin_out_days"] == pytest.approx(43.0)
    assert row["margin_before_on"] == MONDAY - timedelta(days=3 + 42)


def test_beyond_the_limit_is_no_more_than_beyond_it():
    row = paths(results([0.6] * 6 + [0.4, 0.0, -0.4, -0.8, -1.2])).row(0, named=True)
    assert (row["margin_gone"], row["margin_gone_28d"], row["margin_out_days"]) == (1.3, 1.3, None)


@pytest.mark.parametrize(
    ("case", "frame"),
    [
        ("too few results", results(FALLING[-5:])),
        ("all within a fortnight", results(FALLING, step=1.0)),
        ("the monitor has not run for five weeks", results(FALLING, newest=35)),
        ("never passed by more than a twentieth", results([0.04] * 6 + [0.0] * 6)),
        ("no more than single results scatter", results([0.6, 0.4, 0.62, 0.38, 0.6, 0.42, 0.4, 0.58, 0.41, 0.45, 0.5, 0.4])),
        ("it gains margin", results(FALLING[::-1])),
        ("no sensor and no catalyst: monitor $3D, purge", results(FALLING, obdmid=0x3D)),
    ],
)
def test_what_is_no_path_to_the_limit(case: str, frame: pl.DataFrame):
    assert paths(frame).height == 0, case


def test_one_bad_result_is_no_path():
    assert paths(results([0.6] * 11 + [-0.3])).height == 0


def test_a_new_part_has_its_own_past():
    fitted = pl.DataFrame({"unit_id": ["V00"], "component": ["B1S1"], "fitted_on": [MONDAY - timedelta(days=30)]})
    assert paths(results(FALLING), fits=fitted).height == 0
    assert paths(results(FALLING), fits=fitted.with_columns(component=pl.lit("B1S2"))).height == 1


def test_results_against_other_limits_are_of_another_test():
    """Software was renewed: the margin is smaller because the limit is another, and stands still since."""
    assert paths(results([0.6] * 8, newest=45), results([0.2] * 6, low=0.5, newest=3)).height == 0


def test_what_the_family_loses_alike_is_no_wear():
    """Nine vehicles lose 0.2625, as weather may have it; a tenth loses 0.35 more, and that alone counts."""
    alike = [results(FALLING, unit=f"V{k:02}") for k in range(1, 10)]
    faster = [0.60 - 0.005 * 7 * k - (0.35 if k >= 8 else 0.0) for k in range(12)]
    found = paths(*alike, results(faster, unit="V00"))
    assert found["unit_id"].to_list() == ["V00"]
    assert found["margin_gone"].item() == pytest.approx(0.35 / 0.5125)
    # Of fewer than nine vehicles nobody knows what is usual.
    assert paths(*alike[:7], results(faster, unit="V00")).height == 8


def test_the_worst_test_speaks_for_the_part_and_several_of_a_day_are_one():
    often = pl.concat([results(FALLING).with_columns(pl.col("ts") + timedelta(hours=h)) for h in range(5)])
    slower = results([0.6 - 0.01 * k for k in range(12)], tid=0x82)
    assert paths(often, slower).to_dicts() == paths(results(FALLING)).to_dicts()


def test_the_pace_is_the_median_slope_of_eight_weeks():
    """Against scipy: P. K. Sen's slope of the newest 56 days."""
    rng = np.random.default_rng(1)
    values = np.concatenate([np.full(12, 0.8), 0.8 - 0.05 * np.arange(1, 9)]) + rng.normal(0, 0.01, 20)
    row = paths(results(values)).row(0, named=True)
    inside = 8  # 3, 10, ... 52 days before the Monday
    slope = theilslopes(values[-inside:], np.arange(inside) * 7.0).slope
    assert row["margin_gone_28d"] - row["margin_gone"] == pytest.approx(-28 * slope / row["margin_before"])


def test_sound_tests_seldom_alarm_and_worn_ones_do():
    """2,000 tests that only scatter, weekly and daily: fewer than 2 % speak of half their margin; of 500 that lose three
    quarters of theirs, with the same scatter, more than 80 % do."""
    rng = np.random.default_rng(2)
    for count, step in ((12, 7.0), (84, 1.0)):
        drawn = rng.normal(0.6, 0.1, (2_000, count))
        sound = pl.concat([results(row, unit=f"S{k}", step=step) for k, row in enumerate(drawn)])
        worn = pl.concat([
            results(row - 0.45 * np.linspace(0, 1, count) ** 2, unit=f"W{k}", step=step) for k, row in enumerate(drawn[:500])
        ])
        alarms = margin_paths(sound, NO_FITS, FAMILIES, MONDAY, "UTC").filter(pl.col("margin_gone_28d") > 0.5).height / 2_000
        found = margin_paths(worn, NO_FITS, FAMILIES, MONDAY, "UTC").filter(pl.col("margin_gone_28d") > 0.5).height / 500
        assert alarms < 0.02
        assert found > 0.8


@pytest.mark.parametrize(
    ("now", "days", "words"),
    [  # monitor and test ids in hexadecimal, as SAE J1979-DA has them
        (0.25, 50.0, "25 % from its limit (51 % until 2026-04-17), which it reaches in about 50 days at that pace"),
        (0.03, 1.2, "3 % from its limit (51 % until 2026-04-17), which it reaches within days"),
        (0.25, None, "25 % from its limit (51 % until 2026-04-17)"),
        (0.25, 400.0, "25 % from its limit (51 % until 2026-04-17)"),
        (-0.1, None, "at its limit (51 % until 2026-04-17)"),
    ],
)
def test_words(now: float, days: float | None, words: str):
    row = pl.DataFrame({"margin_test": ["$01 test $81"], "margin_before": [0.5125], "margin_now": [now],
                        "margin_before_on": [date(2026, 4, 17)], "margin_out_days": pl.Series([days], dtype=pl.Float64)})
    assert row.select(margin_words()).item() == f"on-board monitor $01 test $81 {words}"
