"""Imports point downward, have no cycle, and each engine has one door."""

from __future__ import annotations

import graphlib

import pytest

from tests.architecture.source import imports, modules, own_imports

# From the ground up; a module imports only its own layer or a lower one. "x.*" is a package.
LAYERS = (
    ("declarations", ("errors", "settings", "signals", "tables", "limits")),
    (
        "ground and maths",
        (
            "models.*", "lake", "store", "objects", "partfiles", "shards", "sampled", "query", "facts", "known", "closed", "components",
            "prognosis", "datawatch", "strangers", "exports.*", "report.*",
        ),
    ),
    ("stages", ("ingest", "derive", "assess", "rank", "checks", "quarantine", "restore", "thinning", "retrain", "backtest", "returned", "runs", "alerts")),
    ("edge", ("cli", "flows", "console", "arrivals", "whatif", "layout_cli", "jobs", "coverage", "quiet", "ops_cli", "spread", "artifacts", "unchanged", "alarms")),
)
STAGES = tuple(f"pipeline.{name}" for name in dict(LAYERS)["stages"])
COUNTED = sorted(name for name in modules() if not name.startswith("sample_lake") and modules()[name].text)


def layer_of(name: str) -> int:
    """Index of the layer of a module, 0 at the bottom."""
    plain = name.removeprefix("pipeline.")
    for index, (_, members) in enumerate(LAYERS):
        for member in members:
            if plain == member or (member.endswith(".*") and plain.startswith(member[:-1])):
                return index
    raise AssertionError(f"{name} is in no layer: put it into LAYERS of {__name__}")


@pytest.mark.parametrize("name", COUNTED)
def test_imports_point_downward(name):
    upward = {
        other for other in own_imports(modules()[name]) if modules()[other].text and _higher(other, name)
    }
    assert not upward


def _higher(other: str, name: str) -> bool:
    if other.startswith("sample_lake"):
        return layer_of(name) < len(LAYERS) - 1  # only the edge runs the simulator
    return layer_of(other) > layer_of(name)


def test_every_member_of_a_layer_exists():
    for _, members in LAYERS:
        for member in members:
            wanted = member.removesuffix(".*")
            assert any(name in (wanted, f"pipeline.{wanted}") for name in modules()), member


@pytest.mark.parametrize("stage", STAGES)
def test_stages_never_import_each_other(stage):
    assert not own_imports(modules()[stage]) & (set(STAGES) - {stage})


def test_there_is_no_import_cycle():
    graph = {name: own_imports(module) for name, module in modules().items()}
    order = list(graphlib.TopologicalSorter(graph).static_order())
    assert set(order) >= set(modules())


@pytest.mark.parametrize("package", ["models", "sample_lake"])
def test_the_maths_and_the_simulator_stand_alone(package):
    for module in modules().values():
        if module.package == package:
            assert {name.split(".")[0] for name in own_imports(module)} <= {package}, module.name


@pytest.mark.parametrize(
    ("library", "doors"),
    [
        ("duckdb", {"pipeline.query"}),
        ("prefect", {"pipeline.flows"}),
        ("prefect_dask", {"pipeline.flows"}),
        ("distributed", {"pipeline.spread"}),
        ("typer", {"pipeline.cli", "pipeline.layout_cli", "pipeline.ops_cli"}),
        ("deltalake", {"pipeline.lake", "pipeline.objects", "pipeline.partfiles"}),
    ],
)
def test_each_engine_has_one_door(library, doors):
    users = {
        name for name, module in modules().items() if any(_of(library, used) for used in imports(module))
    }
    assert users == doors


def test_only_the_lake_knows_where_it_lies():
    users = {name for name, module in modules().items() if own_imports(module) & {"pipeline.store", "pipeline.objects"}}
    assert users == {"pipeline.lake", "pipeline.objects"}


def _of(library: str, used: str) -> bool:
    return used == library or used.startswith(f"{library}.")
