"""From a row of the list back to lines of the export files."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from rich.cells import cell_len

from pipeline.errors import LightoffError
from pipeline.lake import Lake
from pipeline.report.why import explain
from pipeline.settings import Settings
from tests.browser.report_lake import ARRIVED, ESCAPES, SCRIPT, UNREGISTERED, WEEK, fill, rows_of


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Lake:
    return fill(tmp_path_factory.mktemp("why") / "lake")


def test_every_step_back_to_the_export_is_shown_in_order(lake: Lake) -> None:
    text = explain(lake, Settings(), "V-0042", None)
    steps = [
        "Vehicle V-0042: North, F2",
        "List of the week from 2026-03-02 (issued)",
        "judged; number 1 on the list, 1 in order of saving",
        "73 % within 28 days, 37 % within 7; by limits and trends",
        "Findings",
        "slow response      0.90     1.20  up_mid_share",
        "Trends",
        "0.38      0.14  0.16 of 11   0.45  +0.025 (+0.02 to +0.03)     10",
        "share of closed-loop readings between 0.30 and 0.60 V",
        "Indicators by day",
        "2026-02-27  B1S1  up_mid_share",
        "Trips, UTC",
        "2026-02-27 07:15  08:05",
        "Lines of the export files",
        "week_09.csv  12 to 51         40  aa11",
        "Trouble codes",
        "P0133  pending  2026-02-27  2026-02-28      2",
        "Work orders",
        "no fault found",
        "connector \\x1b[2Jcleaned",
    ]
    places = [
        text.find(step, 0 if place == 0 else text.find(steps[place - 1])) for place, step in enumerate(steps)
    ]
    assert -1 not in places, steps[places.index(-1)]
    assert places == sorted(places)
    assert max(cell_len(line) for line in text.splitlines()) <= 110


def test_days_after_the_list_are_not_its_evidence(lake: Lake) -> None:
    text = explain(lake, Settings(), "V-0042", None)
    assert "2026-03-02  B1S1" not in text


def test_one_component_only(lake: Lake) -> None:
    text = explain(lake, Settings(), "V-0042", "CAT1")
    assert "catalyst, bank 1 (CAT1)" in text
    assert "held back; not on the list, 8 in order of saving" in text
    assert "upstream oxygen sensor" not in text
    assert "no finding" in text


def test_a_sound_part_is_not_told_what_a_bad_one_would_be(tmp_path: Path) -> None:
    """Every judged part has the words of a call; of one at 1 % without evidence they are not so, and of one that is held
    back "have the part ready" is the opposite of what the hold says."""
    own = Lake(str(tmp_path / "lake"))
    words = {"action": "Inspect it; have the part ready", "points_at": "codes speak against it", "rule_out_first": "wiring",
             "confirm_by": "forced rich", "series": "issued", "week_start": WEEK, "part": "upstream", "kind": "narrowband",
             "depot": "North", "engine_family": "F2", "mode": "", "reason": "", "judged_by": "limits and trends", "why": ""}
    rows = [
        words | {"unit_id": "V1", "component": "B1S1", "status": "judged", "probability": 0.01},
        words
        | {"unit_id": "V1", "component": "B2S1", "status": "judged", "probability": 0.9, "list_rank": 1, "why": "slow"},
        words | {"unit_id": "V1", "component": "CAT1", "status": "held", "reason": "held back: misfire codes are set"},
    ]
    own.append("ranked", rows_of("ranked", rows))
    sound, called, held = (explain(own, Settings(), "V1", part) for part in ("B1S1", "B2S1", "CAT1"))
    for unsaid in ("have the part ready", "codes speak against it", "rule out first", "confirm by"):
        assert unsaid not in sound and unsaid in called, unsaid
    assert "nothing that is judged of it speaks against it" in sound and "nothing that is judged" not in called + held
    assert "have the part ready" not in held and "codes speak against it" in held and "misfire codes are set" in held


@pytest.mark.parametrize("unit", [SCRIPT, "=1+1", "-x", UNREGISTERED, ESCAPES, "[bold]+1[/bold]", "L" * 300])
def test_hostile_names_are_explained_and_cannot_steer_a_terminal(lake: Lake, unit: str) -> None:
    text = explain(lake, Settings(), unit, None)
    assert not [c for c in text if (ord(c) < 32 and c != "\n") or c == "\u202e"]
    assert max(cell_len(line) for line in text.splitlines()) <= 110
    assert ("unknown to the register" in text) == (unit == UNREGISTERED)


def test_an_unknown_vehicle_names_close_ones(lake: Lake) -> None:
    with pytest.raises(LightoffError, match=r"'v-0042' is not in .*; close to it: 'V-0042'"):
        explain(lake, Settings(), "v-0042", None)
    with pytest.raises(LightoffError, match="none of the 13 vehicles known has a name close to it"):
        explain(lake, Settings(), "zzzzzzzz", None)


def test_an_unknown_component_names_those_there_are(lake: Lake) -> None:
    with pytest.raises(LightoffError, match="has no component 'B2S1'; it has B1S1, B1S2, CAT1"):
        explain(lake, Settings(), "V-0042", "B2S1")


def test_a_week_without_a_list_names_those_there_are(lake: Lake) -> None:
    with pytest.raises(LightoffError, match="no issued list of the week of 2026-01-05; there is 2026-03-02"):
        explain(lake, Settings(), "V-0042", None, week_start=date(2026, 1, 5))


def test_a_vehicle_on_no_list_yet_shows_what_the_lake_holds(tmp_path: Path) -> None:
    made = Lake(str(tmp_path))
    row = {"unit_id": "N-1", "depot": "South", "export_id": "aa11", "line": 2, "arrived_at": ARRIVED}
    made.append("register", rows_of("register", [row]))
    text = explain(made, Settings(), "N-1", None)
    assert "Vehicle N-1: South, no engine family given" in text
    assert "On no list yet." in text
    assert "no trip" in text
