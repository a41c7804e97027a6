"""Air-fuel ratios under a name that says lambda: told by their range, and the file refused.

An air-fuel ratio by mass lies about 15 for petrol and 9 for ethanol at lambda 1 (Heywood, Internal Combustion
Engine Fundamentals, appendix D); lambda of exhaust gas stays below 5 but for stretches of fuel cut. So more than
half of the positive values above 5 is no lambda.
"""

from __future__ import annotations

import polars as pl

from pipeline.errors import ExportError
from pipeline.signals import signals

_HIGHEST_LAMBDA = 5.0
_FEWEST = 3  # values above; fewer are single bad cells, and are listed as such


class MixtureWatch:
    """Counts the values of every lambda of one file."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._names = [name for name, signal in signals().items() if signal.unit == "ratio"]
        self._counts = {name: [0, 0] for name in self._names}

    def see(self, raw: pl.DataFrame) -> None:
        """Count a raw batch in wide or long form."""
        for name in self._names:
            if name in raw.columns:
                self._count(name, raw[name])
        if "signal" in raw.columns and "value" in raw.columns:
            signal = raw["signal"].cast(pl.String).str.strip_chars()
            for name in self._names:
                named = (signal == name).fill_null(False)
                if named.any():
                    self._count(name, raw["value"].filter(named))

    def judge(self) -> None:
        """Refuse the file.

        Raises:
            ExportError: a lambda whose values are those of an air-fuel ratio.
        """
        for name, (positive, above) in self._counts.items():
            if above >= _FEWEST and 2 * above > positive:
                raise ExportError(
                    self._file,
                    f"{above:,} of {positive:,} positive values are above {_HIGHEST_LAMBDA:g}. Either the column "
                    "is an air-fuel ratio, which is about 14.7 where lambda is 1, or it is lambda of a mixture "
                    "that does not burn. If it is an air-fuel ratio, write a layout with the line "
                    f'"{name}" = {{ is = "{name}", unit = "afr", stoichiometric = 14.7 }} and the ratio of your '
                    "fuel; if not, leave the column out",
                    column=name,
                )

    def _count(self, name: str, column: pl.Series) -> None:
        numbers = column if column.dtype.is_numeric() else column.cast(pl.String).str.strip_chars()
        numbers = numbers.cast(pl.Float32, strict=False)
        self._counts[name][0] += int((numbers > 0).sum())
        self._counts[name][1] += int((numbers > _HIGHEST_LAMBDA).sum())
