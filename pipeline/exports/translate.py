"""Cells of a file as its layout describes it -> canonical units, and faults in the file's own words."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.exports.layoutmodel import Meaning
from pipeline.exports.numerals import read_numbers
from pipeline.exports.readings import NO_SIGNAL, Cleaned
from pipeline.exports.rejects import no_faults
from pipeline.exports.sources import RawBatch, TextForm
from pipeline.exports.units import convert, unit_named


@dataclass(frozen=True)
class Named:
    """A canonical column: the header in the file, or the signal's name there, and what the layout says of it."""

    header: str
    meaning: Meaning

    @property
    def hint(self) -> str:
        """The unit that the layout gives the column, where it is another than the canonical one."""
        unit, target = self.meaning.source_unit, self.meaning.target
        return "" if unit == target else f"; the layout says that {self.header!r} is in {unit.name}"


@dataclass(frozen=True)
class Translated(RawBatch):
    """A batch in canonical terms.

    ``faults`` are cells that could not be translated. ``own`` has the cells of the file as text by ``line`` and
    canonical column, ``named`` where they come from. ``quiet`` rows are kept without any: they hold nothing
    that was sampled, or only signals that the layout does not name.
    """

    faults: pl.DataFrame = field(default_factory=no_faults)
    own: pl.DataFrame = field(default_factory=pl.DataFrame)
    named: dict[str, Named] = field(default_factory=dict)
    quiet: int = 0


def to_numbers(
    lines: pl.Series, cells: pl.Series, named: Named, form: TextForm
) -> tuple[pl.Series, pl.DataFrame]:
    """Numbers in the canonical unit, and the faults of cells that are none."""
    meaning = named.meaning
    read = read_numbers(cells, form, meaning.source_unit)
    values = read.values
    if meaning.source_unit is not None:
        values = convert(values, meaning.source_unit, meaning.target, meaning.given)
    if not read.unparsed.any():
        return values, no_faults()
    unit = f" in {meaning.source_unit.name}" if meaning.source_unit is not None else ""
    reason = (
        f"not a number{unit} with the decimal mark {form.decimal!r}; check the cell, or the layout: its [text], "
        "its absent words and the unit of this column"
    )
    faults = pl.DataFrame({"line": lines, "value": cells.cast(pl.String).str.strip_chars()})
    return values, fault(faults.filter(read.unparsed), named.header, pl.col("value"), reason)


def settle(batch: Translated, cleaned: Cleaned) -> Cleaned:
    """What the cleaning found, in the file's own headers and cells, and the faults of the translation."""
    rows, cells = (_own_words(batch, faults) for faults in (cleaned.rows, cleaned.cells))
    further = {
        batch.named[name].header if name in batch.named else name: count
        for name, count in cleaned.further.items()
    }
    if batch.faults.height:
        first = batch.faults.unique("line", keep="first", maintain_order=True)
        dead = first.join(
            rows.filter(pl.col("reason") == NO_SIGNAL), on="line", how="semi", maintain_order="left"
        ).with_columns(pl.col("reason") + "; no other signal sampled")
        rows = pl.concat([rows.join(dead, on="line", how="anti", maintain_order="left"), dead])
        alive = batch.faults.join(cleaned.frame, on="line", how="semi", maintain_order="left")
        cells = pl.concat([cells, alive])
    return Cleaned(cleaned.frame, rows, cells, further)


def _own_words(batch: Translated, faults: pl.DataFrame) -> pl.DataFrame:
    """Faults with the file's header and cell in place of the canonical column and the converted value."""
    parts = [faults.filter(~pl.col("column").is_in(list(batch.named)))]
    for (name,), some in faults.group_by("column", maintain_order=True):
        if name in batch.named:
            named = batch.named[name]
            own = batch.own.select("line", own=pl.col(name).cast(pl.String).str.strip_chars())
            joined = some.join(own, on="line", how="left", maintain_order="left")
            parts.append(
                joined.select(
                    "line",
                    column=pl.lit(named.header),
                    value=pl.coalesce("own", "value"),
                    reason=pl.col("reason") + named.hint,
                )
            )
    return pl.concat(parts)


def without_emptied(before: pl.DataFrame, after: pl.DataFrame, faulty: pl.Series) -> tuple[pl.DataFrame, int]:
    """Rows without those of which no cell is a sample any more, and how many those are."""
    names = before.columns[3:]
    held = before.select(pl.any_horizontal(pl.col(names).is_not_null())).to_series()
    holds = after.select(pl.any_horizontal(pl.col(names).is_not_null())).to_series()
    gone = held & ~holds & ~before["line"].is_in(faulty.implode())
    return after.filter(~gone), int(gone.sum())


def fault(frame: pl.DataFrame, column: str, value: pl.Expr, reason: str | pl.Expr) -> pl.DataFrame:
    """A fault for every row of ``frame``, which has ``line``."""
    why = pl.lit(reason) if isinstance(reason, str) else reason
    return frame.select("line", column=pl.lit(column), value=value.alias("value"), reason=why.alias("reason"))


def unit_name(text: str) -> str:
    """The name of the unit that is so spelt, or the text."""
    unit = unit_named(text)
    return text if unit is None else unit.name
