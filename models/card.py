"""The model card: on what a model was trained, how good it was on what it had not seen, and where it must not be used."""

from __future__ import annotations

import numpy as np
import polars as pl

from models.classifier import EDGES, LEAST_FAILURES, Model
from models.evaluate import average_precision, brier, expected_calibration_error

_LEAST_HITS = 10  # a slice with fewer failing rows gets no figure


def card(model: Model, data: str, tested: pl.DataFrame, splits: str, notes: list[str]) -> str:
    """A card in Markdown.

    Args:
        data: what was trained on, in a sentence. splits: how the tested rows were kept apart.
        tested: rows the model had not seen: week_start, family, depot, sampling, limits, probability (28 d), hit (bool)
            and other columns of scores to compare, named ``by_...``.
        notes: further sentences.
    """
    families = [
        f"| {name} | {part.failures} | {part.rows} | {len(part.features)} |"
        for name, part in sorted(model.families.items())
    ]
    rivals = sorted(name for name in tested.columns if name.startswith("by_"))
    head = ["slice", "rows", "failing", "average precision", "limits alone",
            *(name.removeprefix("by_").replace("_", " ") for name in rivals), "Brier", "calibration error"]
    lines = [_row("all", tested, rivals)]
    for column in ("family", "sampling", "depot"):
        for name, rows in sorted(tested.group_by(column), key=lambda item: str(item[0][0])):
            lines.append(_row(f"{column} {name[0]}", rows, rivals))
    return "\n".join([
        f"# {model.name}", "",
        f"Data: {data}",
        f"Span of the tested lists: {tested['week_start'].min()} to {tested['week_start'].max()}.",
        f"Labels: failed or fails within {', '.join(str(day) for day in EDGES[1:])} days; weeks within 28 days after a "
        "part was fitted have none.",
        "Features: distances from own past, peers and limit, drift, slopes, codes, on-board tests and neighbours "
        "(`models/features.py`); no absolute voltages or times.",
        f"Splits: {splits}", "",
        "| family | failures | component-weeks | features |", "|---|---|---|---|", *families, "",
        "| " + " | ".join(head) + " |", "|" + "---|" * len(head), *lines, "",
        *notes,
        f"Limits of use: a family with fewer than {LEAST_FAILURES} failures has no trees and is judged by limits and "
        "trends. A part that breaks from one day to the next cannot be foreseen. Where the inputs of a week lie far from "
        "those of training, the table `input_shift` says so and probabilities deserve less trust. Data alone never "
        "justify a new part.", "",
    ])


def _row(name: str, rows: pl.DataFrame, rivals: list[str]) -> str:
    hit = rows["hit"].to_numpy()
    cells = [name, str(rows.height), str(int(hit.sum()))]
    if hit.sum() < _LEAST_HITS:
        return "| " + " | ".join(cells + ["too few"] + [""] * (3 + len(rivals))) + " |"
    p = rows["probability"].to_numpy()
    orders = [p, rows["limits"].cast(pl.Float64).fill_null(-7.0).to_numpy(), *(rows[r].to_numpy() for r in rivals)]
    cells += [f"{average_precision(np.asarray(order, dtype=float), hit):.3f}" for order in orders]
    cells += [f"{brier(p, hit):.4f}", f"{expected_calibration_error(p, hit):.4f}"]
    return "| " + " | ".join(cells) + " |"
