"""The order of blame: facts about a vehicle and its banks, and what they hold back.

The table itself is data (``blame.toml``): anybody who works on cars can read and change it. Facts are evaluated for
all vehicles at once as boolean columns; a fact that cannot be known (no such indicator sampled) is false, since a
missing signal is evidence of nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

PARTS = ("upstream", "downstream", "catalyst")
_FACT_FIELDS = {
    "scope", "roles", "part", "indicator", "above", "below", "beyond", "finding", "modes", "strength", "all", "any", "none",
    "every_bank", "other_bank", "rose", "fell", "over_peers", "under_peers",
}
_COMPARES = ("above", "below", "beyond", "rose", "fell", "over_peers", "under_peers")
_HOLD_FIELDS = {"fact", "parts", "modes", "why", "cause", "rule_out", "test", "clear", "source", "cleared_by", "doubted_by", "clear_banks"}
_HOLD_OPTIONAL = {"modes", "cleared_by", "doubted_by", "clear_banks"}


@dataclass(frozen=True)
class Hold:
    """One row of the table: while ``fact`` is true, ``parts`` with one of ``modes`` (empty = any) are held back.

    ``why`` is the evidence, ``cause`` what it points at, ``rule_out`` what to look at first, ``test`` what confirms the
    cause, and ``clear`` what is ruled out (empty: not worth a word) where the data show that the evidence is false: that is
    the fact ``cleared_by``, or ``fact`` itself where that is the bare evidence (empty). A fact that is false for what else it
    asks rules nothing out. While one of the facts ``doubted_by`` is true it is not ruled out either. Of a vehicle with fewer
    than ``clear_banks`` exhaust banks neither is said.
    """

    fact: str
    parts: tuple[str, ...]
    modes: tuple[str, ...]
    why: str
    cause: str
    rule_out: str
    test: str
    clear: str
    source: str
    cleared_by: str = ""
    doubted_by: tuple[str, ...] = ()
    clear_banks: int = 1


@dataclass(frozen=True)
class Measured:
    """What the data can tell of, so that a fact may be known to be false rather than unknown.

    read_out : unit_id whose trouble codes were read. judged : unit_id, bank, part that are judged at all.
    """

    read_out: pl.Series
    judged: pl.DataFrame


def read_table(table: dict) -> tuple[dict[str, dict], list[Hold]]:
    """Facts and holds of a parsed table, checked.

    Raises:
        ValueError: an unknown field, part or fact; all problems at once.
    """
    facts = table.get("fact", {})
    problems = [f"[{name}] is not known" for name in sorted(set(table) - {"fact", "hold", "call"})]
    if not isinstance(facts, dict) or not all(isinstance(fact, dict) for fact in facts.values()):
        raise ValueError("facts are written as tables, [fact.<name>]")
    rows = table.get("hold", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise ValueError("holds are written as tables of a list, [[hold]]")
    known: set[str] = set()
    for name, fact in facts.items():
        unknown = set(fact) - _FACT_FIELDS
        if unknown:
            problems.append(f"[fact.{name}] has unknown {sorted(unknown)}")
        if fact.get("scope") not in ("unit", "bank"):
            problems.append(f"[fact.{name}] scope must be 'unit' or 'bank'")
        if not {"roles", "indicator", "finding", "all", "any", "none", "every_bank", "other_bank"} & set(fact):
            problems.append(
                f"[fact.{name}] says nothing: give roles, indicator, finding, all, any, none, every_bank or other_bank"
            )
        if "indicator" in fact and not set(_COMPARES) & set(fact):
            problems.append(f"[fact.{name}] needs {', '.join(_COMPARES[:-1])} or {_COMPARES[-1]}")
        for other in [name for key in ("all", "any", "none", "every_bank", "other_bank") for name in fact.get(key, [])]:
            if other not in known:
                problems.append(f"[fact.{name}] uses {other!r}, which must stand before it")
        known.add(name)
    holds = []
    for number, row in enumerate(rows, start=1):
        unknown = set(row) - _HOLD_FIELDS
        missing = _HOLD_FIELDS - _HOLD_OPTIONAL - set(row)
        if unknown or missing:
            problems.append(f"[[hold]] {number}: unknown {sorted(unknown)}, missing {sorted(missing)}")
            continue
        asked = [row["fact"], *([row["cleared_by"]] if row.get("cleared_by") else []), *row.get("doubted_by", ())]
        problems += [f"[[hold]] {number}: no fact {name!r}" for name in asked if name not in known]
        if not set(row["parts"]) <= set(PARTS):
            problems.append(f"[[hold]] {number}: parts must be of {', '.join(PARTS)}")
        if row.get("clear_banks", 1) not in (1, 2):
            problems.append(f"[[hold]] {number}: clear_banks must be 1 or 2")
        holds.append(
            Hold(
                fact=row["fact"],
                parts=tuple(row["parts"]),
                modes=tuple(row.get("modes", ())),
                cleared_by=row.get("cleared_by", ""),
                doubted_by=tuple(row.get("doubted_by", ())),
                clear_banks=row.get("clear_banks", 1),
                **{name: row[name] for name in ("why", "cause", "rule_out", "test", "clear", "source")},
            )
        )
    if problems:
        raise ValueError("; ".join(problems))
    return facts, holds


def cleared_by(facts: dict[str, dict], holds: list[Hold]) -> dict[str, tuple[str, ...]]:
    """What each indicator can help to rule out: the ``clear`` words of the holds that rest on it, in their order."""

    def rests_on(name: str) -> set[str]:
        fact = facts[name]
        own = {fact["indicator"]} if "indicator" in fact else set()
        return own.union(*(rests_on(other) for key in ("all", "any", "every_bank", "other_bank") for other in fact.get(key, ())))

    words: dict[str, list[str]] = {}
    for hold in holds:
        for indicator in sorted(rests_on(hold.cleared_by or hold.fact)) if hold.clear else ():
            words.setdefault(indicator, [])
            if hold.clear not in words[indicator]:
                words[indicator].append(hold.clear)
    return {indicator: tuple(of) for indicator, of in words.items()}


def evaluate(
    banks: pl.DataFrame,
    facts: dict[str, dict],
    levels: pl.DataFrame,
    codes: pl.DataFrame,
    findings: pl.DataFrame,
    measured: Measured | None = None,
) -> pl.DataFrame:
    """Every fact for every bank, as one boolean column a fact.

    With ``measured`` a fact is null where the data cannot tell (three-valued logic of Kleene); without, false.

    Args:
        banks: unit_id, bank.
        levels: unit_id, bank (0 for the whole vehicle), indicator, level, change (level less own past) and apart (level
            less the peers' median); null where there is none.
        codes: unit_id, bank (0 for the whole vehicle), part (empty for neither sensor nor catalyst), role; active
            codes only.
        findings: unit_id, bank, part, mode, strength.
    """
    result = banks
    read_out = judged = None
    if measured is not None:
        read_out = measured.read_out.to_frame("unit_id").with_columns(bank=pl.lit(0, banks.schema["bank"]))
        judged = measured.judged
    for name, fact in facts.items():
        terms: list[pl.Expr] = []
        if "roles" in fact:
            found = codes.filter(pl.col("role").is_in(fact["roles"]))
            if "part" in fact:
                found = found.filter(pl.col("part") == fact["part"])
            result = _mark(result, found, name + "_roles", fact["scope"], read_out)
            terms.append(pl.col(name + "_roles"))
        if "indicator" in fact:
            found = levels.filter((pl.col("indicator") == fact["indicator"]) & _compared(fact))
            against = "change" if {"rose", "fell"} & set(fact) else "apart" if {"over_peers", "under_peers"} & set(fact) else "level"
            present = levels.filter((pl.col("indicator") == fact["indicator"]) & pl.col(against).is_not_null())
            result = _mark(result, found, name + "_level", fact["scope"], present if measured else None)
            terms.append(pl.col(name + "_level"))
        if "finding" in fact:
            found = findings.filter(
                (pl.col("part") == fact["finding"]) & (pl.col("strength") >= fact.get("strength", 1.0))
            )
            if "modes" in fact:
                found = found.filter(pl.col("mode").is_in(fact["modes"]))
            seen = judged.filter(pl.col("part") == fact["finding"]) if measured else None
            result = _mark(result, found, name + "_finding", fact["scope"], seen)
            terms.append(pl.col(name + "_finding"))
        if "all" in fact:
            terms.append(pl.all_horizontal(fact["all"]))
        if "any" in fact:
            terms.append(pl.any_horizontal(fact["any"]))
        if "none" in fact:
            terms.append(~pl.any_horizontal(fact["none"]))
        for other in fact.get("every_bank", ()):
            # Of both banks: a vehicle with one bank has none to compare with.
            alike = pl.col(other).all(ignore_nulls=False).over("unit_id")
            terms.append(alike & (pl.len().over("unit_id") > 1))
        for other in fact.get("other_bank", ()):
            elsewhere, untold = (
                fact_of.sum().over("unit_id") > fact_of
                for fact_of in (pl.col(other).fill_null(False).cast(pl.Int64), pl.col(other).is_null().cast(pl.Int64))
            )
            terms.append(pl.when(elsewhere).then(True).when(~untold).then(False))
        result = result.with_columns(pl.all_horizontal(terms).alias(name))
    return result.select(*banks.columns, *facts)


def hold_back(components: pl.DataFrame, truths: pl.DataFrame, holds: list[Hold]) -> pl.DataFrame:
    """Add the first hold that applies to each component.

    Args:
        components: unit_id, bank, part, mode (loudest finding, empty where there is none).
        truths: unit_id, bank and one boolean column a fact, from :func:`evaluate`.

    Returns:
        ``components`` with held_by (fact), held_why, held_cause, held_rule_out and held_test; null where nothing holds
        it.
    """
    names = {"held_by": "fact", "held_why": "why", "held_cause": "cause", "held_rule_out": "rule_out", "held_test": "test"}
    joined = components.join(truths, on=["unit_id", "bank"], how="left")
    first = first_of(holds, names)
    return joined.with_columns(**first).select(*components.columns, *names)


def first_of(rows: list, names: dict[str, str]) -> dict[str, pl.Expr]:
    """Fields of the first row that applies to a component; null where none does.

    Args:
        rows: with fact (empty: always), parts and modes (empty: any), in order.
        names: column to make -> field of the row.
    """
    made: dict[str, pl.Expr] = {}
    for column, name in names.items():
        chain = pl.when(pl.lit(False)).then(pl.lit(None, pl.String))
        for row in rows:
            applies = pl.col("part").is_in(row.parts)
            if row.fact:
                applies = applies & pl.col(row.fact).fill_null(False)
            if row.modes:
                applies = applies & pl.col("mode").is_in(row.modes)
            chain = chain.when(applies).then(pl.lit(getattr(row, name)))
        made[column] = chain.otherwise(pl.lit(None, pl.String))
    return made


def _compared(fact: dict) -> pl.Expr:
    level = pl.col("level")
    test = pl.lit(False)
    if "above" in fact:
        test = test | (level > fact["above"])
    if "below" in fact:
        test = test | (level < fact["below"])
    if "beyond" in fact:
        test = test | (level.abs() > fact["beyond"])
    if "rose" in fact:
        test = test | (pl.col("change") > fact["rose"])
    if "fell" in fact:
        test = test | (pl.col("change") < -fact["fell"])
    if "over_peers" in fact:
        test = test | (pl.col("apart") > fact["over_peers"])
    if "under_peers" in fact:
        test = test | (pl.col("apart") < -fact["under_peers"])
    return test.fill_null(False)


def _mark(
    banks: pl.DataFrame, found: pl.DataFrame, name: str, scope: str, seen: pl.DataFrame | None
) -> pl.DataFrame:
    """True for every bank that ``found`` names, whole vehicles (bank 0) included; unit scope marks all banks.

    With ``seen`` (unit_id, bank that could have been found) every other bank that it does not name is null.
    """
    true = _named(banks, found, scope)
    if seen is None:
        return banks.with_columns(true.alias(name))
    known = true | _named(banks, seen, scope)
    return banks.with_columns(pl.select(pl.when(known).then(true)).to_series().alias(name))


def _named(banks: pl.DataFrame, found: pl.DataFrame, scope: str) -> pl.Series:
    everywhere = found["unit_id"] if scope == "unit" else found.filter(pl.col("bank") == 0)["unit_id"]
    own = found.select("unit_id", pl.col("bank").cast(banks.schema["bank"])).unique().with_columns(_own=True)
    joined = banks.join(own, on=["unit_id", "bank"], how="left", maintain_order="left")
    return joined.select(
        pl.col("_own").fill_null(False) | pl.col("unit_id").is_in(everywhere.unique().implode())
    ).to_series()
