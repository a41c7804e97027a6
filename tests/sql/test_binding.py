"""Every step binds on nothing but what its header declares, and makes exactly what tables.toml declares."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline import query
from pipeline.errors import ConfigError, QueryError
from pipeline.limits import qualify_params
from pipeline.query import SQL, Session, step
from pipeline.settings import Settings
from pipeline.tables import table, tables

STEPS = sorted(path.stem for path in SQL.glob("*.sql"))
CHECKS = sorted(f"checks/{path.stem}" for path in (SQL / "checks").glob("*.sql"))
PARAMS = qualify_params(Settings())
DAY = date(2026, 1, 5)
USING_PARAMS = [name for name in STEPS if step(name).params]


def attached(session: Session, name: str, without: str = "") -> None:
    for read in step(name).reads:
        if read != without:
            session.attach(read, table(read).empty())


@pytest.fixture
def moved_sql(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the SQL folder that the runner reads instead; steps changed in it need names of their own."""
    copy = tmp_path / "sql"
    shutil.copytree(SQL, copy)
    monkeypatch.setattr(query, "SQL", copy)
    return copy


@pytest.mark.parametrize("name", STEPS)
def test_a_step_binds_on_its_declared_reads_and_makes_the_declared_columns(name):
    made = step(name)
    with Session(PARAMS, threads=1) as session:
        attached(session, name)
        session.run(name)
        found = session.fetch(made.table)
    assert found.height == 0
    assert found.schema == table(made.table).schema


@pytest.mark.parametrize("name", CHECKS)
def test_a_check_binds_on_its_declared_reads_and_finds_nothing_in_empty_tables(name):
    with Session(PARAMS, threads=1) as session:
        attached(session, name)
        found = session.offenders(name)
    assert found.height == 0
    assert found.columns[0] == "problem"


@pytest.mark.parametrize(
    ("name", "read"), [(name, read) for name in STEPS + CHECKS for read in step(name).reads]
)
def test_a_step_fails_without_any_one_of_its_reads(name, read):
    with Session(PARAMS, threads=1) as session:
        attached(session, name, without=read)
        with pytest.raises(QueryError, match=step(name).path.name):
            session.offenders(name) if name in CHECKS else session.run(name)


@pytest.mark.parametrize("name", USING_PARAMS)
def test_a_misspelt_limit_is_a_bind_error(name, moved_sql):
    spelt = step(name).params[0]
    text = step(name).text.replace(f"params.{spelt}", f"params.{spelt}x")
    assert text != step(name).text
    (moved_sql / f"misspelt_{name}.sql").write_text(text, encoding="utf-8")
    with Session(PARAMS, threads=1) as session:
        attached(session, name)
        with pytest.raises(QueryError, match=f"{spelt}x"):
            session.run(f"misspelt_{name}")
    query.step.cache_clear()


def test_a_limit_that_is_declared_but_not_known_is_refused():
    with Session({}, threads=1) as session:
        attached(session, "15_trips")
        with pytest.raises(ConfigError, match="start_run_s"):
            session.run("15_trips")


def test_a_step_that_makes_other_columns_is_refused(moved_sql):
    text = step("65_active_codes").text.replace("count(*) as readings", "count(*) as reading")
    (moved_sql / "renamed.sql").write_text(text, encoding="utf-8")
    with Session(PARAMS, threads=1) as session:
        attached(session, "65_active_codes")
        with pytest.raises(QueryError, match=r"lacks \['readings'\], has undeclared \['reading'\]"):
            session.run("renamed")
    query.step.cache_clear()


def test_an_enum_is_held_as_places_and_comes_back_as_words():
    """Frames attached later follow it; vehicles that it does not know are left out."""
    words = pl.Enum(["V1", "V2"])
    ends = {"day": [DAY], "arrived_at": [None]}
    with Session(PARAMS, threads=1) as session:
        found = pl.DataFrame(
            {"unit_id": ["V2"], "component": ["UNIT"], "day": [DAY], "indicator": ["step_s"], "value": [1.5], "samples": [9]}
        )
        session.attach("fuel_days", found.with_columns(pl.col("unit_id").cast(words)))
        spans = pl.concat([pl.DataFrame({"unit_id": [unit]} | ends) for unit in ("V1", "V2", "V3")])
        session.attach("export_spans", spans.with_columns(pl.col("arrived_at").cast(pl.Datetime("us", "UTC"))))
        for read in step("50_indicator_days").reads:
            if read not in ("fuel_days", "export_spans"):
                session.attach(read, table(read).empty())
        session.run("50_indicator_days")
        assert session.fetch("indicator_days")["unit_id"].to_list() == ["V2"]


def test_a_header_that_lacks_a_field_is_refused(moved_sql):
    text = step("65_active_codes").text.replace("-- grain:", "-- grains:")
    (moved_sql / "headless.sql").write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match="lacks grain"):
        step("headless")
    query.step.cache_clear()


def test_a_step_that_does_not_exist_is_refused():
    with pytest.raises(ConfigError, match="no such step"):
        step("99_nothing")


def test_every_table_made_within_a_run_has_its_step():
    made = {step(name).table for name in STEPS}
    within = {name for name, declared in tables().items() if not declared.stored} - {
        "units"
    }  # units is the register
    assert within <= made
