"""What could not be used of one export: every row, and every cell up to a bound."""

from __future__ import annotations

import polars as pl

from pipeline.exports.vins import masked_texts
from pipeline.tables import table

MOST_CELLS = (
    1_000  # detailed cells a file and column; the rest is one summary row, so a garbage file stays small
)
MOST_CHARS = 200

FAULTS = {"line": pl.Int64, "column": pl.String, "value": pl.String, "reason": pl.String}


def no_faults() -> pl.DataFrame:
    """An empty frame of faults: line, column, value, reason."""
    return pl.DataFrame(schema=FAULTS)


class Rejects:
    """Quarantine of one export."""

    def __init__(self, export_id: str, file: str) -> None:
        self._export_id, self._file = export_id, file
        self._parts: list[pl.DataFrame] = []
        self._cells: dict[str, int] = {}
        self.rows = 0

    def add_rows(self, faults: pl.DataFrame) -> None:
        """Rows that are not in the lake; one fault a line."""
        if faults.height:
            self.rows += faults.height
            self._parts.append(self._part(faults, "row"))

    def add_cells(self, faults: pl.DataFrame, further: dict[str, int] | None = None) -> None:
        """Cells that are not in the lake while their row is.

        Args:
            further: column -> number of like cells that ``faults`` does not list.
        """
        for (column,), cells in faults.group_by("column", maintain_order=True):
            room = max(MOST_CELLS - self._cells.get(column, 0), 0)
            self._parts.append(self._part(cells.head(room), "cell"))
            self._cells[column] = self._cells.get(column, 0) + cells.height
        for column, count in (further or {}).items():
            self._cells[column] = self._cells.get(column, 0) + count

    def settle(self, lines: pl.Series, stays: pl.DataFrame, keep_cells: bool) -> None:
        """Keep of the rows only those of ``lines``; of the other lines, cells if ``keep_cells``, and ``stays``."""
        inside = pl.col("line").is_in(lines.implode())
        cells = pl.col("scope") == "cell"
        self._parts = [part.filter(inside | (cells & keep_cells)) for part in self._parts]
        self.rows = sum(part.filter(~cells).height for part in self._parts)
        if not keep_cells:
            self._cells = {}
        self._parts.append(self._part(stays, "cell"))

    def frame(self) -> pl.DataFrame:
        """Rows of table ``quarantine``; a column with too many cells ends in a summary on line 0."""
        summaries = [
            {
                "line": 0,
                "column": column,
                "value": str(count - MOST_CELLS),
                "reason": f"so many more cells could not be used; the first {MOST_CELLS} are listed",
            }
            for column, count in self._cells.items()
            if count > MOST_CELLS
        ]
        if not self._parts and not summaries:
            return table("quarantine").empty()
        parts = [*self._parts, self._part(pl.DataFrame(summaries, schema=FAULTS), "cell")]
        frame = pl.concat(parts).select(list(table("quarantine").columns))
        if frame.select("line", "column").is_duplicated().any():
            # One cell may be at fault twice: two sensors of one answer of which neither can be placed.
            both = pl.col("reason").unique(maintain_order=True).str.join("; ")
            by = frame.group_by("line", "column", maintain_order=True)
            frame = by.agg(both, pl.all().exclude("reason").first()).select(frame.columns)
        return frame.with_columns(
            masked_texts(frame[name], answers=name == "value") for name in ("column", "value", "reason")
        )

    def _part(self, faults: pl.DataFrame, scope: str) -> pl.DataFrame:
        return faults.select(
            pl.col("line").cast(pl.Int64),
            pl.col("column"),
            pl.col("value").fill_null("").str.slice(0, MOST_CHARS),
            pl.col("reason"),
            export_id=pl.lit(self._export_id),
            file=pl.lit(self._file),
            scope=pl.lit(scope),
        )
