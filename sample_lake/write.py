"""Write the exports and the truth: fixed column order, fixed formats, the same bytes for the same fleet."""

from __future__ import annotations

import csv
import gzip
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow.parquet as pq

from sample_lake.diagnostics import BoardTest
from sample_lake.fleet import Unit
from sample_lake.gateway import COLUMNS
from sample_lake.history import Order
from sample_lake.record import Logged


def moment(start: date, day: float) -> datetime:
    """Time of a fractional day since `start`, UTC, whole seconds."""
    return datetime(start.year, start.month, start.day, tzinfo=UTC) + timedelta(seconds=round(day * 86_400))


def iso(when: datetime) -> str:
    """ISO 8601 with `Z`."""
    return when.strftime("%Y-%m-%dT%H:%M:%SZ")


def day_text(start: date, day: float) -> str:
    """Date of a fractional day, or empty when it is infinite."""
    return "" if np.isinf(day) else (start + timedelta(days=int(np.floor(day)))).isoformat()


def write_csv(path: Path, header: tuple[str, ...], rows: list[tuple]) -> None:
    """One CSV file with a header, `\\n` line ends."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", newline="", encoding="utf-8") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def trip_frame(logged: Logged, start: date) -> pl.DataFrame:
    """One trip as a wide table in UTC microseconds; only signals the gateway sent have a column."""
    begin = moment(start, logged.trip.day)
    micros = int(begin.timestamp()) * 1_000_000 + np.round(logged.moments_s * 100).astype(np.int64) * 10_000
    return pl.DataFrame(
        {
            "unit_id": pl.repeat(logged.trip.unit.unit_id, len(micros), eager=True),
            "ts": pl.Series(micros).cast(pl.Datetime("us", "UTC")),
            **{name: pl.Series(values).fill_nan(None) for name, values in logged.columns.items()},
        }
    )


def write_readings(folder: Path, name: str, frames: list[pl.DataFrame], form: str) -> int:
    """Write one file of readings (`form` is parquet, csv or csv.gz) and return its number of rows."""
    table = pl.concat(frames, how="diagonal").sort("unit_id", "ts")
    table = table.select("unit_id", "ts", *[column for column in COLUMNS if column in table.columns])
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.{form}"
    if form == "parquet":
        pq.write_table(
            table.to_arrow(),
            path,
            compression="zstd",
            compression_level=9,
            use_dictionary=[column for column in table.columns if column != "ts"],
            column_encoding={"ts": "DELTA_BINARY_PACKED"},
            row_group_size=1 << 20,
        )
        return len(table)
    places = {column: 5 if column.startswith(("lambda", "pump")) else 3 for column in table.columns[2:]}
    text = table.with_columns(
        pl.col("ts").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"),
        *[pl.col(c).cast(pl.Int64) for c in table.columns if c.startswith("fuel_status") or c == "mil_on"],
        *[
            pl.col(c).cast(pl.Float64).round(n)
            for c, n in places.items()
            if not c.startswith("fuel_status") and c != "mil_on"
        ],
    ).write_csv()
    if form == "csv.gz":
        path.write_bytes(gzip.compress(text.encode(), mtime=0))
    else:
        path.write_text(text, encoding="utf-8", newline="")
    return len(table)


def write_register(path: Path, fleet: list[Unit]) -> None:
    """Vehicle register, one row a vehicle."""
    write_csv(
        path,
        (
            "unit_id",
            "engine_family",
            "model_year",
            "fuel",
            "banks",
            "upstream_sensor",
            "displacement_l",
            "depot",
            "in_service_on",
        ),
        [
            (
                u.unit_id,
                u.family.code,
                u.model_year,
                u.family.fuel,
                u.family.banks if u.family.displacement_l else "",
                u.family.upstream if u.in_scope else "",
                u.family.displacement_l or "",
                u.depot,
                u.in_service_on.isoformat(),
            )
            for u in sorted(fleet, key=lambda u: u.unit_id)
        ],
    )


def write_codes(path: Path, rows: list[tuple[str, float, str, str]], start: date) -> int:
    """Trouble codes; rows are (unit_id, day, code, state)."""
    ready = sorted((iso(moment(start, day)), unit_id, code, state) for unit_id, day, code, state in rows)
    write_csv(
        path, ("unit_id", "ts", "code", "state"), [(u, ts, code, state) for ts, u, code, state in ready]
    )
    return len(ready)


def write_board_tests(path: Path, rows: list[tuple[str, float, BoardTest]], start: date) -> int:
    """On-board test results (service $06), raw integers."""
    ready = [
        (
            unit_id,
            iso(moment(start, day)),
            f"0x{t.obdmid:02X}",
            f"0x{t.tid:02X}",
            f"0x{t.uasid:02X}",
            t.value,
            t.low,
            t.high,
        )
        for unit_id, day, t in rows
    ]
    write_csv(
        path,
        ("unit_id", "ts", "obdmid", "tid", "uasid", "value", "min", "max"),
        sorted(ready, key=lambda row: (row[1], row[0], row[2], row[3])),
    )
    return len(ready)


def write_orders(path: Path, orders: list[Order], start: date, days: int) -> int:
    """Work orders whose paper was closed within the horizon, numbered by closing date."""
    closed = sorted(
        (o for o in orders if o.closed_day < days),
        key=lambda o: (o.closed_day, o.unit.unit_id, o.component, o.cause),
    )
    write_csv(
        path,
        (
            "order_id",
            "unit_id",
            "closed_on",
            "odometer_km",
            "component",
            "action",
            "finding",
            "cause",
            "parts_cost",
            "labour_h",
        ),
        [
            (
                f"WO{number:06d}",
                o.unit.unit_id,
                day_text(start, o.closed_day),
                round(o.unit.odometer_km + o.unit.km_per_week * o.day / 7),
                o.component,
                o.action,
                o.finding,
                o.cause,
                f"{o.parts_cost:.2f}",
                f"{o.labour_h:.1f}",
            )
            for number, o in enumerate(closed, start=4001)
        ],
    )
    return len(closed)
