"""Indicators of shape and of sensor pairs against slow plain loops, on drives with gaps."""

from __future__ import annotations

from itertools import pairwise
from statistics import median

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.sql.given import banks, run, values

SWITCH_V, JUMP_V, FAST_S, PAIR_S = 0.45, 0.3, 0.2, 12.0
few = settings(max_examples=40, deadline=None, derandomize=True)
volts = st.one_of(st.none(), st.integers(0, 255).map(lambda raw: float(np.float32(raw * 0.005))))
drives = st.lists(
    st.tuples(st.sampled_from([0.1, 0.1, 0.1, 0.15, 0.3, 0.5, 20.0]), volts, volts, st.booleans()),
    min_size=1,
    max_size=60,
)


def clock(drive: list[tuple]) -> list[float]:
    return np.cumsum([step for step, *_ in drive]).round(6).tolist()


@few
@given(drive=drives)
def test_the_shape_of_the_upstream_signal(drive):
    timed = zip(clock(drive), drive, strict=True)
    seen = [(second, v, idle) for second, (_, v, _, idle) in timed if v is not None]
    frame = banks(clock(drive), front_v=[v for _, v, _, _ in drive], idle=[idle for *_, idle in drive])
    limits = {"switch_v": SWITCH_V, "jump_v": JUMP_V, "fast_step_s": FAST_S}
    limits |= {"mid_low_v": 0.3, "mid_high_v": 0.6}
    found = values(run("38_upstream_shape", params=limits, banks=frame))
    if not seen:
        assert found == {}
        return
    assert found["up_rich_share"] == pytest.approx(np.mean([v > SWITCH_V for _, v, _ in seen]))
    steps = [round(later[0] - earlier[0], 6) for earlier, later in pairwise(seen)]
    if not steps or median(steps) > FAST_S:
        assert set(found) == {"up_rich_share", "up_rich_share_se"}
        return
    near = [(a, b) for (a, b), step in zip(pairwise(seen), steps, strict=True) if step <= 2 * FAST_S]
    crossings = sum((a[1] > SWITCH_V) != (b[1] > SWITCH_V) for a, b in near)
    assert found["up_switch_hz"] == pytest.approx(crossings / 2 / sum(b[0] - a[0] for a, b in near), rel=1e-6)
    jumps = [abs(np.float32(b[1]) - np.float32(a[1])) > JUMP_V for a, b in near if b[2]]
    assert found.get("up_jump_share") == (pytest.approx(np.mean(jumps)) if jumps else None)
    signs = [
        np.sign(c[1] - a[1])
        for (a, b), (_, c) in pairwise(pairwise(seen))
        if 0.3 <= b[1] <= 0.6 and a[1] != c[1] and (a, b) in near and (b, c) in near
    ]
    assert found.get("up_edge_asymmetry") == (pytest.approx(np.mean(signs)) if signs else None)


@few
@given(drive=drives)
def test_the_paths_of_a_pair(drive):
    both = [(t, f, r) for t, (_, f, r, _) in zip(clock(drive), drive, strict=True) if None not in (f, r)]
    frame = banks(clock(drive), front_v=[f for _, f, _, _ in drive], rear_v=[r for _, _, r, _ in drive])
    limits = {"front_least_spread_v": 0.1, "pair_step_s": PAIR_S, "mirror_readings": 1e6}
    found = values(run("37_sensor_pairs", params=limits, banks=frame)).get("rear_front_path")
    near = [(a, b) for a, b in pairwise(both) if round(b[0] - a[0], 6) <= PAIR_S]
    ahead, behind = (sum(abs(b[place] - a[place]) for a, b in near) for place in (1, 2))
    moves = len(both) > 1 and np.std([f for _, f, _ in both], ddof=1) >= 0.1
    if not moves or not near or ahead == 0:
        assert found is None
    else:
        assert found == pytest.approx(behind / ahead, rel=1e-5, abs=1e-6)
