"""Prognosis: the classifier's chances put beside limits and trends, with what moved them and who judged."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl

import models
from models.classifier import EDGES, PROMISED, Model, chances
from models.explain import LIMITS, movers
from models.features import features
from models.findings import words
from models.inputs import input_shift, share_shifted
from models.store import FormError, StoreError, UnreadError, load
from pipeline.errors import LakeError
from pipeline.lake import Lake

OWN_MODEL = "_models/own"  # where in the lake the fleet's own promoted model lies
LIMITS_ALONE = Model(LIMITS, {})
_NOTHING_SAID = pl.DataFrame(schema=dict.fromkeys(("unit_id", "component", "said", "quantity"), pl.String))
_NOBODY = pl.DataFrame(schema=dict.fromkeys(("unit_id", "component"), pl.String))
_TOLD_FROM = 0.1  # rows less likely than this get no words on what moved them
_PLAIN = {
    "code": "an active code names it",
    "code_confirmed": "a confirmed code names it",
    "code_age_days": "how long its code stands",
    "margin": "result of its on-board test",  # failed, close or not: the row says which
    "margin_drop": "on-board test lost margin",
    "margin_gone": "on-board test lost margin",
    "margin_gone_28d": "on-board test on its way to the limit",
    "limits": LIMITS,
    LIMITS: LIMITS,
}


@dataclass(frozen=True)
class Prognosis:
    """``chances``: unit_id, component, probability_7d, probability_14d, probability (28 d), probability_56d, judged_by,
    moved_by (words); only components that the classifier judged. ``movers``: unit_id, component, said (words of one mover),
    quantity (of an indicator), the strongest first. ``inputs``: feature, rows, shift. ``leans``: unit_id, component of the
    rows of ``chances`` whose judge has not seen this fleet.
    """

    chances: pl.DataFrame
    movers: pl.DataFrame
    inputs: pl.DataFrame
    leans: pl.DataFrame = field(default_factory=_NOBODY.clone)

    @property
    def shifted(self) -> float:
        """Share of the watched features whose distribution lies far from that of the training rows."""
        return share_shifted(self.inputs)


def ranking(model: Model) -> Model:
    """What ranks while ``model`` is chosen: itself, or limits alone while it is on trial."""
    return model if model.ranks else LIMITS_ALONE


def chosen_model(lake: Lake) -> Model:
    """The fleet's own model where one was promoted that this version reads, else the starter, else limits alone.

    Raises:
        LakeError: a model file cannot be trusted or is damaged.
    """
    return own_model(lake)[0] or starter_model()


def passed_over(lake: Lake) -> str:
    """Why the fleet's own model does not judge and who does, in words; empty where it does, or there is none.

    Raises:
        LakeError: a model file cannot be trusted or is damaged.
    """
    why = own_model(lake)[1]
    return f"{why}; until then parts are judged by {ranking(starter_model()).name}" if why else ""


def own_model(lake: Lake, let_pass: type[UnreadError] = FormError) -> tuple[Model | None, str]:
    """The fleet's own model, None where there is none; None and why, in words, where its file is let pass.

    Args:
        let_pass: which files count as none: those of another version, since an upgrade must stop no list; also damaged ones
            (``UnreadError``) where a model is trained that may take their place.

    Raises:
        LakeError: the file cannot be trusted, or is damaged and not let pass.
    """
    with lake.folder(OWN_MODEL) as folder:
        try:
            return load(folder), ""
        except StoreError as error:
            said = str(error).replace(str(folder), f"{lake.uri}/{OWN_MODEL}")
            if not isinstance(error, let_pass):
                raise LakeError(said) from error
            return None, said


def starter_model() -> Model:
    """The model that ships with the project, or limits alone where it is missing: what judges before a fleet has its
    own, and in a backtest, which must not know a model that was trained later.
    """
    folder = Path(models.__path__[0]) / "starter"
    try:
        return load(folder) or LIMITS_ALONE
    except StoreError as error:
        raise LakeError(str(error)) from error


def prognosis(
    model: Model, trends: pl.DataFrame, evidence: pl.DataFrame, indicators: pl.DataFrame
) -> Prognosis:
    """Chances of one week's components, tables as they are stored."""
    frame = features(trends, evidence, indicators)
    made = chances(model, frame).by_horizon
    judged = ~np.isnan(made[:, 0]) & (frame["status"] != "not_judged").to_numpy()
    rows, made = frame.filter(pl.Series(judged)), made[judged]
    told = rows.filter(pl.Series(made[:, 2] >= _TOLD_FROM))
    moved = [
        movers(part, told.filter(pl.col("family") == name)) for name, part in sorted(model.families.items())
        if (told["family"] == name).any()
    ]
    result = rows.select(
        "unit_id", "component",
        probability_7d=pl.Series(made[:, 0]), probability_14d=pl.Series(made[:, 1]),
        probability=pl.Series(made[:, 2]), probability_56d=pl.Series(made[:, 3]),
        judged_by=pl.col("family").map_elements(model.judge_of, return_dtype=pl.String),
    )
    said = _in_words(pl.concat(moved), trends, indicators) if moved else _NOTHING_SAID
    told_by = said.group_by("unit_id", "component").agg(moved_by=pl.col("said").str.join("; "))
    result = result.join(told_by, on=["unit_id", "component"], how="left").with_columns(pl.col("moved_by").fill_null(""))
    strange = [name for name in model.families if model.leaning_of(name) > 0]
    leans = rows.filter(pl.col("family").is_in(strange)).select("unit_id", "component")
    return Prognosis(result, said, input_shift(model, frame), leans)


