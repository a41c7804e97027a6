"""Rules of the house that hold for every module: the clock, errors, length, SQL text, places that must not
be named.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from pipeline.settings import PROJECT
from tests.architecture.source import calls, imports, modules, strings

EDGE = {"pipeline.cli", "pipeline.flows", "pipeline.layout_cli"}
MOST_LINES = 400
ALL = sorted(modules())
SQL_TEXT = re.compile(
    r"\bselect\b.+\bfrom\b|\bcreate\b.+\b(table|view|macro)\b|\binsert\s+into\b|\bdelete\s+from\b"
    r"|\bupdate\b.+\bset\b|^\s*from\s+\w+\s*$|\bwith\s+\w+\s+as\s*\(",
    re.IGNORECASE | re.DOTALL,
)


def told_time(tree: ast.AST) -> list[int]:
    """Lines that ask a clock."""
    asked = {"now", "today", "utcnow"}
    clocks = {"time", "time_ns", "localtime", "gmtime", "monotonic", "perf_counter"}
    return [
        call.lineno for call, name, on in calls(tree) if name in asked or (name in clocks and on == "time")
    ]


@pytest.mark.parametrize("name", ALL)
def test_only_the_edge_reads_a_clock(name):
    module = modules()[name]
    if name not in EDGE:
        assert told_time(module.tree) == []
        assert "time" not in imports(module)


def test_the_edge_does_read_one():
    assert all(told_time(modules()[name].tree) for name in EDGE)


@pytest.mark.parametrize("name", ALL)
def test_errors_are_caught_by_name_and_never_swallowed(name):
    for node in ast.walk(modules()[name].tree):
        if isinstance(node, ast.ExceptHandler):
            assert node.type is not None, f"bare except in line {node.lineno}"
            if ast.unparse(node.type) in ("Exception", "BaseException"):
                assert any(isinstance(inner, ast.Raise) for inner in ast.walk(node)), (
                    f"line {node.lineno} swallows all"
                )


@pytest.mark.parametrize("name", ALL)
def test_modules_are_short(name):
    assert len(modules()[name].text.splitlines()) <= MOST_LINES


def test_package_files_are_empty():
    for path in PROJECT.rglob("__init__.py"):
        if not any(part.startswith(".") for part in path.relative_to(PROJECT).parts):
            assert path.read_bytes() == b"", path


@pytest.mark.parametrize("name", [name for name in ALL if name != "pipeline.query"])
def test_no_sql_text_in_python(name):
    found = [(line, text) for line, text in strings(modules()[name].tree) if SQL_TEXT.search(text)]
    assert found == []


@pytest.mark.parametrize(
    ("text", "is_sql"),
    [
        ("select a from b", True),
        ("SELECT *\nFROM readings", True),
        ("create or replace temp table x as", True),
        ("from readings", True),
        ("with x as (from y)", True),
        ("delete from t", True),
        ("select what to judge", False),
        ("time from a cool start", False),
        ("day IN (1, 2) AND bucket = 3", False),
    ],
)
def test_sql_text_is_recognised(text, is_sql):
    assert bool(SQL_TEXT.search(text)) is is_sql


def test_logging_is_not_set_up_on_import():
    for module in modules().values():
        assert not [
            call.lineno for call, name, _ in calls(module.tree) if name in ("basicConfig", "dictConfig")
        ]


# -- places ----------------------------------------------------------------------------------------

_HOSTS = (
    "pypi" + ".org",
    "python" + "hosted",
    "npm" + "js",
    "crates" + ".io",
    "ana" + "conda",
    "proxy." + "golang",
)
_PATHS = ("/wo" + "rk/", "/op" + "t/", "/ho" + "me/", "/ro" + "ot/", "/Us" + "ers/", "C:" + "\\")
_BINARY = (".gz", ".parquet", ".png", ".xlsx", ".pyc")


def _repository_files() -> list[Path]:
    """Text files of the repository, hidden caches and builds left out."""
    caches = {
        ".git",
        ".venv",
        ".hypothesis",
        ".pytest_cache",
        ".ruff_cache",
        "__pycache__",
        "lake",
        "out",
        "build",
    }
    found = []
    for path in sorted(PROJECT.rglob("*")):
        parts = path.relative_to(PROJECT).parts
        inside = any(part in caches or part.endswith(".egg-info") for part in parts)
        if path.is_file() and not inside and not path.name.endswith(_BINARY):
            found.append(path)
    return found


def test_no_file_names_a_registry_or_a_machine():
    files = _repository_files()
    assert PROJECT / "pyproject.toml" in files
    found = []
    for path in files:
        text = path.read_text(encoding="utf-8", errors="replace")
        # A drive letter is also the end of an escaped word in code, so it counts only outside Python.
        words = _HOSTS + (_PATHS[:-1] if path.suffix == ".py" else _PATHS)
        found += [(str(path.relative_to(PROJECT)), word) for word in words if word in text]
    assert found == []
