"""What a judgement rests on, table by table, as titled sections of terminal text.

Each function takes rows of one table and gives what :func:`pipeline.report.words.to_text` lays out.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

import polars as pl
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from models.words import mode_words
from pipeline.lake import Lake
from pipeline.report.rests import file_name
from pipeline.report.words import Indicator, number, plain, window

DAYS = 5  # newest days of indicators shown
TRIPS = 8
SPANS = 10
CODES = 20
ORDERS = 10


def _section(title: str, columns: list[str], rows: list[list[str]], nothing: str) -> list:
    """A titled table; columns that begin with ``>`` are set to the right."""
    if not rows:
        return ["", title, f"  {nothing}"]
    grid = Table(box=None, padding=(0, 2, 0, 0), show_edge=False, pad_edge=False)
    for column in columns:
        grid.add_column(
            column.removeprefix(">"), justify="right" if column.startswith(">") else "left", overflow="fold"
        )
    for row in rows:
        grid.add_row(*(Text(cell) for cell in row))
    return ["", title, Padding(grid, (0, 0, 0, 2))]


def _more(frame: pl.DataFrame, shown: int) -> str:
    return f" (newest {shown} of {frame.height})" if frame.height > shown else ""


def findings_section(frame: pl.DataFrame) -> list:
    """Findings, strongest 28 days on first."""
    rows = [
        [
            row["component"],
            mode_words(row["mode"]),
            f"{row['strength']:.2f}",
            f"{row['strength_28d']:.2f}",
            row["indicator"],
            window(row["window_from"], row["window_to"]),
            plain(row["evidence"]),
        ]
        for row in frame.sort("strength_28d", descending=True).iter_rows(named=True)
    ]
    columns = ["part", "mode", ">strength", ">in 28 d", "loudest", "window", "evidence"]
    return _section("Findings (strength: 0 healthy, 1 at the limit)", columns, rows, "no finding")


def trends_section(frame: pl.DataFrame, words: dict[str, Indicator]) -> list:
    """Level, own past, peers, limit and slope of each indicator."""
    rows = []
    for row in frame.sort("strength_28d", descending=True, nulls_last=True).iter_rows(named=True):
        unit = words[row["indicator"]].unit if row["indicator"] in words else ""
        slope = "not known" if row["slope_per_week"] is None else f"{row['slope_per_week']:+.2g}"
        if row["slope_low"] is not None and row["slope_high"] is not None:
            slope += f" ({row['slope_low']:+.2g} to {row['slope_high']:+.2g})"
        peers = (
            f"{number(row['peer_median'])} of {row['peers']}" if row["peer_median"] is not None else "none"
        )
        rows.append(
            [
                row["component"],
                row["indicator"],
                unit,
                number(row["level"]),
                number(row["baseline"]),
                peers,
                number(row["limit"]) if row["limit"] is not None else "none",
                slope,
                str(row["weeks"]),
            ]
        )
    columns = [
        "part",
        "indicator",
        "unit",
        ">level",
        ">own past",
        ">peers",
        ">limit",
        ">slope a week",
        ">weeks",
    ]
    return _section("Trends (slope with its 90 % interval)", columns, rows, "no trend")


def days_section(frame: pl.DataFrame, words: dict[str, Indicator]) -> list:
    """Indicators of the newest days."""
    days = frame["day"].unique().sort(descending=True)[:DAYS]
    rows = [
        [
            str(row["day"]),
            row["component"],
            row["indicator"],
            number(row["value"], words[row["indicator"]].unit if row["indicator"] in words else ""),
            str(row["samples"]),
        ]
        for row in frame.filter(pl.col("day").is_in(days.implode()))
        .sort(["day", "component", "indicator"], descending=[True, False, False])
        .iter_rows(named=True)
    ]
    columns = ["day", "part", "indicator", ">value", ">samples"]
    title = f"Indicators by day{' (newest days)' if frame['day'].n_unique() > DAYS else ''}"
    return _section(title, columns, rows, "no indicator day")


def glossary_section(indicators: pl.Series, words: dict[str, Indicator]) -> list:
    """Names of indicators and the quantities they stand for."""
    named = [[name, words[name].quantity] for name in indicators.unique().sort() if name in words]
    return _section("Indicators in words", ["indicator", "quantity"], named, "none") if named else []


def trips_section(frame: pl.DataFrame, zone: ZoneInfo) -> list:
    """The newest trips, in the fleet's time zone."""
    rows = [
        [
            f"{row['started_at'].astimezone(zone):%Y-%m-%d %H:%M}",
            f"{row['ended_at'].astimezone(zone):%H:%M}",
            str(row["readings"]),
            number(row["interval_s"]),
            number(row["distance_km"]),
            number(row["start_coolant_degc"]),
            number(row["warm_s"]),
            number(row["closed_loop_s"]),
            number(row["cuts"]),
        ]
        for row in frame.sort("started_at", descending=True).head(TRIPS).iter_rows(named=True)
    ]
    columns = [
        "from",
        "to",
        ">readings",
        ">step s",
        ">km",
        ">coolant degC",
        ">warm s",
        ">closed loop s",
        ">cuts",
    ]
    return _section(f"Trips{_more(frame, TRIPS)}, {zone.key}", columns, rows, "no trip")