def with_prognosis(scored: pl.DataFrame, made: Prognosis) -> pl.DataFrame:
    """Scores by limits with the classifier's chances in their place, where it judged; what limits say stays beside them, as
    ``second_opinion``, where the classifier has not seen the fleet.
    """
    keys = ["unit_id", "component"]
    # A value that the row has told already is not told twice.
    again = pl.format("; {}: ", "quantity")
    told = made.movers.join(scored.select(*keys, "why"), on=keys).with_columns(
        pl.when((pl.lit("; ") + pl.col("why")).str.contains(again, literal=True)).then("quantity").otherwise("said").alias("said")
    ).unique([*keys, "said"], keep="first", maintain_order=True)
    weighing = told.group_by(keys).agg(weighs=pl.col("said").str.join("; "))
    leans = made.leans.with_columns(_leans=pl.lit(True))
    joined = scored.join(made.chances, on=keys, how="left", suffix="_by_model").join(weighing, on=keys, how="left")
    joined = joined.join(leans, on=keys, how="left", maintain_order="left")
    told = pl.when(pl.col("weighs").is_not_null() & (pl.col("status") == "judged")).then(
        pl.when(pl.col("why") == "").then(pl.lit("")).otherwise(pl.lit("; ")) + pl.lit("weighs most: ") + pl.col("weighs")
    ).otherwise(pl.lit(""))
    return joined.with_columns(
        probability=pl.coalesce("probability_by_model", "probability"),
        probability_7d=pl.coalesce("probability_7d_by_model", "probability_7d"),
        judged_by=pl.coalesce("judged_by_by_model", "judged_by"),
        second_opinion=pl.when(pl.col("_leans") & pl.col("probability_by_model").is_not_null()).then("probability"),
        why=pl.col("why") + told,
    )


def with_agreed_window(scores: pl.DataFrame, week_start: date) -> pl.DataFrame:
    """Scores without a window of failure that only begins after the 28 days within which the part fails more likely than not.

    The window is the forecast of one indicator along its slope; the chance knows codes, on-board tests and all others. Where
    they contradict each other, no date is said.
    """
    late = (pl.col("probability") > 0.5) & (pl.col("window_from") > week_start + timedelta(days=EDGES[PROMISED + 1]))
    return scores.with_columns(
        pl.when(late.fill_null(False)).then(None).otherwise(name).alias(name) for name in ("window_from", "window_to")
    )


def stamp(frame: pl.DataFrame, series: str, week_start: date) -> pl.DataFrame:
    """Rows of a list with its series and week."""
    return frame.with_columns(series=pl.lit(series), week_start=pl.lit(week_start))


def _in_words(moved: pl.DataFrame, trends: pl.DataFrame, indicators: pl.DataFrame) -> pl.DataFrame:
    """The movers of each row, strongest first: value, unit, own past, peers and limit of an indicator, or what else it is."""
    spoken = trends.join(indicators.select("indicator", "quantity", "unit"), on="indicator").select(
        "unit_id", "component", "quantity", mover="indicator", said=words()
    )
    plain = pl.DataFrame({"mover": list(_PLAIN), "plain": list(_PLAIN.values())})
    return (
        moved.join(spoken, on=["unit_id", "component", "mover"], how="left")
        .join(plain, on="mover", how="left")
        .with_columns(said=pl.coalesce("said", "plain"))
        .filter(pl.col("said").is_not_null())
        .unique(["unit_id", "component", "said"], keep="first", maintain_order=True)
        .sort("unit_id", "component", "place")
        .select(_NOTHING_SAID.columns)
    )
