"""Cells of a file that a layout describes -> numbers: absent words, decimal and thousands marks, units."""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from pipeline.exports.sources import TextForm
from pipeline.exports.units import Unit

# Blanks that cannot be broken, and the two apostrophes, stand for their plain forms.
_ALIKE = {" ": " \u00a0\u202f\u2009", "\u00a0": " \u00a0\u202f\u2009", "\u202f": " \u00a0\u202f\u2009"} | {
    "'": "'’",
    "’": "'’",
}
# Signs encoded twice, and signs of one character that stand for two.
_SIGNS = {"Â°": "°", "Âµ": "µ", "Â³": "³", "º": "°", "℃": "°C", "℉": "°F", "㎞": "km", "㎪": "kPa", "μ": "µ"}


@dataclass(frozen=True)
class Numbers:
    """Numbers, null where absent or unusable, and the mask of cells that hold something else."""

    values: pl.Series
    unparsed: pl.Series


def emptied(column: pl.Series, absent: tuple[str, ...]) -> pl.Series:
    """The column without the cells that mean "not sampled"; numbers compare as numbers."""
    if not absent:
        return column
    if column.dtype == pl.String:
        words = [word.strip().lower() for word in absent]
        gone = column.str.strip_chars().str.to_lowercase().is_in(words)
    elif column.dtype.is_numeric():
        values = pl.Series(absent, dtype=pl.String).cast(pl.Float64, strict=False).drop_nulls()
        gone = column.cast(pl.Float64).is_in(values.implode())
    else:
        return column
    return column.to_frame().select(pl.when(~gone.fill_null(False)).then(pl.col(column.name))).to_series()


def read_numbers(column: pl.Series, form: TextForm, unit: Unit | None) -> Numbers:
    """Numbers of a column; a cell may end in the unit that the layout declares, and in no other."""
    if column.dtype.is_numeric() or column.dtype == pl.Boolean:
        values = column.cast(pl.Float64)
        return Numbers(values, pl.Series([False]).new_from_index(0, values.len()))
    texts = column.cast(pl.String).str.strip_chars()
    values = _plain(texts, form)
    unparsed = values.is_null() & (texts.str.len_bytes().fill_null(0) > 0)
    if unit is not None and unparsed.any():
        places = unparsed.arg_true()
        rest = (
            texts.gather(places).to_frame("text").select(pl.col("text").str.replace_many(_SIGNS)).to_series()
        )
        bare = _plain(rest.str.replace(_suffix(unit), "").str.strip_chars(), form)
        values = values.scatter(places, bare)
        unparsed = unparsed.scatter(places, bare.is_null())
    return Numbers(values, unparsed)


def _plain(texts: pl.Series, form: TextForm) -> pl.Series:
    """Numbers written with the marks of the form, null where a mark stands where it cannot."""
    text, decimal = pl.col("text"), re.escape(form.decimal)
    plain = text.str.replace("−", "-", literal=True)
    if form.thousands:
        mark = f"[{re.escape(_ALIKE.get(form.thousands, form.thousands))}]"
        grouped = plain.str.contains(rf"^[+-]?\d{{1,3}}(?:{mark}\d{{3}})+(?:{decimal}\d*)?$")
        loose = plain.str.contains(mark)
        plain = pl.when(grouped).then(plain.str.replace_all(mark, "")).when(~loose).then(plain)
    if form.decimal != ".":
        plain = pl.when(~plain.str.contains(".", literal=True)).then(
            plain.str.replace(form.decimal, ".", literal=True)
        )
    return texts.to_frame("text").select(plain.cast(pl.Float64, strict=False)).to_series()


def _suffix(unit: Unit) -> str:
    """Pattern of the unit at the end of a cell, the longest spelling first."""
    spellings = sorted((unit.name, *unit.spellings), key=len, reverse=True)
    return rf"(?:{'|'.join(re.escape(text) for text in spellings)})$"
