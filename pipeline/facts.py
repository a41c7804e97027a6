"""Facts as data for the judging: indicators, trouble codes, the order of blame and costs, read and checked."""

from __future__ import annotations

import tomllib
from dataclasses import fields
from pathlib import Path

import polars as pl

from models.blame import Hold, read_table
from models.calls import Call, read_calls
from models.certainty import COLUMNS
from models.money import KINDS, Costs, KindCosts
from pipeline.errors import ConfigError
from pipeline.settings import Settings
from pipeline.signals import signals

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
    "needs": pl.String,
    "compare": pl.String,
    "use": pl.String,
    "source": pl.String,
}
_ALLOWED = {
    "component": ("upstream", "downstream", "catalyst", "bank", "unit", "any"),
    "kind": ("narrowband", "wide_range", "any"),
    "worse": ("up", "down", "out"),
    "compare": ("absolute", "both", "own_past", "own_and_peers"),
    "use": ("judge", "context"),
}
_MAY_BE_EMPTY = ("healthy", "limit", "needs")  # of what is not judged; what is judged is asked for them below
_CODES = {column: pl.String for column in ("code", "component", "role", "title", "source")}


def read_indicators(settings: Settings) -> pl.DataFrame:
    """The indicators: one row each, checked.

    Raises:
        ConfigError: a column is missing, a cell is empty or a word not allowed, a judged indicator has no limit, or one that
            is never reached, or one stands twice.
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
        pl.col("limit").is_null() | (pl.col("healthy").is_null() & ~pl.col("compare").str.starts_with("own_"))
    )
    problems += [f"{name!r} is judged but has no healthy value or limit" for name in unlimited["indicator"]]
    twice = frame.filter(pl.col("indicator").is_duplicated())["indicator"].unique().sort()
    problems += [f"{name!r} stands twice" for name in twice]
    problems += [f"{name!r} has a limit equal to its healthy value" for name in
                 judged.filter(pl.col("limit") == pl.col("healthy"))["indicator"]]
    # A finding is entered at a strength of 1 and left below its release.
    unreleased = judged.filter(pl.col("release") >= 1)
    problems += [f"release of {name!r} must lie below 1" for name in unreleased["indicator"]]
    problems += [f"{name!r} is judged but names no signal it needs" for name in
                 judged.filter(pl.col("needs").is_null())["indicator"]]
    problems += [
        f"{row['indicator']!r} needs {signal!r}, which is no signal"
        for row in frame.filter(pl.col("needs").is_not_null()).iter_rows(named=True)
        for bank in ("1", "2")
        for signal in row["needs"].replace("{b}", bank).replace("|", " ").split()
        if signal not in signals()
    ]
    problems += [
        f"{name!r} has no {column}"
        for column in _INDICATORS if column not in _MAY_BE_EMPTY
        for name in frame.filter(pl.col(column).is_null())["indicator"]
    ]
    # What lies on the good side of healthy is never reached, and nothing else would tell of it.
    own = pl.col("compare").str.starts_with("own_")
    reach = (pl.col("limit") - pl.col("healthy")) * pl.when(pl.col("worse") == "down").then(-1.0).otherwise(1.0)
    problems += [f"limit of {name!r} lies on the good side of its healthy value" for name in
                 frame.filter(~own & (reach < 0))["indicator"]]
    problems += [f"limit of {name!r} is a share of its own past and must lie above 0" for name in
                 frame.filter(own & (pl.col("limit") <= 0))["indicator"]]
    if problems:
        raise ConfigError(f"{path}: " + "; ".join(problems))
    return frame


def read_codes(settings: Settings) -> pl.DataFrame:
    """Trouble codes: code, component, role, title, source.

    Raises:
        ConfigError: a cell is empty, a code or component is not written as one, or a code stands twice.
    """
    path = settings.config_file("codes.csv")
    frame = _read_csv(path, _CODES)
    empty = frame.filter(pl.any_horizontal(pl.all().is_null()))
    odd = frame.filter(~pl.col("code").str.contains(r"^[PBCU][0-3][0-9A-F]{3}$"))
    elsewhere = frame.filter(~pl.col("component").str.contains(r"^(B[12]S[12]|CAT[12]|BANK[12]|UNIT)$"))
    problems = [f"{row['code']!r} has an empty cell" for row in empty.iter_rows(named=True)]
    problems += [f"{code!r} is not written as a code, such as P0420" for code in odd["code"]]
    problems += [
        f"component of {row['code']!r} is {row['component']!r}; it must be such as B1S1, CAT1, BANK1 or UNIT"
        for row in elsewhere.iter_rows(named=True)
    ]
    twice = frame.filter(pl.col("code").is_duplicated())["code"].unique().sort()
    problems += [f"{code!r} stands twice" for code in twice]
    if problems:
        raise ConfigError(f"{path}: " + "; ".join(problems))
    return frame


def read_blame(settings: Settings) -> tuple[dict[str, dict], list[Hold], list[Call]]:
    """The order of blame: facts, holds and calls.

    Raises:
        ConfigError: the file cannot be read, or an entry is missing, unknown or names what does not exist.
    """
    path = settings.config_file("blame.toml")
    try:
        table = _read_toml(path)
        facts, holds = read_table(table)
        return facts, holds, read_calls(table, facts)
    except ValueError as error:
        raise ConfigError(f"{path}: {error}") from error


def read_costs(settings: Settings, path: Path | None = None) -> Costs:
    """Costs in the fleet's currency, from the settings' costs file or from another one.

    Raises:
        ConfigError: an entry is missing, unknown or impossible.
    """
    path = path or settings.config_file("costs.toml")
    body = _read_toml(path)
    families = body.pop("family", {})
    problems = _wrong_amounts(body, Costs, "")
    for kind in KINDS:
        if isinstance(body.get(kind), dict):
            problems += _wrong_amounts(body[kind], KindCosts, f"{kind}.")
    if not problems:
        families, problems = _families(families, body)
    if problems:
        raise ConfigError(f"{path}: " + "; ".join(problems))
    try:
        of_families = {
            family: {kind: KindCosts(**amounts) for kind, amounts in kinds.items()}
            for family, kinds in families.items()
        }
        return Costs(**body | {kind: KindCosts(**body[kind]) for kind in KINDS}, families=of_families)
    except ValueError as error:
        raise ConfigError(f"{path}: {error}") from error


def read_reliability(settings: Settings) -> pl.DataFrame:
    """How far chances hold on other fleets, for :func:`models.certainty.with_interval`.

    Raises:
        ConfigError: the file cannot be read, a share lies outside 0..1 or its interval, or no bin begins at 0.
    """
    path = settings.config_file("reliability.csv")
    frame = _read_csv(path, dict(COLUMNS)).sort("chance_from")
    shares = ("said", "observed", "low", "high")
    wrong = frame.filter(
        pl.any_horizontal(pl.all().is_null()) | ~pl.all_horizontal(pl.col(name).is_between(0, 1) for name in shares)
        | ~pl.col("observed").is_between("low", "high") | pl.col("chance_from").is_duplicated()
    )
    if wrong.height:
        raise ConfigError(f"{path}: a row needs low <= observed <= high, all within 0 to 1; look at {wrong.row(0)}")
    if frame.is_empty() or frame["chance_from"][0] != 0:
        raise ConfigError(f"{path}: the first chance_from must be 0")
    return frame


def _families(families: object, body: dict) -> tuple[dict[str, dict[str, dict]], list[str]]:
    """``[family.NAME.KIND]`` tables, filled up with the kind's own amounts, and what is wrong with them."""
    if not isinstance(families, dict):
        return {}, ["family must be tables such as [family.NAME.catalyst]"]
    full: dict[str, dict[str, dict]] = {}
    problems = []
    for name, kinds in families.items():
        for kind, amounts in (kinds.items() if isinstance(kinds, dict) else ()):
            where = f"family.{name}.{kind}"
            if kind not in KINDS or not isinstance(amounts, dict):
                problems.append(f"{where} is not known; there are tables of {', '.join(KINDS)}")
                continue
            filled = body[kind] | amounts
            problems += _wrong_amounts(filled, KindCosts, f"{where}.")
            full.setdefault(name, {})[kind] = filled
        if not isinstance(kinds, dict):
            problems.append(f"family.{name} must hold tables of {', '.join(KINDS)}")
    return full, problems


def _wrong_amounts(body: dict, declared: type, where: str) -> list[str]:
    """Entries that are missing, unknown, or of another type than the declared one."""
    kinds = {field.name: field.type for field in fields(declared) if field.name != "families"}
    problems = [f"{where}{name} is missing" for name in kinds if name not in body]
    surplus = [name for name in body if name not in kinds]
    problems += [f"{where}{name} is not known; there are {', '.join(kinds)}" for name in surplus]
    wanted = {"float": ((int, float), "a number"), "str": (str, "text"), "KindCosts": (dict, "a table")}
    for name in kinds.keys() & body.keys():
        types, words = wanted[kinds[name]]
        if not isinstance(body[name], types) or isinstance(body[name], bool):
            problems.append(f"{where}{name} must be {words}, not {body[name]!r}")
    return sorted(problems)


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