def spans_section(lake: Lake, frame: pl.DataFrame) -> list:
    """Which lines of which export files hold the newest days."""
    newest = frame.sort(["day", "export_id", "first_line"], descending=[True, False, False]).head(SPANS)
    exports = lake.read("exports", pl.col("export_id").is_in(newest["export_id"].to_list()))
    joined = newest.join(
        exports.select("export_id", "file"), on="export_id", how="left", maintain_order="left"
    )
    rows = [
        [
            str(row["day"]),
            file_name(row["file"]) if row["file"] is not None else "export missing from the ledger",
            f"{row['first_line']} to {row['last_line']}",
            str(row["rows"]),
            row["export_id"],
        ]
        for row in joined.iter_rows(named=True)
    ]
    title = (
        f"Lines of the export files{_more(frame, SPANS)}; a CSV header is line 1, a Parquet file counts rows"
    )
    return _section(title, ["day", "file", ">lines", ">rows kept", "export"], rows, "no readings")


def codes_section(frame: pl.DataFrame, zone: ZoneInfo) -> list:
    """Trouble codes by state, first and last reading."""
    read = frame.group_by("code", "state").agg(
        first=pl.col("ts").min(), last=pl.col("ts").max(), times=pl.len()
    )
    rows = [
        [
            plain(row["code"]) or "all codes",
            plain(row["state"]),
            f"{row['first'].astimezone(zone):%Y-%m-%d}",
            f"{row['last'].astimezone(zone):%Y-%m-%d}",
            str(row["times"]),
        ]
        for row in read.sort(["last", "code", "state"], descending=[True, False, False])
        .head(CODES)
        .to_dicts()
    ]
    columns = ["code", "state", "first read", "last read", ">times"]
    return _section(f"Trouble codes{_more(read, CODES)}", columns, rows, "no code was read")


def orders_section(frame: pl.DataFrame) -> list:
    """What the workshop did and found, newest first."""
    rows = [
        [
            str(row["closed_on"]),
            plain(row["order_id"]),
            plain(row["component"]),
            plain(row["action"]),
            plain(row["finding"]).replace("_", " "),
            number(row["odometer_km"]),
            plain(row["cause"] or ""),
        ]
        for row in frame.sort(["closed_on", "order_id", "component"], descending=[True, False, False])
        .head(ORDERS)
        .iter_rows(named=True)
    ]
    columns = ["closed", "order", "part", "action", "finding", ">km", "cause"]
    return _section(f"Work orders{_more(frame, ORDERS)}", columns, rows, "no work order")
