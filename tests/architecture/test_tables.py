"""Tables: each has one writer, and every number in them a unit."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator

import polars as pl
import pytest

from pipeline.query import SQL, step
from pipeline.tables import tables
from tests.architecture.source import calls, modules

WRITES = {"append", "overwrite", "replace"}
LAKES = {"lake", "_lake"}
STEPS = [path.stem for path in sorted(SQL.glob("*.sql"))]
STORED = sorted(name for name, declared in tables().items() if declared.stored)
WITHIN = sorted(name for name, declared in tables().items() if not declared.stored)
GIVEN = {"units"}  # not made by a step: the register, as a shard sees it


def written_by(tree: ast.Module) -> set[str]:
    """Tables that a module writes to the lake, whether named at the write, in a loop around it or by a
    caller.
    """
    written: set[str] = set()
    for call, name, on in calls(tree):
        if name in WRITES and on in LAKES:
            written |= _tables_of(call.args[0], tree, set())
    return written


def _tables_of(node: ast.expr, tree: ast.Module, seen: set[str]) -> set[str]:
    """Tables that an expression may name: constants in it, and what its variables run over or are given."""
    found = {
        inner.value for inner in ast.walk(node) if isinstance(inner, ast.Constant) and inner.value in STORED
    }
    for variable in {inner.id for inner in ast.walk(node) if isinstance(inner, ast.Name)} - seen:
        for source in _sources_of(variable, tree):
            found |= _tables_of(source, tree, seen | {variable})
    return found


def _sources_of(variable: str, tree: ast.Module) -> Iterator[ast.expr]:
    """What a variable runs over in loops, is assigned at the top of the module, or is given by callers."""
    for node in ast.walk(tree):
        if isinstance(node, (ast.For, ast.comprehension)) and _binds(node.target, variable):
            yield node.iter
        if isinstance(node, ast.FunctionDef):
            arguments = [argument.arg for argument in node.args.args if argument.arg != "self"]
            if variable in arguments:
                place = arguments.index(variable)
                for call, name, _ in calls(tree):
                    if name == node.name and len(call.args) > place:
                        yield call.args[place]
    for node in tree.body:
        if isinstance(node, ast.Assign) and any(_binds(target, variable) for target in node.targets):
            yield node.value


def _binds(target: ast.expr, variable: str) -> bool:
    return any(isinstance(node, ast.Name) and node.id == variable for node in ast.walk(target))


# What comes in has two doors, exports and returned cards, never open at once: both hold the lake's lock.
AT_THE_DOOR = ["pipeline.ingest", "pipeline.returned"]
BY_BOTH = ("work_orders", "quarantine", "exports")


@pytest.mark.parametrize("name", STORED)
def test_a_stored_table_has_one_writer(name):
    writers = [module.name for module in modules().values() if name in written_by(module.tree)]
    assert writers == AT_THE_DOOR if name in BY_BOTH else len(writers) == 1


def test_readings_are_taken_out_by_thinning_alone():
    removers = {
        (module.name, call.args[0].value)
        for module in modules().values()
        for call, name, on in calls(module.tree)
        if name == "remove" and on in LAKES
    }
    assert removers == {("pipeline.thinning", "readings")}


def test_a_table_of_sql_is_made_by_one_step():
    made = Counter(step(name).table for name in STEPS)
    assert [name for name, count in made.items() if count > 1] == []
    assert set(made) <= set(tables())


@pytest.mark.parametrize("name", WITHIN)
def test_a_table_within_a_run_is_made_by_a_step_or_given(name):
    made = {step(stem).table for stem in STEPS}
    assert (name in made) is (name not in GIVEN)


def test_every_declared_table_is_read_or_made_somewhere():
    named = {text for module in modules().values() for text in _constants(module.tree)}
    read = {read for stem in STEPS for read in step(stem).reads}
    assert set(tables()) <= named | read


def test_a_second_writer_is_noticed():
    literal = ast.parse('lake.append("codes", frame)')
    by_loop = ast.parse(
        'NAMES = ("codes", "trips")\nfor name in NAMES:\n    self._lake.overwrite(name, frame)'
    )
    by_caller = ast.parse(
        'def put(lake, name):\n    lake.replace(name, frame)\nput(lake, "ranked")\nread(lake, "codes")'
    )
    read_only = ast.parse('lake.read("codes")\ntext.replace("codes", "x")')
    assert written_by(literal) == {"codes"}
    assert written_by(by_loop) == {"codes", "trips"}
    assert written_by(by_caller) == {"ranked"}
    assert written_by(read_only) == set()


def _constants(tree: ast.AST) -> set[str]:
    return {
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


@pytest.mark.parametrize("name", sorted(tables()))
def test_columns_are_described_and_numbers_have_a_unit(name):
    declared = tables()[name]
    assert declared.note
    for column, spec in declared.columns.items():
        assert spec.note, column
        if spec.type.is_numeric():
            assert spec.unit, column
        if isinstance(spec.type, pl.Datetime):
            assert spec.unit == "UTC", column


@pytest.mark.parametrize("name", sorted(tables()))
def test_keys_sorts_and_partitions_are_columns_that_cannot_be_empty(name):
    declared = tables()[name]
    for column in {*declared.key, *declared.partition}:
        assert not declared.columns[column].nullable, column
    for column in {*declared.sort, *declared.provenance}:
        assert column in declared.columns, column
    if declared.stored:
        assert declared.key
