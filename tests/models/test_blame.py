"""The order of blame: a table that is checked, facts of vehicles and banks, and what they hold back."""

from __future__ import annotations

import polars as pl
import pytest

from models.blame import Measured, cleared_by, evaluate, hold_back, read_table

HOLD = {
    "fact": "low", "parts": ["upstream"], "why": "w", "cause": "c", "rule_out": "r", "test": "t", "clear": "", "source": "s",
}  # fmt: skip
FACT = {"scope": "unit", "roles": ["supply"]}


# -- the table -------------------------------------------------------------------------------------


def test_a_table_is_read():
    facts, holds = read_table({"fact": {"low": FACT}, "hold": [HOLD, HOLD | {"modes": ["slow"]}]})
    assert facts == {"low": FACT}
    assert [(hold.fact, hold.parts, hold.modes) for hold in holds] == [
        ("low", ("upstream",), ()),
        ("low", ("upstream",), ("slow",)),
    ]


def test_what_an_indicator_can_rule_out_is_told_through_all_facts_that_rest_on_it():
    facts, holds = read_table(
        {
            "fact": {
                "high": {"scope": "unit", "indicator": "air", "above": 10},
                "low": {"scope": "unit", "indicator": "air", "below": -10},
                "off": {"scope": "unit", "any": ["high", "low"]},
                "leak": {"scope": "bank", "indicator": "trim", "above": 5, "none": ["off"]},
            },
            "hold": [HOLD | {"fact": fact, "clear": clear} for fact, clear in
                     (("low", "air path"), ("off", "air meter"), ("leak", "leaks"), ("high", ""), ("low", "air path"))],
        }
    )  # fmt: skip
    # An absent fact ("none") is no evidence for the one that asks for it.
    assert cleared_by(facts, holds) == {"air": ("air path", "air meter"), "trim": ("leaks",)}


def test_an_empty_table_holds_nothing():
    assert read_table({}) == ({}, [])


@pytest.mark.parametrize(
    ("fact", "problem"),
    [
        (FACT | {"colour": "red"}, r"unknown \['colour'\]"),
        ({"roles": ["supply"]}, "scope must be"),
        ({"scope": "fleet", "roles": ["supply"]}, "scope must be"),
        ({"scope": "unit"}, "says nothing"),
        ({"scope": "unit", "indicator": "supply_v"}, "needs above, below, beyond, rose, fell, over_peers or under_peers"),
        ({"scope": "unit", "any": ["later"]}, "'later', which must stand before it"),
        ({"scope": "unit", "all": ["low"]}, "'low', which must stand before it"),
        ({"scope": "unit", "none": ["nobody"]}, "'nobody', which must stand before it"),
    ],
)
def test_a_wrong_fact_is_refused(fact, problem):
    with pytest.raises(ValueError, match=problem):
        read_table({"fact": {"low": fact, "later": FACT}})


@pytest.mark.parametrize(
    ("hold", "problem"),
    [
        (HOLD | {"fact": "nobody"}, "no fact 'nobody'"),
        (HOLD | {"parts": ["wheel"]}, "parts must be of"),
        (HOLD | {"part": "upstream"}, r"unknown \['part'\]"),
        ({key: value for key, value in HOLD.items() if key != "why"}, r"missing \['why'\]"),
    ],
)
def test_a_wrong_hold_is_refused(hold, problem):
    with pytest.raises(ValueError, match=problem):
        read_table({"fact": {"low": FACT}, "hold": [hold]})


def test_all_problems_are_named_at_once():
    with pytest.raises(ValueError) as caught:
        read_table(
            {"fact": {"low": {"scope": "fleet"}}, "hold": [HOLD | {"fact": "x"}, HOLD | {"parts": ["y"]}]}
        )
    for problem in ("scope must be", "says nothing", "no fact 'x'", "[[hold]] 2: parts"):
        assert problem in str(caught.value)


# -- facts -----------------------------------------------------------------------------------------

BANKS = pl.DataFrame({"unit_id": ["V1", "V1", "V2"], "bank": [1, 2, 1]})
LEVELS = {"unit_id": pl.String, "bank": pl.Int64, "indicator": pl.String, "level": pl.Float64}
CODES = {"unit_id": pl.String, "bank": pl.Int64, "part": pl.String, "role": pl.String}
FINDINGS = {
    "unit_id": pl.String,
    "bank": pl.Int64,
    "part": pl.String,
    "mode": pl.String,
    "strength": pl.Float64,
}


