"""What if: other bays and other costs give another list, and nothing is stored."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import ConfigError
from pipeline.lake import Lake
from pipeline.settings import CONFIG, Settings
from pipeline.whatif import what_if_lines, with_bays
from tests.unit.test_rank import SETTINGS, WEEK, ranked, score


def lines(folder: Path, bays: list[str], costs: Path | None = None) -> list[str]:
    return list(what_if_lines(SETTINGS, Lake(str(folder)), WEEK, "issued", bays, costs))


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    ranked(tmp_path, *(score(f"V{n}", "B1S1", 0.95 - n / 100) for n in range(4)))
    return tmp_path


def test_more_bays_lengthen_the_list_and_store_nothing(lake: Path) -> None:
    before = Lake(str(lake)).version("ranked")
    head, *rows = lines(lake, ["3"])
    assert "3 rows on 3 vehicles" in head and "stands has 2 rows on 2 vehicles" in head
    assert [row.split()[1] for row in rows] == ["V0", "V1", "V2"]
    assert [("not on the list" in row) for row in rows] == [False, False, True]
    assert Lake(str(lake)).version("ranked") == before


def test_fewer_bays_name_what_falls_off(lake: Path) -> None:
    assert lines(lake, ["North=1"])[-1] == "no longer on it: V1 B1S1"


def test_other_costs_change_the_saving(lake: Path, tmp_path: Path) -> None:
    dearer = tmp_path / "costs.toml"
    dearer.write_text((CONFIG / "costs.toml").read_text().replace("breakdown = 450.0", "breakdown = 900.0"))
    usual, other = lines(lake, ["2"])[1], lines(lake, [], dearer)[1]
    # 450 more for a failure that comes within a week with half of 0.95, and to a breakdown with half of that
    assert float(other.split("saving ")[1]) - float(usual.split("saving ")[1]) == pytest.approx(450 * 0.475 * 0.5, abs=1)


def test_costs_of_an_engine_family(lake: Path, tmp_path: Path) -> None:
    own = tmp_path / "costs.toml"
    own.write_text((CONFIG / "costs.toml").read_text() + '\n[family."".upstream]\nbreakdown = 0.0\n')
    usual, other = lines(lake, ["2"])[1], lines(lake, [], own)[1]
    assert float(usual.split("saving ")[1]) - float(other.split("saving ")[1]) == pytest.approx(450 * 0.475 * 0.5, abs=1)


def test_amounts_at_other_costs_are_not_set_beside_those_of_the_list_without_a_word(lake: Path, tmp_path: Path) -> None:
    """The same two rows at doubled costs of a breakdown read as a list that saves twice as much as the one that stands."""
    dearer = tmp_path / "costs.toml"
    dearer.write_text((CONFIG / "costs.toml").read_text().replace("breakdown = 450.0", "breakdown = 900.0"))
    assert lines(lake, [], dearer)[0].endswith(", at the costs it was made with; nothing was written")
    assert "at the costs" not in lines(lake, ["2"])[0]


def test_costs_of_an_engine_family_that_is_not_there_are_said(tmp_path: Path) -> None:
    ranked(tmp_path / "lake", score("V1", "B1S1", 0.9, engine_family="T12"))
    own = tmp_path / "costs.toml"
    own.write_text((CONFIG / "costs.toml").read_text() + "\n[family.T21.upstream]\nbreakdown = 0.0\n")
    assert lines(tmp_path / "lake", [], own)[0] == (
        "the costs name T21, which is no vehicle's engine family: its amounts count for nothing; the engine families known are T12"
    )


@pytest.mark.parametrize(
    ("addition", "message"),
    [
        ("[family.T12.engine]\npart = 1.0", "family.T12.engine is not known"),
        ("[family.T12.catalyst]\nprice = 1.0", "family.T12.catalyst.price is not known"),
        ('[family.T12.catalyst]\npart = "dear"', "family.T12.catalyst.part must be a number"),
        ("[family.T12.catalyst]\npart = -1.0", "finite amount of 0 or more"),
        ("[family]\nT12 = 3", "family.T12 must hold tables"),
    ],
)
def test_wrong_costs_of_a_family_are_named(lake: Path, tmp_path: Path, addition: str, message: str) -> None:
    own = tmp_path / "costs.toml"
    own.write_text((CONFIG / "costs.toml").read_text() + "\n" + addition + "\n")
    with pytest.raises(ConfigError, match=message):
        lines(lake, [], own)


def test_bays_may_be_named_in_several_ways() -> None:
    settings = with_bays(Settings(bays_per_depot=8, bays={"West": 3}), ["2", "North = 5"])
    assert (settings.bays_per_depot, settings.bays) == (2, {"North": 5})
    with pytest.raises(ConfigError, match="DEPOT=NUMBER"):
        with_bays(Settings(), ["North=many"])


def test_a_week_that_was_not_judged_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="has not been judged yet"):
        lines(tmp_path, ["2"])


def test_bays_of_a_depot_that_is_not_there_are_refused(lake: Path) -> None:
    with pytest.raises(ConfigError, match="--bays: no vehicle has Nroth, north as its depot; the depots known are North"):
        lines(lake, ["Nroth=1", "north=1", "North=2"])


def test_bays_of_the_settings_that_count_for_nothing_are_said(lake: Path) -> None:
    settings = SETTINGS.model_copy(update={"bays": {"Nroth": 1}})
    said = list(what_if_lines(settings, Lake(str(lake)), WEEK, "issued", ["North=1"], None))
    assert said[0] == (
        "the settings name bays of Nroth, which is no vehicle's depot: they count for nothing; the depots known are North"
    )
    assert said[-1] == "no longer on it: V1 B1S1"
