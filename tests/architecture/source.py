"""The project's own source as data: modules, what they import, and the constants and calls in them."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pipeline.settings import PROJECT

PACKAGES = ("pipeline", "models", "sample_lake")


@dataclass(frozen=True)
class Module:
    """One Python file: dotted name, path, text and syntax tree."""

    name: str
    path: Path
    text: str
    tree: ast.Module

    @property
    def package(self) -> str:
        """Top-level package."""
        return self.name.split(".")[0]


@cache
def modules() -> dict[str, Module]:
    """Every module of the packages by dotted name; a package itself stands under the package's name."""
    found = {}
    for package in PACKAGES:
        for path in sorted((PROJECT / package).rglob("*.py")):
            parts = path.relative_to(PROJECT).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            text = path.read_text(encoding="utf-8")
            found[name] = Module(name, path, text, ast.parse(text, str(path)))
    return found


def imports(module: Module) -> set[str]:
    """Every imported module, of this project or not, wherever in the file the import stands."""
    found = set()
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module.name}: relative import in line {node.lineno}"
            for alias in node.names:
                inner = f"{node.module}.{alias.name}"
                found.add(inner if inner in modules() else str(node.module))
    return found


def own_imports(module: Module) -> set[str]:
    """Imported modules of this project."""
    return {name for name in imports(module) if name in modules()}


def calls(tree: ast.AST) -> Iterator[tuple[ast.Call, str, str]]:
    """Every call with the name of what is called and what it is called on: ``lake.read()`` -> read, lake."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                owner = node.func.value
                on = owner.id if isinstance(owner, ast.Name) else getattr(owner, "attr", "")
                yield node, node.func.attr, on
            elif isinstance(node.func, ast.Name):
                yield node, node.func.id, ""


def strings(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Every string constant but docstrings, with its line."""
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings:
            yield node.lineno, node.value
