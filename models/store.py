"""Models on disk: read without running what the file holds, and a card that says what a model is good for."""

from __future__ import annotations

import zlib
from pathlib import Path
from zipfile import ZIP_DEFLATED, BadZipFile

import numpy as np
import skops.io
from skops.io.exceptions import UntrustedTypesFoundException

from models.classifier import INTERVALS, FamilyModel, Model

# What a model of this project is made of beyond the types that are safe by themselves. Fixed here: trusting whatever a
# file asks for would be no protection.
TRUSTED = ("sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",)
_FORM = 3
MODEL, CARD = "model.skops", "card.md"
_ANEW = "restore it, or train anew; while it is away, the starter judges"


class StoreError(ValueError):
    """A model file that cannot be trusted, or cannot be used."""


class UnreadError(StoreError):
    """A model file that is damaged or none of this project; nothing speaks against making another in its place."""


class FormError(UnreadError):
    """A model that another version of this project wrote."""


def save(model: Model, folder: Path, card: str) -> None:
    """Write ``model.skops`` and ``card.md`` into ``folder``, each replaced whole."""
    folder.mkdir(parents=True, exist_ok=True)
    body = {
        "form": _FORM,
        "name": model.name,
        "families": {
            name: {
                "features": list(part.features), "trees": part.trees, "joining": part.joining,
                "failures": part.failures, "rows": part.rows,
            }
            for name, part in model.families.items()
        },
        "inputs": dict(model.inputs),
        "ranks": model.ranks,
        "leaning": model.leaning,
        "own": list(model.own),
        "lender": model.lender,
    }
    temporary = folder / f".{MODEL}.new"
    try:
        skops.io.dump(body, temporary, compression=ZIP_DEFLATED, compresslevel=9)
        temporary.replace(folder / MODEL)
    finally:
        temporary.unlink(missing_ok=True)
    (folder / CARD).write_text(card, encoding="utf-8")


def load(folder: Path) -> Model | None:
    """The model of ``folder``, or None where there is none.

    Raises:
        UnreadError: the file is damaged or is no model.
        FormError: it is a model of another form.
        StoreError: it holds types that are not on the fixed list.
    """
    path = folder / MODEL
    if not path.is_file():
        return None
    try:
        body = skops.io.load(path, trusted=list(TRUSTED))
    except UntrustedTypesFoundException as error:
        raise StoreError(
            f"{path}: holds what a model must not hold: {error}; restore it, or take it away and train anew"
        ) from error
    except (BadZipFile, zlib.error, OSError, ValueError, KeyError, TypeError) as error:
        raise UnreadError(f"{path}: cannot be read: {error}; {_ANEW}") from error
    form = body.get("form") if isinstance(body, dict) else None
    if not isinstance(form, int):
        raise UnreadError(f"{path}: not a model of form {_FORM}; {_ANEW}")
    if form != _FORM:
        raise FormError(f"{path}: a model of form {form}, and this version reads form {_FORM}; train anew")
    families = {name: FamilyModel(**part) for name, part in body["families"].items()}
    for name, part in families.items():
        if np.shape(part.joining) != (INTERVALS, 3) or part.trees.n_features_in_ != len(part.features) + 1:
            raise UnreadError(f"{path}: the model of {name} does not fit its own features; {_ANEW}")
    # A model written before families were lent names none of its own and no lender.
    own, lender = tuple(body.get("own", ())), body.get("lender", "")
    return Model(body["name"], families, body["inputs"], body["ranks"], body["leaning"], own, lender)
