"""Five indicators as one would write them in a notebook: pandas, vehicle by vehicle, no SQL."""

from __future__ import annotations

import pandas as pd

_CARRIED = ("rpm", "speed_kmh", "coolant_degc", "load_pct", "fuel_status_b1", "ltft_b1_pct")


def five_indicators(readings: pd.DataFrame) -> pd.DataFrame:
    """up_swing_v, up_mid_share, down_spread_v, trim_pct and recovery_s of bank 1, one row a unit and day."""
    rows = [day for _, unit in readings.groupby("unit_id") for day in _of_unit(unit)]
    return pd.DataFrame(rows)


def _of_unit(unit: pd.DataFrame) -> list[dict]:
    unit = unit.sort_values("ts").copy()
    unit["trip"] = (unit["ts"].diff().dt.total_seconds().fillna(1e9) > 300).cumsum()
    days: dict[object, dict] = {}
    parts = []
    for _, trip in unit.groupby("trip"):
        trip = trip.copy()
        for name in _CARRIED:
            trip[name] = trip[name].ffill(limit=60)
        trip["run_s"] = (trip["ts"] - trip["ts"].iloc[0]).dt.total_seconds()
        overrun = (trip["speed_kmh"] > 20) & (trip["rpm"] > 1100) & (trip["load_pct"] < 25)
        trip["cut"] = overrun & (trip["fuel_status_b1"] == 4)
        trip["cut_at"] = trip["ts"].where(trip["cut"]).ffill()
        trip["since_cut_s"] = (trip["ts"] - trip["cut_at"]).dt.total_seconds()
        trip["warm"] = (trip["coolant_degc"] >= 70) & (trip["run_s"] >= 120)
        parts.append(trip)
        for number, event in trip.groupby((trip["cut"] & ~trip["cut"].shift(fill_value=False)).cumsum()):
            back = event[(event["since_cut_s"] > 0) & (event["o2_b1s2_v"] > 0.5)]
            if number and event["warm"].all() and len(back):
                days.setdefault(event["day"].iloc[0], {}).setdefault("recoveries", []).append(
                    back["since_cut_s"].iloc[0]
                )
    whole = pd.concat(parts)
    usable = whole[whole["warm"] & whole["fuel_status_b1"].isin((2, 16)) & ~(whole["since_cut_s"] < 5)]
    made = []
    for day, rows in usable.groupby("day"):
        front = rows["o2_b1s1_v"].dropna()
        recoveries = pd.Series(days.get(day, {}).get("recoveries", []), dtype=float)
        made.append({
            "unit_id": rows["unit_id"].iloc[0], "day": day,
            "up_swing_v": front.quantile(0.95) - front.quantile(0.05),
            "up_mid_share": front.between(0.3, 0.6).mean(),
            "down_spread_v": rows.loc[~(rows["since_cut_s"] < 30), "o2_b1s2_v"].std(),
            "trim_pct": (rows["stft_b1_pct"] + rows["ltft_b1_pct"].fillna(0)).mean(),
            "recovery_s": recoveries.median(),
        })  # fmt: skip
    return made
