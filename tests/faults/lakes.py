"""Small lakes and small exports for tests of the ingest stage."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from pipeline.ingest import IngestSummary, ingest
from pipeline.lake import Lake
from pipeline.settings import Settings
from pipeline.tables import table

ARRIVED = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
DATA_TABLES = ("readings", "codes", "onboard_tests", "register", "work_orders")

READINGS = (
    "unit_id,ts,rpm,coolant_degc,o2_b1s1_v\n"
    "V1,2026-01-05T08:00:00Z,800,90,0.45\n"
    "V1,2026-01-05T08:00:01Z,820,,0.1\n"
    "V2,2026-01-05T08:00:00Z,,88,\n"
)


def fleet(folder: Path, **values: object) -> tuple[Settings, Lake]:
    """Settings and lake of an empty fleet in ``folder``."""
    settings = Settings(lake=str(folder / "lake"), **{"buckets": 2} | values)
    return settings, Lake(settings.lake)


def run(
    settings: Settings, lake: Lake, *paths: Path, at: datetime = ARRIVED, vin_key: str | None = None
) -> IngestSummary:
    """One ingest run that holds the lake."""
    with lake.lock("ingest", at.isoformat()):
        return ingest(settings, lake, list(paths), at, vin_key=vin_key)


def write(path: Path, text: str | bytes) -> Path:
    """A file with exactly this content."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode("utf-8") if isinstance(text, str) else text)
    return path


def content(lake: Lake, name: str) -> pl.DataFrame:
    """A table in its sort order without the columns that say where a row came from."""
    return lake.read(name).drop(table(name).provenance)


def contents(lake: Lake) -> dict[str, pl.DataFrame]:
    """Every data table without provenance."""
    return {name: content(lake, name) for name in DATA_TABLES}


def one(summary: IngestSummary) -> dict[str, object]:
    """The summary's only line."""
    assert summary.files.height == 1
    return summary.files.row(0, named=True)


def rejects(lake: Lake) -> list[tuple[int, str, str, str]]:
    """Quarantine as (line, scope, column, value)."""
    return lake.read("quarantine").select("line", "scope", "column", "value").rows()


def reasons(lake: Lake) -> str:
    """Every reason in quarantine, in one text."""
    return "\n".join(lake.read("quarantine")["reason"])