def truths(
    facts: dict[str, dict],
    levels: list[tuple] = (),
    codes: list[tuple] = (),
    findings: list[tuple] = (),
) -> dict[str, list[bool]]:
    """Every fact for V1 bank 1, V1 bank 2 and V2 bank 1."""
    made = evaluate(
        BANKS,
        read_table({"fact": facts})[0],
        pl.DataFrame(list(levels), schema=LEVELS, orient="row"),
        pl.DataFrame(list(codes), schema=CODES, orient="row"),
        pl.DataFrame(list(findings), schema=FINDINGS, orient="row"),
    )
    assert made.select("unit_id", "bank").equals(BANKS)
    return {name: made[name].to_list() for name in facts}


def fact(scope: str, **body: object) -> dict[str, dict]:
    return {"it": {"scope": scope} | body}


def test_what_cannot_be_known_is_false():
    facts = {
        "code": {"scope": "unit", "roles": ["supply"]},
        "level": {"scope": "bank", "indicator": "trim_pct", "beyond": 10},
        "found": {"scope": "bank", "finding": "upstream"},
    }
    assert truths(facts) == {name: [False] * 3 for name in facts}
    assert truths(facts, levels=[("V1", 1, "trim_pct", None)])["level"] == [False] * 3


def test_a_code_of_a_vehicle_is_a_fact_of_all_its_banks():
    assert truths(fact("unit", roles=["supply"]), codes=[("V1", 1, "", "supply")])["it"] == [
        True,
        True,
        False,
    ]
    assert truths(fact("bank", roles=["leak"]), codes=[("V1", 0, "", "leak")])["it"] == [True, True, False]


def test_a_code_of_a_bank_is_a_fact_of_that_bank():
    assert truths(fact("bank", roles=["leak"]), codes=[("V1", 2, "", "leak")])["it"] == [False, True, False]


def test_codes_of_another_role_or_part_do_not_count():
    assert truths(fact("unit", roles=["supply"]), codes=[("V1", 0, "", "leak")])["it"] == [False] * 3
    heater = fact("bank", roles=["heater"], part="upstream")
    assert truths(heater, codes=[("V1", 1, "downstream", "heater")])["it"] == [False] * 3
    assert truths(heater, codes=[("V1", 1, "upstream", "heater")])["it"] == [True, False, False]


@pytest.mark.parametrize(
    ("test", "level", "true"),
    [
        ({"above": 8}, 8.1, True),
        ({"above": 8}, 8.0, False),
        ({"below": -8}, -9.0, True),
        ({"below": -8}, 9.0, False),
        ({"beyond": 12}, -12.5, True),
        ({"beyond": 12}, 12.5, True),
        ({"beyond": 12}, 11.0, False),
        ({"above": 5, "below": 1}, 0.5, True),
    ],
)
def test_levels_are_compared(test, level, true):
    made = truths(fact("bank", indicator="trim_pct", **test), levels=[("V1", 1, "trim_pct", level)])
    assert made["it"] == [true, False, False]


def test_a_level_of_the_vehicle_is_a_fact_of_all_its_banks():
    made = truths(fact("unit", indicator="supply_v", below=12.2), levels=[("V1", 0, "supply_v", 11.9)])
    assert made["it"] == [True, True, False]


def test_a_finding_counts_from_its_strength_and_in_its_modes():
    strong = [("V1", 1, "upstream", "stuck", 0.9)]
    assert truths(fact("bank", finding="upstream", strength=0.8), findings=strong)["it"] == [
        True,
        False,
        False,
    ]
    assert (
        truths(fact("bank", finding="upstream"), findings=strong)["it"] == [False] * 3
    )  # from 1 if not told
    slow_only = fact("bank", finding="upstream", strength=0.8, modes=["slow"])
    assert truths(slow_only, findings=strong)["it"] == [False] * 3
    assert truths(fact("bank", finding="downstream", strength=0.8), findings=strong)["it"] == [False] * 3


def test_facts_are_joined():
    facts = {
        "a": {"scope": "bank", "roles": ["a"]},
        "b": {"scope": "bank", "roles": ["b"]},
        "both": {"scope": "bank", "all": ["a", "b"]},
        "either": {"scope": "bank", "any": ["a", "b"]},
        "neither": {"scope": "bank", "none": ["a", "b"]},
        "only_a": {"scope": "bank", "all": ["a"], "none": ["b"]},
    }
    made = truths(facts, codes=[("V1", 1, "", "a"), ("V1", 1, "", "b"), ("V1", 2, "", "a")])
    assert made["both"] == [True, False, False]
    assert made["either"] == [True, True, False]
    assert made["neither"] == [False, False, True]
    assert made["only_a"] == [False, True, False]


