"""Cells of a text file as its form says: decimal marks, and words for what was not sampled."""

from __future__ import annotations

import polars as pl

from pipeline.exports.sources import TextForm

_COMMAS = r"^\s*(?:[+-]?\d*(?:,\d+)?(?:[eE][+-]?\d+)?)\s*$"
_DECIMAL = r"^\s*([+-]?\d*),(\d+(?:[eE][+-]?\d+)?)\s*$"
_POINT = r"^\s*[+-]?\d*\.\d+(?:[eE][+-]?\d+)?\s*$"


def absent_words(form: TextForm) -> list[str]:
    """Spellings that the parser takes for empty cells; others are emptied by :func:`as_texts`."""
    spellings = (
        spelling
        for word in form.absent
        for spelling in (word, word.lower(), word.upper(), word.capitalize())
    )
    return list(dict.fromkeys(spellings))


def as_kinds(wanted: dict[str, pl.DataType], form: TextForm) -> dict[str, pl.DataType]:
    """The types to parse: numbers in groups of thousands come as text, to be read by who knows the groups."""
    if not form.thousands:
        return wanted
    return {name: pl.String if kind.is_numeric() else kind for name, kind in wanted.items()}


def as_texts(frame: pl.DataFrame, wanted: dict[str, pl.DataType], form: TextForm) -> pl.DataFrame:
    """The frame with absent words emptied, and numbers that stayed text with a decimal point.

    Numbers with a thousands mark stay as they are. A decimal point where the form says comma is no number: the
    cell says so, for ``1.250`` may be meant as 1250.
    """
    texts = [name for name in wanted if frame[name].dtype == pl.String]
    if form.absent and texts:
        words = [word.strip().lower() for word in form.absent]
        column = pl.col(texts)
        frame = frame.with_columns(
            pl.when(~column.str.strip_chars().str.to_lowercase().is_in(words)).then(column)
        )
    numbers = [name for name in texts if wanted[name].is_numeric()]
    if form.decimal == "," and not form.thousands and numbers:
        column = pl.col(numbers)
        frame = frame.with_columns(
            pl.when(column.str.contains(_POINT))
            .then(column + " (decimal point where the file has commas)")
            .otherwise(column.str.replace(_DECIMAL, "${1}.${2}"))
        )
    return frame


def number_columns(frame: pl.DataFrame, form: TextForm) -> list[str]:
    """Columns of text in which every cell is empty or a number with, if any, a decimal comma."""
    if form.decimal != ",":
        return []
    texts = [name for name, kind in frame.schema.items() if kind == pl.String]
    return [name for name in texts if frame[name].str.contains(_COMMAS).all()]
