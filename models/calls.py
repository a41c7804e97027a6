"""Calls: what a finding that nothing holds back points at, and what the technician does about it.

Like the holds, the calls are rows of the order of blame (``blame.toml``) that anybody who works on cars can change.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from models.blame import PARTS, Hold, first_of
from models.words import FIRST_STEPS

_FIELDS = {"fact", "parts", "modes", "as_mode", "inspect_as", "cause", "rule_out", "test", "source"}
_NEEDED = {"parts", "cause", "rule_out", "test", "source"}


@dataclass(frozen=True)
class Call:
    """One row: a finding of ``parts`` with one of ``modes`` (empty = any) while ``fact`` (empty = always) is true.

    ``as_mode`` replaces the mode where the fact says what the figures only show (a cold sensor is slow and flat);
    empty leaves it. ``inspect_as`` is the mode whose first step is taken while the mode stays what is said and what holds
    are asked of; empty takes that of the mode. ``cause`` is what it points at, ``rule_out`` what is ruled out by hand, ``test`` what confirms it.
    """

    parts: tuple[str, ...]
    modes: tuple[str, ...]
    fact: str
    as_mode: str
    inspect_as: str
    cause: str
    rule_out: str
    test: str
    source: str


def read_calls(table: dict, facts: dict[str, dict]) -> list[Call]:
    """Calls of a parsed table, checked.

    Raises:
        ValueError: an unknown field, part, fact or first step, or a field is missing; all problems at once.
    """
    rows = table.get("call", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise ValueError("calls are written as tables of a list, [[call]]")
    problems, calls = [], []
    for number, row in enumerate(rows, start=1):
        unknown, missing = set(row) - _FIELDS, _NEEDED - set(row)
        if unknown or missing:
            problems.append(f"[[call]] {number}: unknown {sorted(unknown)}, missing {sorted(missing)}")
            continue
        if row.get("fact", "") and row["fact"] not in facts:
            problems.append(f"[[call]] {number}: no fact {row['fact']!r}")
        if not set(row["parts"]) <= set(PARTS):
            problems.append(f"[[call]] {number}: parts must be of {', '.join(PARTS)}")
        if row.get("inspect_as", "") not in ("", *FIRST_STEPS):
            problems.append(f"[[call]] {number}: inspect_as must be one of {', '.join(FIRST_STEPS)}")
        named = ("fact", "as_mode", "inspect_as", "cause", "rule_out", "test", "source")
        texts = {name: row.get(name, "") for name in named}
        calls.append(Call(tuple(row["parts"]), tuple(row.get("modes", ())), **texts))
    if problems:
        raise ValueError("; ".join(problems))
    return calls


def with_calls(components: pl.DataFrame, truths: pl.DataFrame, calls: list[Call]) -> pl.DataFrame:
    """Add call_cause, call_rule_out, call_test and call_inspect_as of the first call that applies, and put its mode in place.

    Args:
        components: unit_id, bank, part, mode.
        truths: unit_id, bank and one boolean column a fact.
    """
    names = {"call_cause": "cause", "call_rule_out": "rule_out", "call_test": "test", "call_inspect_as": "inspect_as"}
    names |= {"_as_mode": "as_mode"}
    joined = components.join(truths, on=["unit_id", "bank"], how="left")
    called = joined.with_columns(**first_of(calls, names))
    renamed = pl.when(pl.col("_as_mode").fill_null("") != "").then("_as_mode").otherwise("mode")
    return called.with_columns(mode=renamed).select(*components.columns, *(name for name in names if name[0] != "_"))


def ruled_out(components: pl.DataFrame, known: pl.DataFrame, holds: list[Hold]) -> pl.DataFrame:
    """Add ruled_out and not_ruled_out: what the data show not to be so, and what is left to rule out by hand.

    Where a hold is in force its words are in neither: they are the reason that is given.

    Args:
        components: unit_id, bank, part.
        known: unit_id, bank and one boolean column a fact, null where the data cannot tell.

    Returns:
        ``components`` with two texts, the ``clear`` words of the holds of that part in their order, by commas: of those whose
        evidence is known to be false, and of those whose evidence is unknown, true (the hold is excepted) or doubted.
    """
    banks = known.group_by("unit_id").agg(_banks=pl.len())
    joined = components.join(known, on=["unit_id", "bank"], how="left").join(banks, on="unit_id", how="left")
    cleared: list[pl.Expr] = []
    left: list[pl.Expr] = []
    for text in dict.fromkeys(hold.clear for hold in holds if hold.clear):
        for part in PARTS:
            same = [hold for hold in holds if hold.clear == text and part in hold.parts]
            if same:
                of_vehicle = pl.col("_banks") >= min(hold.clear_banks for hold in same)
                spoken = of_vehicle & (pl.col("part") == part)
                spoken &= ~pl.any_horizontal(*(hold.fact for hold in same)).fill_null(False)
                so = pl.any_horizontal(*(hold.cleared_by or hold.fact for hold in same))
                # A doubt that cannot be known is none: most vehicles send no on-board tests.
                doubts = [pl.col(doubt).fill_null(False) for hold in same for doubt in hold.doubted_by]
                so_or_doubted = so | pl.any_horizontal(*doubts) if doubts else so
                cleared.append(pl.when(spoken & ~so_or_doubted.fill_null(True)).then(pl.lit(text)))
                left.append(pl.when(spoken & so_or_doubted.fill_null(True)).then(pl.lit(text)))
    texts = {
        name: pl.concat_list(terms).list.drop_nulls().list.join(", ") if terms else pl.lit("")
        for name, terms in (("ruled_out", cleared), ("not_ruled_out", left))
    }
    return joined.with_columns(**texts).select(*components.columns, *texts)