def test_terms_of_one_fact_must_all_hold():
    two = fact("bank", roles=["a"], indicator="trim_pct", above=8)
    levels = [("V1", 1, "trim_pct", 9.0), ("V1", 2, "trim_pct", 9.0)]
    assert truths(two, levels=levels, codes=[("V1", 1, "", "a")])["it"] == [True, False, False]


# -- holding back ----------------------------------------------------------------------------------

PARTS = pl.DataFrame(
    {
        "unit_id": ["V1", "V1", "V1", "V2"],
        "bank": [1, 1, 1, 1],
        "part": ["upstream", "downstream", "catalyst", "catalyst"],
        "mode": ["slow", "stuck", "storage", "storage"],
    }
)


def held(*holds: dict, **facts: list[bool]) -> list[str | None]:
    """What holds back each of the parts, given the facts of V1 bank 1 and V2 bank 1."""
    table = {"fact": {name: FACT for name in facts}, "hold": [HOLD | hold for hold in holds]}
    seen = pl.DataFrame({"unit_id": ["V1", "V2"], "bank": [1, 1], **facts})
    made = hold_back(PARTS, seen, read_table(table)[1])
    assert made.select(PARTS.columns).equals(PARTS)
    return made["held_by"].to_list()


def test_without_holds_nothing_is_held():
    assert held(low=[True, True]) == [None] * 4


def test_a_hold_holds_the_parts_it_names_while_its_fact_is_true():
    both = {"fact": "low", "parts": ["upstream", "catalyst"]}
    assert held(both, low=[True, False]) == ["low", None, "low", None]
    assert held(both, low=[False, False]) == [None] * 4


def test_a_hold_may_be_for_some_modes_only():
    stuck = {"fact": "low", "parts": ["upstream", "downstream", "catalyst"], "modes": ["stuck", "storage"]}
    assert held(stuck, low=[True, True]) == [None, "low", "low", "low"]


def test_the_first_hold_that_applies_gives_the_reason():
    first = {"fact": "misfire", "parts": ["catalyst"], "why": "misfire codes"}
    second = {"fact": "low", "parts": ["upstream", "catalyst"], "why": "low supply"}
    facts = {"misfire": [True, False], "low": [True, True]}
    assert held(first, second, **facts) == ["low", None, "misfire", "low"]
    assert held(second, first, **facts) == ["low", None, "low", "low"]


def test_words_come_with_the_hold():
    table = read_table(
        {"fact": {"low": FACT}, "hold": [HOLD | {"why": "supply is low", "rule_out": "battery"}]}
    )
    seen = pl.DataFrame({"unit_id": ["V1"], "bank": [1], "low": [True]})
    made = hold_back(PARTS, seen, table[1]).row(0, named=True)
    assert (made["held_why"], made["held_rule_out"]) == ("supply is low", "battery")


def test_a_part_whose_bank_has_no_facts_is_not_held():
    table = read_table(
        {"fact": {"low": FACT}, "hold": [HOLD | {"parts": ["upstream", "downstream", "catalyst"]}]}
    )
    seen = pl.DataFrame({"unit_id": ["V2"], "bank": [1], "low": [True]})
    assert hold_back(PARTS, seen, table[1])["held_by"].to_list() == [None, None, None, "low"]


# -- what the data cannot tell ---------------------------------------------------------------------

TWO_BANKS = pl.DataFrame({"unit_id": ["V1", "V1", "V2"], "bank": [1, 2, 1]}, schema_overrides={"bank": pl.Int64})
NO_LEVELS = pl.DataFrame(
    schema={"unit_id": pl.String, "bank": pl.Int64, "indicator": pl.String, "level": pl.Float64}
)
NO_CODES = pl.DataFrame(
    schema={"unit_id": pl.String, "bank": pl.Int64, "part": pl.String, "role": pl.String}
)
NO_FINDINGS = pl.DataFrame(
    schema={"unit_id": pl.String, "bank": pl.Int64, "part": pl.String, "mode": pl.String, "strength": pl.Float64}
)


