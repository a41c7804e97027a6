"""Column by column checks of the small tables: what is usable, and why the rest is not."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.exports.readings import NO_UNIT, NOT_A_NUMBER, Cleaned
from pipeline.exports.rejects import FAULTS
from pipeline.exports.times import to_date, to_utc

_HEX = r"^0[xX][0-9A-Fa-f]+$"
_EMPTY = "empty; this column is needed"


class Sieve:
    """Checks of one raw frame of text; ``needed`` columns cost the row, the others only the cell.

    ``zone`` is the fleet's time zone, in which an instant is told its day.
    """

    def __init__(self, raw: pl.DataFrame, zone: str = "UTC") -> None:
        self._raw = raw
        self._zone = zone
        self._columns: dict[str, pl.Series] = {"line": raw["line"]}
        self._faults: list[tuple[bool, pl.DataFrame]] = []

    def text(self, name: str, needed: bool = False) -> pl.Series:
        """Text without blanks at its ends, null where empty."""
        texts = self._texts(name)
        if needed:
            self.fault(name, texts.is_null(), NO_UNIT if name == "unit_id" else _EMPTY, row=True)
        return self._keep(name, texts)

    def instant(self, name: str) -> pl.Series:
        """A needed instant, UTC."""
        instants, why = to_utc(self._texts(name))
        self.fault(name, why.is_not_null(), why, row=True)
        return self._keep(name, instants)

    def day(self, name: str, first: date, last: date, needed: bool = False) -> pl.Series:
        """A date from ``first`` to ``last``."""
        texts = self._texts(name)
        days, why = to_date(texts, first, last, self._zone)
        self.fault(name, why.is_not_null(), why, row=needed)
        if needed:
            self.fault(name, texts.is_null(), _EMPTY, row=True)
        return self._keep(name, days)

    def choice(
        self, name: str, allowed: tuple[str, ...], needed: bool = False, upper: bool = False, empty: str | None = None
    ) -> pl.Series:
        """One of a few words, in any case of letters; ``empty`` is the word that an empty cell stands for."""
        texts = self._texts(name).fill_null(empty) if empty else self._texts(name)
        words = texts.str.to_uppercase() if upper else texts.str.to_lowercase()
        known = words.is_in(list(allowed)).fill_null(False)
        missing = texts.is_null() & needed
        self.fault(
            name, ~known & (texts.is_not_null() | missing), f"not one of {', '.join(allowed)}", row=needed
        )
        return self._keep(name, _where(words, known))

    def whole(self, name: str, least: int, most: int, needed: bool = False, into: str = "") -> pl.Series:
        """A whole number, decimal or ``0x..``; ``into`` names the column it is kept as."""
        texts = self._texts(name)
        frame = pl.DataFrame({"text": texts}).with_columns(hexadecimal=pl.col("text").str.contains(_HEX))
        digits = pl.when("hexadecimal").then(pl.col("text").str.slice(2, 8))
        frame = frame.with_columns(
            number=pl.coalesce(
                digits.str.to_integer(base=16, strict=False).cast(pl.Float64),
                pl.when(~pl.col("hexadecimal")).then("text").cast(pl.Float64, strict=False),
            )
        )
        numbers = frame["number"]
        fits = ((numbers >= least) & (numbers <= most) & (numbers == numbers.round())).fill_null(False)
        reason = f"not a whole number from {least} to {most}, decimal or 0x.."
        self.fault(name, ~fits & (texts.is_not_null() | needed), reason, row=needed)
        return self._keep(into or name, _where(numbers, fits).cast(pl.Int32))

    def number(self, name: str, least: float, most: float, unit: str) -> pl.Series:
        """A decimal number in a range; outside it the cell is emptied."""
        texts = self._texts(name)
        numbers = texts.cast(pl.Float64, strict=False).fill_nan(None)
        given = texts.is_not_null() & ~texts.str.to_lowercase().eq("nan").fill_null(False)
        outside = ((numbers < least) | (numbers > most)).fill_null(False)
        self.fault(name, given & numbers.is_null(), NOT_A_NUMBER, row=False)
        self.fault(
            name, outside, f"outside {least:g} to {most:g} {unit}; check the unit of the column", row=False
        )
        return self._keep(name, _where(numbers, ~outside))

    def fault(self, column: str, bad: pl.Series, reason: str | pl.Series, row: bool) -> None:
        """Note cells at fault; with ``row`` they cost the whole row."""
        if not bad.any():
            return
        why = reason if isinstance(reason, pl.Series) else pl.Series([reason]).new_from_index(0, bad.len())
        faults = pl.DataFrame({"line": self._raw["line"], "value": self._raw[column], "reason": why}).filter(
            bad
        )
        self._faults.append(
            (row, faults.select("line", column=pl.lit(column), value="value", reason="reason"))
        )

    def replace(self, name: str, column: pl.Series) -> None:
        """Keep another column in place of, or beside, those checked."""
        self._columns[name] = column.alias(name)

    def cleaned(self) -> Cleaned:
        """Usable rows and the faults; a row lost is listed once, with its first fault."""
        empty = pl.DataFrame(schema=FAULTS)
        rows = pl.concat([empty, *(faults for row, faults in self._faults if row)])
        rows = rows.unique("line", keep="first", maintain_order=True).sort("line")
        cells = pl.concat([empty, *(faults for row, faults in self._faults if not row)])
        frame = pl.DataFrame(list(self._columns.values()))
        return Cleaned(
            frame.join(rows, on="line", how="anti", maintain_order="left"),
            rows,
            cells.join(rows, on="line", how="anti", maintain_order="left"),
        )

    def _texts(self, name: str) -> pl.Series:
        """Stripped text, null where empty or where the file has no such column."""
        if name not in self._raw.columns:
            return pl.Series(name, [None], dtype=pl.String).new_from_index(0, self._raw.height)
        texts = self._raw[name].cast(pl.String).str.strip_chars()
        return _where(texts, (texts.str.len_bytes() > 0).fill_null(False))

    def _keep(self, name: str, column: pl.Series) -> pl.Series:
        self._columns[name] = column.alias(name)
        return self._columns[name]


def _where(column: pl.Series, mask: pl.Series) -> pl.Series:
    """The column where the mask holds, null elsewhere."""
    return column.to_frame().select(pl.when(mask).then(pl.col(column.name))).to_series()
