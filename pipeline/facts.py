"""Facts as data for the judging: indicators, trouble codes, the order of blame and costs, read and checked."""

from __future__ import annotations

import tomllib
from pathlib import Path

import polars as pl

from models.blame import Hold, read_table
from models.money import Costs, KindCosts
from pipeline.errors import ConfigError
from pipeline.settings import Settings

_INDICATORS = {
    "indicator": pl.String,
    "component": pl.String,
    "kind": pl.String,
    "mode": pl.String,
    "quantity": pl.String,
    "unit": pl.String,
    "worse": pl.String,
    "healthy": pl.Float64,
    "limit": pl.Float64,
    "release": pl.Float64,
    "least_samples": pl.Int64,
    "slowest_s": pl.Float64,
    "compare": pl.String,
    "use": pl.String,
    "source": pl.String,
}
_ALLOWED = {
    "component": ("upstream", "downstream", "catalyst", "bank", "unit", "any"),
    "kind": ("narrowband", "wide_range", "any"),
    "worse": ("up", "down", "out"),
    "compare": ("absolute", "both", "own_past"),
    "use": ("judge", "context"),
}
_CODES = {column: pl.String for column in ("code", "component", "role", "title", "source")}


def read_indicators(settings: Settings) -> pl.DataFrame:
    """The indicators: one row each, checked.

    Raises:
        ConfigError: a column is missing, a word is not allowed, a judged indicator has no limit, or one stands twice.
    """
    path = settings.config_file("indicators.csv")
    frame = _read_csv(path, _INDICATORS)
    problems = [
        f"{column} of {row['indicator']!r} must be one of {', '.join(words)}, not {row[column]!r}"
        for column, words in _ALLOWED.items()
        for row in frame.filter(~pl.col(column).is_in(words)).iter_rows(named=True)
    ]
    judged = frame.filter(pl.col("use") == "judge")
    unlimited = judged.filter(
        pl.col("limit").is_null() | (pl.col("healthy").is_null() & (pl.col("compare") != "own_past"))
    )
    problems += [f"{name!r} is judged but has no healthy value or limit" for name in unlimited["indicator"]]
    problems += [f"{name!r} stands twice" for name in frame.filter(pl.col("indicator").is_duplicated())["indicator"]]
    problems += [f"{name!r} has no source" for name in frame.filter(pl.col("source").is_null())["indicator"]]
    if problems:
        raise ConfigError(f"{path}: " + "; ".join(problems))
    return frame


def read_codes(settings: Settings) -> pl.DataFrame:
    """Trouble codes: code, component, role, title, source."""
    return _read_csv(settings.config_file("codes.csv"), _CODES)


def read_blame(settings: Settings) -> tuple[dict[str, dict], list[Hold]]:
    """The order of blame: facts and holds."""
    path = settings.config_file("blame.toml")
    try:
        return read_table(_read_toml(path))
    except ValueError as error:
        raise ConfigError(f"{path}: {error}") from error


def read_costs(settings: Settings) -> Costs:
    """Costs in the fleet's currency.

    Raises:
        ConfigError: an entry is missing, unknown or impossible.
    """
    path = settings.config_file("costs.toml")
    body = _read_toml(path)
    try:
        kinds = {kind: KindCosts(**body.pop(kind)) for kind in ("upstream", "downstream", "catalyst")}
        return Costs(**kinds, **body)
    except (KeyError, TypeError, ValueError) as error:
        raise ConfigError(f"{path}: {error}") from error


def _read_csv(path: Path, schema: dict[str, pl.DataType]) -> pl.DataFrame:
    try:
        frame = pl.read_csv(path, schema_overrides=schema)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise ConfigError(f"{path}: {str(error).splitlines()[0]}") from error
    if list(frame.columns) != list(schema):
        raise ConfigError(f"{path}: the columns must be {', '.join(schema)}; found {', '.join(frame.columns)}")
    return frame


def _read_toml(path: Path) -> dict:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ConfigError(f"{path}: {error}") from error
