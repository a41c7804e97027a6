"""A small lake with a made list, hostile names included, for the tests of what people see."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.lake import Lake
from pipeline.tables import table

WEEK = date(2026, 3, 2)
MONDAYS = [WEEK - timedelta(weeks=n) for n in range(12, 0, -1)]
ARRIVED = datetime(2026, 3, 1, 18, 30, tzinfo=UTC)
SCRIPT = "<script>alert(1)</script>"
ESCAPES = "esc\x1b[31m\u202eevil\nline"
LONG = "L" * 300
# unit_id, component, mode, probability, saving, list_rank
LISTED = [
    ("V-0042", "B1S1", "slow", 0.7312, 412.344, 1),
    (SCRIPT, "CAT1", "storage", 0.5, 350.0, 2),
    ("=1+1", "B1S2", "stuck", 0.41, 120.5, 3),
    ("-x", "B2S1", "heater", 0.999, 60.0, 4),
    ("Grün 車両 7", "B2S2", "", 0.004, 5.0, 5),
    ("[bold]+1[/bold]", "B1S1", "weak", 0.35, 4.0, 6),
]
# unit_id, component, probability, what keeps it off the list
COMING = [("V-0042", "B2S2", 0.12, "evidence"), (SCRIPT, "B1S1", 0.6, "bay"), (LONG, "CAT2", 0.25, "evidence"), ("V-0044", "CAT1", 0.4, "saving")]
HELD = [("@SUM(A1)", "B1S1", 7), ("V-0042", "CAT1", 8)]
NOT_JUDGED = [("\tTab", "B1S1"), ("V-0042", "B1S2"), (LONG, "B1S1"), (ESCAPES, "B1S1")]
OUT = [("E-1", ""), ("E-2", "")]
UNREGISTERED = "Grün 車両 7"


def rows_of(name: str, rows: list[dict]) -> pl.DataFrame:
    """Rows as a frame of a declared table; what a row leaves out is null."""
    schema = table(name).schema
    return pl.DataFrame([{column: row.get(column) for column in schema} for row in rows], schema=schema)


def ranked_rows(series: str = "issued", coming: bool = False) -> list[dict]:
    """Rows of ``ranked``: listed, judged but not listed, held, not judged and out of scope; on the way if asked for."""
    base = {
        "series": series,
        "week_start": WEEK,
        "depot": "North",
        "engine_family": "F2",
        "part": "upstream",
        "kind": "narrowband",
        "mode": "",
        "why": "",
        "rule_out_first": "",
        "reason": "",
        "judged_by": "",
        "action": "",
    }
    rows = []
    for unit, component, mode, probability, saving, place in LISTED:
        words = {
            "status": "judged",
            "mode": mode,
            "probability": probability,
            "probability_7d": probability / 2,
            "window_from": WEEK,
            "window_to": WEEK + timedelta(days=28),
            "why": "share of closed-loop readings between 0.30 and 0.60 V at 0.42 against a limit of 0.45, "
            "rising for 9 weeks; its peers stand at 0.16",
            "rule_out_first": "exhaust leak ahead of the sensor; supply below 12.2 V <b>when idling</b>",
            "judged_by": "limits and trends",
            "action": "Confirm the upstream sensor of bank 1 (slow response); have the part ready",
            "wait_cost": saving + 88,
            "act_cost": 88.0,
            "expected_saving": saving,
            "saving_low": saving - 60,
            "saving_high": saving + 40,
            "rank": place,
            "list_rank": place,
        }
        rows.append(base | {"unit_id": unit, "component": component} | words)
    rows[4] |= {
        "depot": "",
        "engine_family": "",
        "window_from": None,
        "window_to": None,
        "rule_out_first": "",
    }
    rows.append(
        base
        | {"unit_id": "V-0043", "component": "B1S1", "status": "judged", "probability": 0.01, "rank": 9}
        | {"judged_by": "limits and trends", "wait_cost": 1.0, "act_cost": 31.0, "expected_saving": -30.0}
    )
    for unit, component, place in HELD:
        reason = "trim of bank 1 at +14 %: fuelling comes first"
        why = "little storage"
        rows.append(
            base
            | {
                "unit_id": unit,
                "component": component,
                "status": "held",
                "reason": reason,
                "why": why,
                "rank": place,
            }
        )
    for unit, component in NOT_JUDGED:
        reason = "no upstream voltage was sampled; log o2_b1s1_v at 60 s or faster"
        rows.append(
            base | {"unit_id": unit, "component": component, "status": "not_judged", "reason": reason}
        )
    for unit, component in OUT:
        reason = "electric: burns no fuel"
        rows.append(
            base | {"unit_id": unit, "component": component, "status": "out_of_scope", "reason": reason}
        )
    for unit, component, probability, waits in COMING if coming else ():
        rows.append(
            base
            | {"unit_id": unit, "component": component, "status": "judged", "probability": probability, "rank": len(rows)}
            | {"why": "=movement of the downstream voltage 0.118 V (limit 0.2, own past 0.03)", "judged_by": "limits and trends"}
            | {"wait_cost": 1.0, "act_cost": 31.0, "expected_saving": -30.0, "waits_for": waits}
        )
    return rows


def weeks_frame() -> pl.DataFrame:
    """Weekly values of the loudest indicators, with a gap of two weeks."""
    rows = []
    for unit, component, mode, *_ in LISTED:
        indicator = _indicator(mode)
        for place, monday in enumerate(MONDAYS):
            if place not in (4, 5):
                value = 0.12 + 0.025 * place if mode != "stuck" else 0.4
                rows.append(
                    {"unit_id": unit, "component": component, "data_week": monday, "indicator": indicator}
                )
                rows[-1] |= {"value": value, "samples": 900, "days": 5}
    return rows_of("indicator_weeks", rows)


def fill(folder: Path, coming: bool = False) -> Lake:
    """The lake of the tests under ``folder``, with parts on the way if asked for."""
    lake = Lake(str(folder))
    lake.append("ranked", rows_of("ranked", ranked_rows(coming=coming)))
    units = sorted({row["unit_id"] for row in ranked_rows(coming=coming)} - {UNREGISTERED})
    provenance = {"export_id": "aa11", "line": 2, "arrived_at": ARRIVED}
    lake.append(
        "register",
        rows_of(
            "register", [{"unit_id": u, "depot": "North", "engine_family": "F2"} | provenance for u in units]
        ),
    )
    lake.append("findings", rows_of("findings", _findings()))
    lake.append("trends", rows_of("trends", _trends()))
    _append_evidence(lake, provenance)
    return lake


def _indicator(mode: str) -> str:
    return {"slow": "up_mid_share", "storage": "rear_front_variance", "stuck": "down_range_v"}.get(
        mode, "up_swing_v"
    )


def _findings() -> list[dict]:
    rows = []
    for unit, component, mode, *_ in LISTED:
        if mode and mode != "heater":
            row = {
                "series": "issued",
                "week_start": WEEK,
                "unit_id": unit,
                "component": component,
                "mode": mode,
            }
            rows.append(
                row
                | {"indicator": _indicator(mode), "strength": 0.9, "strength_28d": 1.2, "evidence": "rises"}
            )
    # Quieter than the first one, so it must not be what the plot shows.
    quieter = rows[0] | {"mode": "weak", "indicator": "up_p95_v", "strength": 0.95, "strength_28d": 1.0}
    return [*rows, quieter]


def _trends() -> list[dict]:
    rows = []
    for finding in _findings():
        row = {name: finding[name] for name in ("series", "week_start", "unit_id", "component", "indicator")}
        measured = {
            "level": 0.38,
            "level_samples": 900,
            "level_week": MONDAYS[-1],
            "weeks": 10,
            "baseline": 0.14,
        }
        against = {"peer_median": 0.16, "peer_spread": 0.03, "peers": 11, "limit": 0.45}
        slope = {"slope_per_week": 0.025, "slope_low": 0.02, "slope_high": 0.03, "trend_p": 0.001}
        rows.append(
            row | measured | against | slope | {"strength": 0.9, "strength_28d": finding["strength_28d"]}
        )
    return rows


def _append_evidence(lake: Lake, provenance: dict) -> None:
    at = datetime(2026, 2, 27, 7, 15, tzinfo=UTC)
    day, unit = at.date(), "V-0042"
    readings = {"unit_id": unit, "ts": at, "day": day, "bucket": 3}
    lake.append(
        "readings", rows_of("readings", [readings | {"ts": at + timedelta(seconds=n)} for n in range(40)])
    )
    days = {
        "unit_id": unit,
        "bucket": 3,
        "month": "2026-02",
        "component": "B1S1",
        "day": day,
        "arrived_at": ARRIVED,
    }
    days |= {"indicator": "up_mid_share", "value": 0.41, "samples": 300}
    lake.append("indicator_days", rows_of("indicator_days", [days, days | {"day": WEEK, "month": "2026-03"}]))
    trip = {"unit_id": unit, "bucket": 3, "month": "2026-02", "day": day, "started_at": at, "readings": 40}
    trip |= {"ended_at": at + timedelta(minutes=50), "interval_s": 1.0, "distance_km": 31.4, "cuts": 12}
    lake.append("trips", rows_of("trips", [trip]))
    export = {
        "export_id": "aa11",
        "file": "/srv/fleet/week_09.csv",
        "kind": "readings",
        "bytes": 4000,
        "rows_in": 60,
    }
    export |= {
        "kept": 40,
        "quarantined": 15,
        "duplicates": 5,
        "signals": "rpm",
        "dropped": "",
        "arrived_at": ARRIVED,
    }
    broken = export | {
        "export_id": "bb22",
        "file": "C:\\drop\\broken.csv",
        "kind": "refused",
        "reason": "no header",
    }
    broken |= {"rows_in": 3, "kept": 1, "quarantined": 1, "duplicates": 0}
    lake.append("exports", rows_of("exports", [export, broken]))
    span = {"export_id": "aa11", "unit_id": unit, "day": day, "first_line": 12, "last_line": 51, "rows": 40}
    span |= {"first_ts": at, "last_ts": at, "arrived_at": ARRIVED}
    lake.append("export_spans", rows_of("export_spans", [span]))
    reject = {
        "export_id": "aa11",
        "file": "week_09.csv",
        "line": 7,
        "scope": "cell",
        "column": "rpm",
        "value": "fast",
    }
    reject["reason"] = "not a number; export rpm as digits"
    lake.append("quarantine", rows_of("quarantine", [reject, reject | {"line": 8}]))
    code = {"unit_id": unit, "ts": at, "code": "P0133", "state": "pending"} | provenance
    lake.append("codes", rows_of("codes", [code, code | {"ts": at + timedelta(days=1)}]))
    order = {
        "order_id": "WO-9",
        "unit_id": unit,
        "closed_on": date(2025, 6, 3),
        "component": "B1S1",
    } | provenance
    order |= {"action": "inspected", "finding": "no_fault_found", "cause": "connector \x1b[2Jcleaned"}
    lake.append("work_orders", rows_of("work_orders", [order]))
