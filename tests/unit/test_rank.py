"""Rank: money, bays, order and what stays off the list."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.certainty import with_interval
from pipeline.facts import read_costs, read_reliability
from pipeline.lake import Lake
from pipeline.limits import read_limits
from pipeline.rank import RankSummary, rank
from pipeline.report.coming import coming
from pipeline.settings import Settings
from pipeline.tables import table

WEEK = date(2026, 4, 6)
SETTINGS = Settings(bays_per_depot=2, bays={})
PARTS = {"B1S1": "upstream", "B1S2": "downstream", "B2S2": "downstream", "CAT1": "catalyst", "": ""}


def score(
    unit: str, component: str, p28: float | None, status: str = "judged", depot: str = "North", **more: object
) -> dict:
    """One row of ``scores``; the chance within a week is half of that within four unless told otherwise."""
    words = dict.fromkeys(("mode", "why", "rule_out_first", "reason", "judged_by", "engine_family"), "")
    row = {
        "unit_id": unit,
        "component": component,
        "depot": depot,
        "part": PARTS[component],
        "kind": "narrowband",
        "status": status,
        "probability": p28,
        "probability_7d": None if p28 is None else p28 / 2,
    }
    return words | {"series": "issued", "week_start": WEEK} | row | more


def ranked(folder: Path, *scores: dict, settings: Settings = SETTINGS) -> tuple[RankSummary, pl.DataFrame]:
    lake = Lake(str(folder))
    blank = dict.fromkeys(table("scores").columns)
    lake.append("scores", pl.DataFrame([blank | row for row in scores], schema=table("scores").schema))
    return rank(settings, lake, WEEK, "issued"), lake.read("ranked")


def places(frame: pl.DataFrame) -> list[tuple[str, str]]:
    """Listed parts in the order of the list."""
    listed = frame.filter(pl.col("list_rank").is_not_null()).sort("list_rank")
    assert listed["list_rank"].to_list() == list(range(1, listed.height + 1))
    return list(listed.select("unit_id", "component").iter_rows())


def test_bays_of_a_depot_cut_its_list(tmp_path: Path) -> None:
    settings = Settings(bays_per_depot=2, bays={"South": 1, "West": 0})
    scores = [
        score(f"{depot}{n}", "B1S1", 0.9 - n / 100, depot=depot)
        for depot in ("North", "South", "West")
        for n in range(3)
    ]
    summary, frame = ranked(tmp_path, *scores, settings=settings)
    assert places(frame) == [("North0", "B1S1"), ("South0", "B1S1"), ("North1", "B1S1")]
    assert summary == RankSummary(WEEK, listed=3, vehicles=3, judged=9)


def test_the_row_says_to_inspect_what_it_points_at(tmp_path: Path) -> None:
    _, frame = ranked(
        tmp_path, score("CODE", "B1S1", 0.9, mode="weak", inspect_as="stuck"), score("NONE", "B1S1", 0.8, mode="weak"),
    )
    said = dict(frame.select("unit_id", "action").iter_rows())
    assert said["CODE"].startswith("Inspect connector and wiring of") and said["NONE"].startswith("Confirm")


def test_parts_of_one_vehicle_share_a_bay(tmp_path: Path) -> None:
    settings = Settings(bays_per_depot=1)
    summary, frame = ranked(
        tmp_path,
        score("V1", "B1S1", 0.9),
        score("V1", "CAT1", 0.9),
        score("V2", "B1S1", 0.95),
        settings=settings,
    )
    assert {unit for unit, _ in places(frame)} == {"V1"} and summary.listed == 2 and summary.vehicles == 1


def test_held_parts_have_a_place_and_never_a_line(tmp_path: Path) -> None:
    summary, frame = ranked(tmp_path, score("V1", "B1S1", 0.99, status="held"), score("V2", "B1S1", 0.8))
    assert places(frame) == [("V2", "B1S1")]
    held = frame.filter(pl.col("status") == "held").row(0, named=True)
    assert held["rank"] == 2 and held["list_rank"] is None and held["expected_saving"] > 0
    assert summary.judged == 2


def test_below_the_least_probability_nothing_is_called(tmp_path: Path) -> None:
    least = read_limits(SETTINGS)["judge"]["list_probability"].value
    _, frame = ranked(
        tmp_path,
        score("AT", "CAT1", least, probability_7d=least),
        score("BELOW", "CAT1", least - 1e-5, probability_7d=least - 1e-5),
    )
    assert places(frame) == [("AT", "CAT1")]
    below = frame.filter(pl.col("unit_id") == "BELOW").row(0, named=True)
    assert below["expected_saving"] > 0 and below["rank"] == 2


def test_a_model_that_has_not_seen_the_fleet_calls_nothing_alone(tmp_path: Path) -> None:
    # The product's first rule: a wrong part is worse than no call.
    least = read_limits(SETTINGS)["judge"]["list_probability"].value
    _, frame = ranked(
        tmp_path,
        score("BOTH", "CAT1", 0.9, second_opinion=least),
        score("MODEL", "CAT1", 0.9, second_opinion=least - 1e-5),
        score("LIMITS", "CAT1", least - 1e-5, second_opinion=0.9),
        score("OWN", "CAT1", 0.9, second_opinion=None),
    )
    assert set(places(frame)) == {("BOTH", "CAT1"), ("OWN", "CAT1")}
    waits = dict(frame.select("unit_id", "waits_for").iter_rows())
    assert waits == {"BOTH": None, "OWN": None, "MODEL": "evidence", "LIMITS": "evidence"}
    said = dict(coming(frame).select("unit_id", "waits").iter_rows())
    assert said["MODEL"].endswith("limits and trends give it 30 %, and both judges must find it likely")


def test_what_is_on_the_way_and_what_it_waits_for(tmp_path: Path) -> None:
    judge = read_limits(SETTINGS)["judge"]
    listed_from, coming_from = judge["list_probability"].value, judge["coming_probability"].value
    settings = Settings(bays_per_depot=1)
    _, frame = ranked(
        tmp_path,
        score("LISTED", "CAT1", 0.95),
        score("NO_BAY", "CAT1", 0.9),
        score("NO_GAIN", "B1S2", listed_from, probability_7d=0.0),
        score("EARLY", "CAT1", coming_from),
        score("HEALTHY", "CAT1", coming_from - 1e-4),
        score("HELD", "CAT1", 0.9, status="held"),
        score("BLIND", "CAT1", None, status="not_judged"),
        settings=settings,
    )
    assert places(frame) == [("LISTED", "CAT1")]
    assert dict(frame.select("unit_id", "waits_for").iter_rows()) == {
        "LISTED": None, "NO_BAY": "bay", "NO_GAIN": "saving", "EARLY": "evidence", "HEALTHY": None, "HELD": None, "BLIND": None,
    }


def test_what_always_stood_where_it_stands_is_not_on_the_way(tmp_path: Path) -> None:
    coming_from = read_limits(SETTINGS)["judge"]["coming_probability"].value
    _, frame = ranked(
        tmp_path,
        score("MOVED", "CAT1", coming_from, unmoved=False),
        score("STANDS", "CAT1", coming_from, unmoved=True),
        score("NO_PAST", "CAT1", coming_from, unmoved=None),
        score("BAD", "CAT1", 0.95, unmoved=True),  # bad is bad, however long it has been so
    )
    assert places(frame) == [("BAD", "CAT1")]
    waits = dict(frame.select("unit_id", "waits_for").iter_rows())
    assert waits == {"MOVED": "evidence", "STANDS": None, "NO_PAST": "evidence", "BAD": None}


def test_what_is_bad_enough_for_the_list_never_drops_out_of_sight(tmp_path: Path) -> None:
    # Whether it moved is asked only of what is too unlikely yet; a bad part that lacks a bay is first in line for one.
    _, frame = ranked(
        tmp_path, score("LISTED", "CAT1", 0.96, unmoved=True), score("NO_BAY", "CAT1", 0.95, unmoved=True),
        score("NO_GAIN", "B1S2", 0.7, probability_7d=0.0, unmoved=True), settings=Settings(bays_per_depot=1),
    )
    assert dict(frame.select("unit_id", "waits_for").iter_rows()) == {"LISTED": None, "NO_BAY": "bay", "NO_GAIN": "saving"}
    assert coming(frame).filter(pl.col("unit_id") == "NO_BAY")["meanwhile"].item().endswith("first in line for a bay")


def test_those_that_lack_a_bay_stand_in_line_by_depot_and_money(tmp_path: Path) -> None:
    """All of them were told to be first in line; a sensor saves less than a catalyst of the same chance."""
    _, frame = ranked(
        tmp_path,
        *(score(f"{depot}{n}", "CAT1", chance, depot=depot) for depot in ("N", "S") for n, chance in enumerate((0.95, 0.9, 0.7))),
        score("N3", "B1S2", 0.9, depot="N"), score("EARLY", "CAT1", 0.1, depot="N"),
        # Two sensors of one vehicle: 0.415 * 175 - 0.17 * 70 = 61 each, together more than 0.35 * 350 - 0.3 * 70 = 102 of S2.
        score("S3", "B1S2", 0.83, depot="S"), score("S3", "B2S2", 0.83, depot="S"),
        settings=Settings(bays_per_depot=1),
    )
    line = {row["unit_id"]: row["meanwhile"].partition("; ")[2] for row in coming(frame).iter_rows(named=True)}
    first, second, third = ("first in line for a bay", *(f"No. {n} in line for a bay of its depot" for n in (2, 3)))
    assert line == {"N1": first, "N2": second, "N3": third, "S1": first, "S3": second, "S2": third, "EARLY": ""}


@pytest.mark.parametrize(("bays", "listed"), [(2, 3), (1, 1)])
def test_parts_that_pay_together_lack_a_bay_and_no_saving(tmp_path: Path, bays: int, listed: int) -> None:
    """Two sensors of one vehicle: 0.22 * 0.5 * 350 - 0.6 * (45 + 25) = -3.5 alone, 21.5 where the visit is paid, 18 together."""
    pair = [score("V2", part, 0.4, probability_7d=0.22) for part in ("B1S2", "B2S2")]
    settings = Settings(bays_per_depot=bays)
    _, frame = ranked(tmp_path, score("V1", "CAT1", 0.9), *pair, score("V3", "B1S2", 0.4, probability_7d=0.22), settings=settings)
    assert len(places(frame)) == listed
    waits = {row["unit_id"]: row["waits_for"] for row in frame.iter_rows(named=True)}
    assert waits == {"V1": None, "V2": None if bays == 2 else "bay", "V3": "saving"}


def test_a_model_on_trial_says_what_is_on_the_way_and_moves_no_list(tmp_path: Path) -> None:
    judge = read_limits(SETTINGS)["judge"]
    coming_from, listed_from = judge["coming_probability"].value, judge["list_probability"].value
    limits = {"judged_by": "limits and trends"}
    scores = [
        score("EARLY", "CAT1", coming_from / 2, **limits),
        score("QUIET", "CAT1", coming_from, **limits),
        score("SURE", "CAT1", 0.9, **limits),
        score("NO_GAIN", "B1S2", listed_from, probability_7d=0.0, **limits),
        score("HELD", "CAT1", 0.01, status="held", **limits),
        score("OWN", "CAT1", coming_from / 2, judged_by="starter"),
        score("HALF", "CAT1", (coming_from + listed_from) / 2, **limits),
        score("ALONE", "CAT1", coming_from, **limits),
    ]
    by_model = {"EARLY": 0.99, "QUIET": coming_from - 1e-4, "SURE": 0.0, "NO_GAIN": 0.0, "HELD": 0.99, "OWN": coming_from / 2, "HALF": 0.01}
    lake = Lake(str(tmp_path))
    lake.append("chances", pl.DataFrame([
        {"series": "issued", "week_start": WEEK, "unit_id": unit, "component": "B1S2" if unit == "NO_GAIN" else "CAT1",
         "judged_by": "starter", "moved_by": "", "probability_7d": 0.0, "probability_14d": 0.0, "probability": chance,
         "probability_56d": 1.0}
        for unit, chance in by_model.items()
    ], schema=table("chances").schema))
    _, frame = ranked(tmp_path, *scores)
    assert places(frame) == [("SURE", "CAT1")]  # by limits, whatever the model says
    waits = {unit: (waits, said) for unit, waits, said in frame.select("unit_id", "waits_for", "trial_probability").iter_rows()}
    assert waits == {
        "EARLY": ("evidence", 0.99), "QUIET": (None, coming_from - 1e-4), "SURE": (None, 0.0), "NO_GAIN": ("saving", 0.0),
        "HELD": (None, 0.99), "OWN": (None, None),  # a model that judges is on no trial
        "HALF": ("evidence", 0.01),  # what limits put half-way to the list stays in sight
        "ALONE": ("evidence", None),
    }
    said = dict(coming(frame).select("unit_id", "waits").iter_rows())
    assert said["EARLY"].startswith("limits and trends give it 4 %, too unlikely yet to open the vehicle for it; the chance is")
    assert said["ALONE"] == "too unlikely yet to open the vehicle for it"
    shown = coming(frame).select("unit_id", "probability", "judged_by")
    assert shown.rows() == [
        ("NO_GAIN", listed_from, "limits and trends"), ("EARLY", 0.99, "a model on trial"), ("ALONE", coming_from, "limits and trends"),
        ("HALF", 0.01, "a model on trial"),
    ]


def test_the_saving_stands_within_its_interval_and_a_second_job_pays_no_bay(tmp_path: Path) -> None:
    _, frame = ranked(tmp_path, score("V1", "B1S1", 0.9), score("V1", "CAT1", 0.9), settings=Settings(bays_per_depot=1))
    costs, sure = read_costs(SETTINGS), read_reliability(SETTINGS)
    for row in frame.iter_rows(named=True):
        assert row["saving_low"] <= row["expected_saving"] <= row["saving_high"]
        chance = with_interval(pl.DataFrame({"p28": [0.9], "p7": [0.45]}), sure).row(0, named=True)
        rides = costs.bay_cost if row["list_rank"] == 2 else 0.0
        visit = costs.inspection + costs.bay_cost
        for end in ("low", "high"):
            # Written out anew: damage within the week that is spared, less visits to sound parts.
            by_hand = chance[f"p7_{end}"] * costs.damage(row["part"]) - (1 - chance[f"p28_{end}"]) * visit + rides
            assert row[f"saving_{end}"] == pytest.approx(by_hand, abs=0.006)


def test_what_does_not_pay_is_not_called(tmp_path: Path) -> None:
    """Sure to go within four weeks, not within one: the next list is soon enough."""
    _, frame = ranked(tmp_path, score("V1", "B1S1", 0.8, probability_7d=0.0))
    assert places(frame) == []
    assert frame["expected_saving"][0] < 0


def test_money_columns_are_those_of_the_derivation(tmp_path: Path) -> None:
    """wait = p28 P + p7 D, act = p28 P + (1 - p28) F, saving = p7 D - (1 - p28) F; see ``models/money.py``."""
    _, frame = ranked(tmp_path, score("V1", "B1S2", 0.8, probability_7d=0.5))
    costs = read_costs(SETTINGS)
    part = costs.downstream
    planned = part.part + part.labour_h * costs.labour_rate_per_h + costs.bay_cost
    week = costs.breakdown_probability_per_week * part.breakdown + part.extra_fuel_per_week
    damage, free = week, costs.inspection + costs.bay_cost
    row = frame.row(0, named=True)
    assert row["wait_cost"] == pytest.approx(0.8 * planned + 0.5 * damage, abs=0.005)
    assert row["act_cost"] == pytest.approx(0.8 * planned + 0.2 * free, abs=0.005)
    assert row["expected_saving"] == pytest.approx(0.5 * damage - 0.2 * free, abs=0.005)
    assert row["expected_saving"] == pytest.approx(row["wait_cost"] - row["act_cost"], abs=0.011)


def test_every_judged_part_has_its_place_and_others_none(tmp_path: Path) -> None:
    summary, frame = ranked(
        tmp_path,
        *(score(f"V{n}", "B1S1", n / 10) for n in range(10)),
        score("H", "CAT1", 0.7, status="held"),
        score("N", "B1S2", None, status="not_judged", reason="too few readings"),
        score("D", "", None, status="out_of_scope", reason="diesel"),
    )
    placed = frame.filter(pl.col("rank").is_not_null())
    assert sorted(placed["rank"]) == list(range(1, 12)) and summary.judged == 11
    rest = frame.filter(pl.col("rank").is_null())
    assert sorted(rest["unit_id"]) == ["D", "N"]
    assert rest.select("wait_cost", "act_cost", "expected_saving", "list_rank").null_count().row(0) == (
        2,
        2,
        2,
        2,
    )
    assert rest["action"].to_list() == ["", ""] and "" not in placed["action"].to_list()


def test_order_below_the_line_goes_on_by_saving(tmp_path: Path) -> None:
    _, frame = ranked(tmp_path, *(score(f"V{n}", "B1S1", n / 100) for n in (3, 1, 4, 2)))
    assert frame.sort("rank")["unit_id"].to_list() == ["V4", "V3", "V2", "V1"]


def test_ties_go_by_unit_and_component(tmp_path: Path) -> None:
    settings = Settings(bays_per_depot=9)
    _, frame = ranked(tmp_path, *(score(unit, "B1S1", 0.9) for unit in ("V3", "V1", "V2")), settings=settings)
    assert places(frame) == [("V1", "B1S1"), ("V2", "B1S1"), ("V3", "B1S1")]


def test_noise_in_the_last_digits_does_not_reorder(tmp_path: Path) -> None:
    scores = [score("V1", "B1S1", 0.9), score("V2", "B1S1", 0.9 + 1e-12)]
    assert places(ranked(tmp_path, *scores)[1]) == [("V1", "B1S1"), ("V2", "B1S1")]


def test_order_of_the_scores_plays_no_part(tmp_path: Path) -> None:
    scores = [
        score(f"V{n % 7}", component, 0.5 + (n * 37 % 50) / 100)
        for n, component in enumerate(["B1S1", "B1S2", "CAT1"] * 7)
    ]
    once = ranked(tmp_path / "a", *scores)
    turned = ranked(tmp_path / "b", *scores[::-1])
    mixed = ranked(tmp_path / "c", *scores[1::2], *scores[::2])
    assert once[0] == turned[0] == mixed[0] and once[0].listed > 0
    assert_frame_equal(once[1], turned[1])
    assert_frame_equal(once[1], mixed[1])


def test_nothing_judged_is_an_empty_list(tmp_path: Path) -> None:
    summary, frame = ranked(
        tmp_path, score("V1", "B1S1", None, status="not_judged", reason="too few readings")
    )
    assert summary == RankSummary(WEEK, listed=0, vehicles=0, judged=0)
    assert frame.height == 1 and frame["rank"].null_count() == 1


def test_depot_that_nobody_named_has_bays(tmp_path: Path) -> None:
    _, frame = ranked(tmp_path, score("V1", "B1S1", 0.9, depot=""), settings=Settings(bays_per_depot=1))
    assert places(frame) == [("V1", "B1S1")]


def test_ranking_again_replaces_only_its_own_list(tmp_path: Path) -> None:
    summary, frame = ranked(tmp_path, score("V1", "B1S1", 0.9), score("V1", "B1S1", 0.9, series="replayed"))
    lake = Lake(str(tmp_path))
    assert rank(SETTINGS, lake, WEEK, "replayed") == summary
    assert rank(SETTINGS, lake, WEEK, "issued") == summary
    both = lake.read("ranked")
    assert sorted(both["series"]) == ["issued", "replayed"]
    assert_frame_equal(both.filter(pl.col("series") == "issued"), frame)
