"""Training on the fleet's own labels: a challenger takes over only where it is shown to be better."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import skops.io

from models.classifier import Model, chances, train
from models.store import CARD, MODEL, load, save
from pipeline import retrain
from pipeline.assess import REPLAYED
from pipeline.errors import LakeError
from pipeline.lake import Lake
from pipeline.prognosis import LIMITS_ALONE, OWN_MODEL, chosen_model, ranking, starter_model
from pipeline.retrain import ORDER_DELAY, _beside, challenge, own_card, verdict_text
from pipeline.settings import Settings
from tests.golden.sample import command, small_job
from tests.models.made_features import FIRST, made

WEEKS = 40
AT = FIRST + timedelta(weeks=WEEKS)
Examples = tuple[pl.DataFrame, pl.DataFrame, float]


def known(frame: pl.DataFrame, labelled: pl.DataFrame, at: date) -> Examples:
    """What a lake would give at ``at``: weeks before it, labels as far as orders tell of failures before it."""
    until = pl.lit(at - ORDER_DELAY)
    days = (until - pl.col("week_start")).dt.total_days()
    told = labelled.filter(pl.col("week_start") < at).with_columns(days_known=days).with_columns(
        days_to_failure=pl.when(pl.col("days_to_failure") < pl.col("days_known")).then("days_to_failure")
    ).filter(pl.col("days_known") > 0)
    told = told.with_columns(
        pl.when(days >= n).then((pl.col("days_to_failure") < n).fill_null(False)).alias(f"fails_{n}")
        for n in (14, 28, 56)
    )
    failed = told.filter(pl.col("days_to_failure").is_not_null())["unit_id"].n_unique()
    return frame.filter(pl.col("week_start") < at), told, float(failed)


@pytest.fixture
def fleet_of(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[date]]:
    """Put an invented fleet in place of the lake; returns the days at which the lake was asked what it knew."""

    def place(frame: pl.DataFrame, labelled: pl.DataFrame) -> list[date]:
        asked: list[date] = []

        def examples(settings: Settings, lake: Lake, series: str, at: date) -> Examples:
            asked.append(at)
            return known(frame, labelled, at)

        monkeypatch.setattr(retrain, "examples", examples)
        return asked

    return place


def verdict(tmp_path: Path, incumbent: Model = LIMITS_ALONE) -> retrain.Verdict:
    return challenge(Settings(), Lake(str(tmp_path)), incumbent, AT, REPLAYED)


def test_a_challenger_that_sees_more_is_promoted(tmp_path: Path, fleet_of: Callable):
    asked = fleet_of(*made(units=300, weeks=WEEKS))
    found = verdict(tmp_path)
    assert found.promoted and found.model.name == f"own model of {AT}"
    assert all(gain.low > 0 for gain in found.against.values())
    assert set(found.against) == {"incumbent", "limits"}
    text = own_card(found)
    assert f"# own model of {AT}" in text and "catalyst:" in text and "gain in average precision against limits" in text
    # The challengers of the test knew only what was known on the first Monday of the weeks they were tested on.
    assert asked[0] == AT and len(asked) == 3 and all(day <= AT - ORDER_DELAY for day in asked[1:])


def test_a_challenger_no_better_than_limits_is_not_promoted_and_says_why(tmp_path: Path, fleet_of: Callable):
    frame, labelled = made(units=300, weeks=WEEKS)
    blind = frame.with_columns(pl.col(n).shuffle(seed=1) for n in ("top.gone", "own_z.recovery_s", "rear_gone"))
    fleet_of(blind, labelled)
    found = verdict(tmp_path)
    assert not found.promoted and found.model is LIMITS_ALONE
    assert "is not above zero against" in found.why and "limits" in found.why
    assert verdict_text(found).startswith("not promoted: ")


def test_a_challenger_no_better_than_the_incumbent_is_not_promoted(tmp_path: Path, fleet_of: Callable):
    fleet_of(*made(units=300, weeks=WEEKS))
    incumbent = train(*made(units=600, weeks=WEEKS, seed=2), "well taught")
    found = verdict(tmp_path, incumbent)
    assert not found.promoted and found.model is incumbent
    assert found.against["limits"].low > 0 and not found.against["incumbent"].low > 0
    assert "against incumbent (" in found.why and "limits (" not in found.why


def test_an_incumbent_of_the_fleet_is_not_kept_for_what_it_remembers(tmp_path: Path, fleet_of: Callable):
    # It was taught when little was known; the rows of the test are given to it here as a model that overlaps them has them.
    frame, labelled = made(units=300, weeks=WEEKS)
    early = AT - timedelta(weeks=30)
    asked = fleet_of(frame, labelled)
    remembers = train(frame, labelled, f"own model of {early}")
    assert verdict(tmp_path, Model("a stranger", remembers.families)).promoted is False
    asked.clear()
    found = verdict(tmp_path, remembers)
    assert found.promoted and found.against["incumbent"].low > 0
    assert asked.count(early) == 1  # what was known when it was taught
    # One taught last Monday knew all that a challenger of the test weeks may know: nothing speaks for a change.
    kept = verdict(tmp_path, Model(f"own model of {AT - timedelta(weeks=1)}", remembers.families))
    assert not kept.promoted and (kept.against["incumbent"].low, kept.against["incumbent"].high) == (0, 0)


def test_what_a_fleet_has_from_a_stranger_stays_a_stranger_to_it(tmp_path: Path, fleet_of: Callable):
    """The fleet taught catalysts alone; upstream sensors were judged from then on by the starter's trees without limits and
    trends beside them, surer than any stranger may be, and under the name of the fleet's own model.
    """
    frame, labelled = made(units=300, weeks=WEEKS)
    fleet_of(frame, labelled)
    lent = train(*made(units=300, weeks=WEEKS, seed=2), "lent").families["catalyst"]
    stranger = Model("starter", {"upstream_narrowband": lent}, leaning=0.5)
    found = verdict(tmp_path, stranger)
    assert found.promoted and found.model.own == ("catalyst",)
    save(found.model, tmp_path / "kept", own_card(found))
    kept = load(tmp_path / "kept")
    assert kept is not None
    upstream = frame.with_columns(family=pl.lit("upstream_narrowband"))
    for model in (found.model, kept):
        assert np.allclose(chances(model, upstream).by_horizon, chances(stranger, upstream).by_horizon)
        assert [model.judge_of(name) for name in ("catalyst", "upstream_narrowband")] == [f"own model of {AT}", "starter"]
        assert chances(model, upstream).by_horizon.max() <= 0.96 < chances(model, frame).by_horizon.max()
    card = own_card(found)
    assert "- catalyst: " in card and "- upstream" not in card and "Lent by starter, of other fleets: upstream_narrowband." in card
    # The next one of the fleet keeps both what the fleet taught before and what is lent.
    assert _beside(kept, Model("own model of 2030-01-07", {"downstream": lent})).own == ("catalyst", "downstream")


def test_a_week_of_a_doubtful_life_is_counted_once(tmp_path: Path, fleet_of: Callable):
    frame, labelled = made(units=50, weeks=WEEKS)
    fleet_of(frame, pl.concat([labelled.with_columns(weight=pl.lit(0.6)), labelled.with_columns(weight=pl.lit(0.4))]))
    until = AT - ORDER_DELAY
    assert verdict(tmp_path).rows == labelled.filter(pl.col("week_start") < until).height


def test_too_few_failures_train_nothing(tmp_path: Path, fleet_of: Callable):
    fleet_of(*made(units=50, weeks=WEEKS))
    found = verdict(tmp_path)
    assert not found.promoted and "50 are needed" in found.why and found.against == {}


def test_same_seed_same_verdict(tmp_path: Path, fleet_of: Callable):
    fleet_of(*made(units=200, weeks=WEEKS))
    assert verdict(tmp_path).against == verdict(tmp_path).against


def test_the_command_says_why_nothing_was_promoted(tmp_path_factory: pytest.TempPathFactory):
    job = small_job(tmp_path_factory.getbasetemp())
    result = command(job, "train")
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "not promoted: orders and codes up to" in said and "50 are needed" in said
    assert not (job.lake.root / OWN_MODEL).exists()
    assert chosen_model(job.lake).name == starter_model().name


def test_a_promoted_model_judges_the_next_list(tmp_path: Path, fleet_of: Callable, monkeypatch: pytest.MonkeyPatch):
    from pipeline import jobs

    fleet_of(*made(units=300, weeks=WEEKS))
    lake = Lake(str(tmp_path))
    monkeypatch.setattr(jobs, "_check_data", lambda *_: None)
    monkeypatch.setattr(jobs, "first_week", lambda *_: AT)  # every past week is judged already
    found = jobs.retrain(Settings(), lake, AT)
    assert found.promoted
    assert {path.name for path in (lake.root / OWN_MODEL).iterdir()} == {MODEL, CARD}
    assert chosen_model(lake).name == found.model.name
    kept = load(lake.root / OWN_MODEL)
    assert kept is not None and kept.families.keys() == found.model.families.keys()


class Foreign:
    """A type that no model holds."""


def spoil(lake: Lake, how: str) -> None:
    """Put a model in the lake that this version does not read."""
    folder = lake.root / OWN_MODEL
    folder.mkdir(parents=True)
    bodies = {"another form": {"form": 2, "name": "x", "families": {}}, "foreign": {"form": 3, "more": Foreign()}}
    if how in bodies:
        skops.io.dump(bodies[how], folder / MODEL)
    else:
        (folder / MODEL).write_bytes(b"no model")


@pytest.mark.parametrize(("how", "said"), [("another form", "a model of form 2"), ("damaged", "cannot be read")])
@pytest.mark.parametrize("promoted", [True, False])
def test_training_anew_passes_over_a_model_that_cannot_be_read(
    tmp_path: Path, fleet_of: Callable, monkeypatch: pytest.MonkeyPatch, how: str, said: str, promoted: bool
):
    from pipeline import jobs

    fleet_of(*made(units=300 if promoted else 50, weeks=WEEKS))
    lake = Lake(str(tmp_path))
    spoil(lake, how)
    monkeypatch.setattr(jobs, "_check_data", lambda *_: None)
    monkeypatch.setattr(jobs, "first_week", lambda *_: AT)
    found = jobs.retrain(Settings(), lake, AT)
    assert found.promoted is promoted
    assert f"{lake.root}/{OWN_MODEL}/{MODEL}: " in found.why and said in found.why
    if promoted:
        assert chosen_model(lake).name == found.model.name == f"own model of {AT}"
    else:
        assert found.model.name == ranking(starter_model()).name


def test_training_does_not_pass_over_a_model_that_cannot_be_trusted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    from pipeline import jobs

    lake = Lake(str(tmp_path))
    spoil(lake, "foreign")
    monkeypatch.setattr(jobs, "_check_data", lambda *_: None)
    monkeypatch.setattr(jobs, "first_week", lambda *_: AT)
    with pytest.raises(LakeError, match="holds what a model must not hold"):
        jobs.retrain(Settings(), lake, AT)
