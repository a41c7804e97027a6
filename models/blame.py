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
}
_HOLD_FIELDS = {"fact", "parts", "modes", "why", "rule_out", "source"}


@dataclass(frozen=True)
class Hold:
    """One row of the table: while ``fact`` is true, ``parts`` with one of ``modes`` (empty = any) are held back."""

    fact: str
    parts: tuple[str, ...]
    modes: tuple[str, ...]
    why: str
    rule_out: str
    source: str


def read_table(table: dict) -> tuple[dict[str, dict], list[Hold]]:
    """Facts and holds of a parsed table, checked.

    Raises:
        ValueError: an unknown field, part or fact; all problems at once.
    """
    facts = table.get("fact", {})
    problems = [f"[{name}] is not known" for name in sorted(set(table) - {"fact", "hold"})]
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
        if not {"roles", "indicator", "finding", "all", "any", "none"} & set(fact):
            problems.append(f"[fact.{name}] says nothing: give roles, indicator, finding, all, any or none")
        if "indicator" in fact and not {"above", "below", "beyond"} & set(fact):
            problems.append(f"[fact.{name}] needs above, below or beyond")
        for other in [*fact.get("all", []), *fact.get("any", []), *fact.get("none", [])]:
            if other not in known:
                problems.append(f"[fact.{name}] uses {other!r}, which must stand before it")
        known.add(name)
    holds = []
    for number, row in enumerate(rows, start=1):
        unknown = set(row) - _HOLD_FIELDS
        missing = {"fact", "parts", "why", "rule_out", "source"} - set(row)
        if unknown or missing:
            problems.append(f"[[hold]] {number}: unknown {sorted(unknown)}, missing {sorted(missing)}")
            continue
        if row["fact"] not in known:
            problems.append(f"[[hold]] {number}: no fact {row['fact']!r}")
        if not set(row["parts"]) <= set(PARTS):
            problems.append(f"[[hold]] {number}: parts must be of {', '.join(PARTS)}")
        holds.append(
            Hold(
                fact=row["fact"],
                parts=tuple(row["parts"]),
                modes=tuple(row.get("modes", ())),
                why=row["why"],
                rule_out=row["rule_out"],
                source=row["source"],
            )
        )
    if problems:
        raise ValueError("; ".join(problems))
    return facts, holds


def evaluate(
    banks: pl.DataFrame,
    facts: dict[str, dict],
    levels: pl.DataFrame,
    codes: pl.DataFrame,
    findings: pl.DataFrame,
) -> pl.DataFrame:
    """Every fact for every bank, as one boolean column a fact.

    Args:
        banks: unit_id, bank.
        levels: unit_id, bank (0 for the whole vehicle), indicator, level.
        codes: unit_id, bank (0 for the whole vehicle), part (empty for neither sensor nor catalyst), role; active
            codes only.
        findings: unit_id, bank, part, mode, strength.
    """
    result = banks
    for name, fact in facts.items():
        terms: list[pl.Expr] = []
        if "roles" in fact:
            found = codes.filter(pl.col("role").is_in(fact["roles"]))
            if "part" in fact:
                found = found.filter(pl.col("part") == fact["part"])
            result = _mark(result, found, name + "_roles", fact["scope"])
            terms.append(pl.col(name + "_roles"))
        if "indicator" in fact:
            found = levels.filter((pl.col("indicator") == fact["indicator"]) & _compared(fact))
            result = _mark(result, found, name + "_level", fact["scope"])
            terms.append(pl.col(name + "_level"))
        if "finding" in fact:
            found = findings.filter(
                (pl.col("part") == fact["finding"]) & (pl.col("strength") >= fact.get("strength", 1.0))
            )
            if "modes" in fact:
                found = found.filter(pl.col("mode").is_in(fact["modes"]))
            result = _mark(result, found, name + "_finding", fact["scope"])
            terms.append(pl.col(name + "_finding"))
        if "all" in fact:
            terms.append(pl.all_horizontal(fact["all"]))
        if "any" in fact:
            terms.append(pl.any_horizontal(fact["any"]))
        if "none" in fact:
            terms.append(~pl.any_horizontal(fact["none"]))
        result = result.with_columns(pl.all_horizontal(terms).alias(name))
    return result.select(*banks.columns, *facts)


def hold_back(components: pl.DataFrame, truths: pl.DataFrame, holds: list[Hold]) -> pl.DataFrame:
    """Add the first hold that applies to each component.

    Args:
        components: unit_id, bank, part, mode (loudest finding, empty where there is none).
        truths: unit_id, bank and one boolean column a fact, from :func:`evaluate`.

    Returns:
        ``components`` with held_by (fact), held_why and held_rule_out; null where nothing holds it.
    """
    joined = components.join(truths, on=["unit_id", "bank"], how="left")
    held_by = held_why = held_rule_out = None
    for hold in holds:
        applies = pl.col("part").is_in(hold.parts) & pl.col(hold.fact).fill_null(False)
        if hold.modes:
            applies = applies & pl.col("mode").is_in(hold.modes)
        if held_by is None:
            held_by = pl.when(applies).then(pl.lit(hold.fact))
            held_why = pl.when(applies).then(pl.lit(hold.why))
            held_rule_out = pl.when(applies).then(pl.lit(hold.rule_out))
        else:
            held_by = held_by.when(applies).then(pl.lit(hold.fact))
            held_why = held_why.when(applies).then(pl.lit(hold.why))
            held_rule_out = held_rule_out.when(applies).then(pl.lit(hold.rule_out))
    nothing = pl.lit(None, pl.String)
    return joined.with_columns(
        held_by=nothing if held_by is None else held_by.otherwise(nothing),
        held_why=nothing if held_why is None else held_why.otherwise(nothing),
        held_rule_out=nothing if held_rule_out is None else held_rule_out.otherwise(nothing),
    ).select(*components.columns, "held_by", "held_why", "held_rule_out")


def _compared(fact: dict) -> pl.Expr:
    level = pl.col("level")
    test = pl.lit(False)
    if "above" in fact:
        test = test | (level > fact["above"])
    if "below" in fact:
        test = test | (level < fact["below"])
    if "beyond" in fact:
        test = test | (level.abs() > fact["beyond"])
    return test.fill_null(False)


def _mark(banks: pl.DataFrame, found: pl.DataFrame, name: str, scope: str) -> pl.DataFrame:
    """True for every bank that ``found`` names, whole vehicles (bank 0) included; unit scope marks all banks."""
    everywhere = found["unit_id"] if scope == "unit" else found.filter(pl.col("bank") == 0)["unit_id"]
    own = found.select("unit_id", pl.col("bank").cast(banks.schema["bank"])).unique().with_columns(_own=True)
    joined = banks.join(own, on=["unit_id", "bank"], how="left", maintain_order="left")
    return joined.with_columns(
        (pl.col("_own").fill_null(False) | pl.col("unit_id").is_in(everywhere.unique().implode())).alias(name)
    ).drop("_own")
