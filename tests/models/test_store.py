"""Models on disk: the same chances after reading, and nothing read that a model must not hold."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import skops.io
from sklearn.linear_model import LogisticRegression

from models.classifier import Model, chances, train
from models.store import CARD, MODEL, TRUSTED, FormError, StoreError, UnreadError, load, save
from tests.models.made_features import made


@pytest.fixture(scope="module")
def model() -> Model:
    return train(*made(units=80), "kept")


def test_what_is_read_judges_as_what_was_written(model: Model, tmp_path: Path):
    save(model, tmp_path, "# card\n")
    again = load(tmp_path)
    assert again is not None and again.name == "kept"
    test, _ = made(units=30, seed=2)
    assert np.array_equal(chances(again, test).by_horizon, chances(model, test).by_horizon)
    assert again.families["catalyst"].features == model.families["catalyst"].features
    assert {k: v.tolist() for k, v in again.inputs.items()} == {k: v.tolist() for k, v in model.inputs.items()}
    assert (tmp_path / CARD).read_text(encoding="utf-8") == "# card\n"
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([CARD, MODEL])


@pytest.mark.parametrize("ranks", [True, False])
def test_whether_it_ranks_is_kept(model: Model, tmp_path: Path, ranks: bool):
    save(replace(model, ranks=ranks), tmp_path, "")
    again = load(tmp_path)
    assert again is not None and again.ranks is ranks


def test_no_file_is_no_model(tmp_path: Path):
    assert load(tmp_path) is None


def test_the_trusted_list_is_fixed_and_short(model: Model, tmp_path: Path):
    save(model, tmp_path, "")
    assert skops.io.get_untrusted_types(file=tmp_path / MODEL) == list(TRUSTED)
    assert TRUSTED == ("sklearn.ensemble._hist_gradient_boosting.predictor.TreePredictor",)


class Foreign:
    """A type that no model holds."""


def test_a_file_with_a_foreign_type_is_refused(tmp_path: Path):
    skops.io.dump({"form": 2, "name": "x", "families": {}, "inputs": {}, "more": Foreign()}, tmp_path / MODEL)
    with pytest.raises(StoreError, match="holds what a model must not hold.*Foreign"):
        load(tmp_path)


@pytest.mark.parametrize("form", [2, 4])
def test_a_model_of_another_form_is_told_from_what_is_damaged_or_foreign(model: Model, tmp_path: Path, form: int):
    """An upgrade must not stop the lists of a fleet; a damaged file may be restored, a foreign one must be looked at."""
    save(model, tmp_path, "")
    whole = (tmp_path / MODEL).read_bytes()
    body = skops.io.load(tmp_path / MODEL, trusted=list(TRUSTED))
    skops.io.dump(body | {"form": form}, tmp_path / MODEL)
    with pytest.raises(FormError, match=f"model.skops: a model of form {form}, and this version reads form 3; train anew"):
        load(tmp_path)
    (tmp_path / MODEL).write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UnreadError) as damaged:
        load(tmp_path)
    skops.io.dump(body | {"more": Foreign()}, tmp_path / MODEL)
    with pytest.raises(StoreError) as foreign:
        load(tmp_path)
    assert not isinstance(damaged.value, FormError) and not isinstance(foreign.value, UnreadError)
    assert "restore it, or train anew; while it is away, the starter judges" in str(damaged.value)
    assert "restore it, or take it away and train anew" in str(foreign.value)  # training does not pass over it


def test_a_pickle_that_runs_code_is_refused_unread(tmp_path: Path):
    mark = tmp_path / "ran"
    (tmp_path / MODEL).write_bytes(f"cos\nsystem\n(S'touch {mark}'\ntR.".encode())
    with pytest.raises(StoreError, match="cannot be read"):
        load(tmp_path)
    assert not mark.exists()


def test_another_estimator_is_no_model(tmp_path: Path):
    skops.io.dump(LogisticRegression(), tmp_path / MODEL)
    with pytest.raises(StoreError, match="not a model of form 3"):
        load(tmp_path)


def test_a_flipped_byte_of_the_content_is_noticed(model: Model, tmp_path: Path):
    save(model, tmp_path, "")
    body = bytearray((tmp_path / MODEL).read_bytes())
    with zipfile.ZipFile(tmp_path / MODEL) as source:
        largest = max(source.infolist(), key=lambda info: info.compress_size)
    header = 30 + len(largest.filename)  # a local header of the zip format (APPNOTE 4.3.7) without extra field
    body[largest.header_offset + header + largest.compress_size // 2] ^= 0xFF
    (tmp_path / MODEL).write_bytes(body)
    with pytest.raises(StoreError, match="cannot be read"):
        load(tmp_path)


def test_a_cut_file_is_refused(model: Model, tmp_path: Path):
    save(model, tmp_path, "")
    body = (tmp_path / MODEL).read_bytes()
    (tmp_path / MODEL).write_bytes(body[: len(body) // 2])
    with pytest.raises(StoreError, match="cannot be read"):
        load(tmp_path)


def test_a_tampered_schema_that_asks_for_other_types_is_refused(model: Model, tmp_path: Path):
    save(model, tmp_path, "")
    with zipfile.ZipFile(tmp_path / MODEL) as source:
        parts = {name: source.read(name) for name in source.namelist()}
    schema = parts["schema.json"].decode()
    assert '"TreePredictor"' in schema
    parts["schema.json"] = schema.replace('"TreePredictor"', '"system"').replace(
        "sklearn.ensemble._hist_gradient_boosting.predictor", "os"
    ).encode()
    with zipfile.ZipFile(tmp_path / MODEL, "w") as target:
        for name, body in parts.items():
            target.writestr(name, body)
    with pytest.raises(StoreError):
        load(tmp_path)


def test_a_model_that_does_not_fit_its_own_features_is_refused(model: Model, tmp_path: Path):
    part = model.families["catalyst"]
    bent = Model("bent", {"catalyst": type(part)(part.features[:-1], part.trees, part.joining, 1, 1)}, {})
    save(bent, tmp_path, "")
    with pytest.raises(StoreError, match="does not fit its own features"):
        load(tmp_path)