def level(unit: str, bank: int, indicator: str, value: float) -> pl.DataFrame:
    return pl.DataFrame([[unit, bank, indicator, value]], schema=NO_LEVELS.schema, orient="row")


def told(*read_out: str, judged: list[tuple[str, int, str]] | None = None) -> Measured:
    parts = pl.DataFrame(judged or [], schema={"unit_id": pl.String, "bank": pl.Int64, "part": pl.String}, orient="row")
    return Measured(pl.Series("unit_id", list(read_out), dtype=pl.String), parts)


def test_a_code_is_known_to_be_absent_only_where_codes_are_read():
    facts = {"low": {"scope": "unit", "roles": ["supply"]}}
    made = evaluate(TWO_BANKS, facts, NO_LEVELS, NO_CODES, NO_FINDINGS, told("V1"))
    assert made["low"].to_list() == [False, False, None]
    assert evaluate(TWO_BANKS, facts, NO_LEVELS, NO_CODES, NO_FINDINGS)["low"].to_list() == [False] * 3


def test_a_level_is_known_only_where_it_is_measured():
    facts = {"far": {"scope": "bank", "indicator": "trim_pct", "beyond": 12}}
    levels = pl.concat([level("V1", 1, "trim_pct", 14.0), level("V2", 1, "trim_pct", 2.0)])
    made = evaluate(TWO_BANKS, facts, levels, NO_CODES, NO_FINDINGS, told())
    assert made["far"].to_list() == [True, None, False]


def test_a_part_is_known_to_be_sound_only_where_it_is_judged():
    facts = {"front": {"scope": "bank", "finding": "upstream", "strength": 0.6}}
    made = evaluate(TWO_BANKS, facts, NO_LEVELS, NO_CODES, NO_FINDINGS, told(judged=[("V2", 1, "upstream")]))
    assert made["front"].to_list() == [None, None, False]


def test_what_holds_for_every_bank_needs_two_of_them():
    facts = {
        "lean": {"scope": "bank", "indicator": "trim_pct", "above": 8},
        "both": {"scope": "unit", "every_bank": ["lean"]},
    }
    one = pl.concat([level("V1", 1, "trim_pct", 9.0), level("V2", 1, "trim_pct", 9.0)])
    assert evaluate(TWO_BANKS, facts, one, NO_CODES, NO_FINDINGS)["both"].to_list() == [False] * 3
    two = pl.concat([one, level("V1", 2, "trim_pct", 10.0)])
    assert evaluate(TWO_BANKS, facts, two, NO_CODES, NO_FINDINGS)["both"].to_list() == [True, True, False]


def test_what_holds_for_another_bank_is_not_said_of_the_own():
    facts = {
        "lean": {"scope": "bank", "indicator": "trim_pct", "above": 8},
        "beside": {"scope": "bank", "other_bank": ["lean"]},
    }
    levels = pl.concat([level("V1", 1, "trim_pct", 9.0), level("V1", 2, "trim_pct", 1.0), level("V2", 1, "trim_pct", 9.0)])
    assert evaluate(TWO_BANKS, facts, levels, NO_CODES, NO_FINDINGS)["beside"].to_list() == [False, True, False]
    # What is not measured of the other bank is not known.
    half = evaluate(TWO_BANKS, facts, levels.filter(pl.col("bank") == 2), NO_CODES, NO_FINDINGS, told())
    assert half["beside"].to_list() == [False, None, False]


@pytest.mark.parametrize(
    ("up", "down", "column"), [("rose", "fell", "change"), ("over_peers", "under_peers", "apart")]
)
def test_a_level_that_moved_against_its_own_past_or_lies_apart_from_its_peers(up: str, down: str, column: str):
    facts = {name: {"scope": "bank", "indicator": "trim_pct", name: 2} for name in (up, down)}
    facts["either"] = {"scope": "bank", "indicator": "trim_pct", up: 2, down: 2}
    levels = pl.concat([level("V1", 1, "trim_pct", 9.0), level("V1", 2, "trim_pct", 9.0), level("V2", 1, "trim_pct", 1.0)])
    moved = levels.with_columns(pl.Series(column, [2.5, None, -2.5]))
    made = evaluate(TWO_BANKS, facts, moved, NO_CODES, NO_FINDINGS, told())
    assert made[up].to_list() == [True, None, False]
    assert made[down].to_list() == [False, None, True]
    assert made["either"].to_list() == [True, None, True]
