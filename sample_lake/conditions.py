"""From severities on a day to the numbers the sensor, catalyst and fuelling models run on."""

from __future__ import annotations

import numpy as np

from sample_lake.faults import AIR_METER, Confounder, Fault
from sample_lake.fleet import Unit
from sample_lake.physics import Physics

NAMES = (
    "gas_lag_s",
    "lag_rise_s",
    "lag_fall_s",
    "rich_v",
    "lean_v",
    "shift_v",
    "shift_lambda",
    "stuck_v",
    "gain",
    "erratic",
    "unity",
    "heater",
    "heater_lift_k",
    "heater_time_s",
    "rear_rise_s",
    "rear_fall_s",
    "rear_rich_v",
    "rear_stuck_v",
    "rear_heater",
    "rear_heater_time_s",
    "storage_g",
    "leak",
    "light_off_degc",
    "error_all",
    "error_idle",
    "error_high",
    "false_air",
    "misfire_rate",
    "open_loop_fault",
    "long_trim_idle",
    "long_trim_load",
    "exhaust_volume_l",
    "dead_s",
)
"""One bank's condition; `stuck_v` and `rear_stuck_v` are NaN when the sensor moves."""

LEARNING_DAYS = 4.0


def bank_condition(
    unit: Unit,
    bank: int,
    day: float,
    faults: list[Fault],
    confounders: list[Confounder],
    sensor_code: bool,
    physics: Physics,
    rng: np.random.Generator,
) -> dict[str, float]:
    """Condition of one bank on a day (keys: `NAMES`).

    `sensor_code` says that the control unit has confirmed an upstream circuit fault and runs open loop.
    """
    base = unit.banks[bank]
    cond = {
        **{
            name: base[name]
            for name in (
                "gas_lag_s",
                "rich_v",
                "lean_v",
                "rear_rich_v",
                "heater_lift_k",
                "heater_time_s",
                "rear_heater_time_s",
                "leak",
                "storage_g",
                "light_off_degc",
                "exhaust_volume_l",
            )
        },
        "lag_rise_s": base["electrode_lag_s"] * (1 + physics.lag_asymmetry),
        "lag_fall_s": base["electrode_lag_s"] * (1 - physics.lag_asymmetry),
        "dead_s": physics.sensor_dead_s,
        "shift_v": 0.0,
        "shift_lambda": 0.0,
        "stuck_v": np.nan,
        "gain": 1.0,
        "erratic": 0.0,
        "unity": 0.0,
        "heater": 1.0,
        "rear_rise_s": base["rear_lag_s"],
        "rear_fall_s": base["rear_lag_s"],
        "rear_stuck_v": np.nan,
        "rear_heater": 1.0,
        "open_loop_fault": float(sensor_code),
    }
    for fault in faults:
        if fault.bank == bank:
            _apply(cond, fault, fault.severity(day), unit.family.upstream == "wide_range", physics, rng)
    errors = _fuel_errors(unit, bank, day, confounders, physics, rng)
    cond.update(errors)
    # The control unit has learnt what was there some days ago, and takes a sensor's shift for fuel error.
    past = _fuel_errors(unit, bank, day - LEARNING_DAYS, confounders, physics, np.random.default_rng(0))
    cond["long_trim_idle"] = _learnt(
        past["error_all"] + past["error_idle"] + past["false_air"], cond, physics
    )
    cond["long_trim_load"] = _learnt(
        past["error_all"] + 0.15 * (past["error_idle"] + past["false_air"]), cond, physics
    )
    return cond


def _learnt(error: float, cond: dict[str, float], physics: Physics) -> float:
    limit = physics.long_trim_limit
    if cond["stuck_v"] < 0.4:
        return limit
    if cond["stuck_v"] > 0.5:
        return -limit
    if cond["rich_v"] + cond["shift_v"] < 0.46:
        return limit
    return float(np.clip(error + cond["shift_lambda"], -limit, limit))


def _apply(
    cond: dict[str, float],
    fault: Fault,
    severity: float,
    wide: bool,
    physics: Physics,
    rng: np.random.Generator,
) -> None:
    if severity <= 0.0:
        return
    if fault.place == "catalyst":
        cond["storage_g"] *= np.exp(-physics.storage_decay * severity)
        cond["leak"] = min(0.92, cond["leak"] + physics.leak_growth * severity**2)
        cond["light_off_degc"] += physics.light_off_rise_k * severity
    elif fault.place == "downstream":
        _apply_downstream(cond, fault, severity, physics, rng)
    elif wide:
        _apply_wide(cond, fault, severity, physics, rng)
    else:
        _apply_narrow(cond, fault, severity, physics, rng)


def _heater_works(severity: float, rng: np.random.Generator) -> float:
    """A heater wire breaks intermittently first: it works on a share of starts that falls with severity."""
    return float(rng.random() > severity**2)


def _apply_downstream(
    cond: dict[str, float], fault: Fault, severity: float, physics: Physics, rng: np.random.Generator
) -> None:
    if fault.mode == "slow":
        cond["rear_rise_s"] += physics.slow_rear_lag_s * severity * (1 + fault.skew / 2)
        cond["rear_fall_s"] += physics.slow_rear_lag_s * severity * (1 - fault.skew / 2)
        cond["rear_rich_v"] -= 0.06 * severity
    elif fault.mode == "heater":
        cond["rear_heater"] = _heater_works(severity, rng)
    else:
        stuck = {"dead_open": physics.float_v, "stuck_low": 0.08, "stuck_high": 0.88}[fault.mode]
        cond["rear_stuck_v"] = stuck + physics.stuck_spread_v * fault.skew


def _apply_wide(
    cond: dict[str, float], fault: Fault, severity: float, physics: Physics, rng: np.random.Generator
) -> None:
    if fault.mode == "slow":
        cond["gas_lag_s"] += physics.slow_wide_lag_s * severity
        cond["dead_s"] += physics.slow_dead_s * severity
    elif fault.mode == "gain_loss":
        cond["gain"] = max(0.3, 1 - physics.gain_loss * severity)
    elif fault.mode in ("bias_lean", "bias_rich"):
        cond["shift_lambda"] = physics.bias_lambda * severity * (1 if fault.mode == "bias_lean" else -1)
    elif fault.mode == "erratic":
        cond["erratic"] = severity
    elif fault.mode == "heater":
        cond["heater"] = _heater_works(severity, rng)
    else:
        cond["unity"] = 1.0


def _apply_narrow(
    cond: dict[str, float], fault: Fault, severity: float, physics: Physics, rng: np.random.Generator
) -> None:
    if fault.mode == "slow":
        cond["gas_lag_s"] += physics.slow_gas_lag_s * severity
        cond["dead_s"] += physics.slow_dead_s * severity
        cond["lag_rise_s"] += physics.slow_electrode_lag_s * severity * (1 + fault.skew)
        cond["lag_fall_s"] += physics.slow_electrode_lag_s * severity * (1 - fault.skew)
    elif fault.mode == "low_amplitude":
        cond["rich_v"] -= physics.amplitude_loss_v * severity
        cond["lean_v"] += 0.06 * severity
    elif fault.mode in ("bias_lean", "bias_rich"):
        sign = 1 if fault.mode == "bias_lean" else -1
        cond["shift_lambda"] = sign * physics.bias_lambda * severity
        cond["shift_v"] = -sign * physics.bias_v * severity
    elif fault.mode == "heater":
        cond["heater"] = _heater_works(severity, rng)
    else:
        stuck = {"stuck_low": 0.06, "stuck_mid": physics.float_v, "stuck_high": 0.92}[fault.mode]
        cond["stuck_v"] = stuck + physics.stuck_spread_v * fault.skew


def air_reading(kind: str, severity: float, physics: Physics) -> float:
    """Measured over true air mass flow of a meter that reads low or high, at a severity of 0 to 1."""
    return 1.0 + physics.air_meter_error * severity * (1 if kind == "maf_high" else -1)


def _fuel_errors(
    unit: Unit,
    bank: int,
    day: float,
    confounders: list[Confounder],
    physics: Physics,
    rng: np.random.Generator,
) -> dict[str, float]:
    """Lambda error of the uncorrected mixture by operating point; positive is lean."""
    errors = {
        "error_all": unit.banks[bank]["fuel_error"] + rng.normal(0.0, 0.006),
        "error_idle": 0.0,
        "error_high": 0.0,
        "false_air": 0.0,
        "misfire_rate": 0.0,
    }
    for confounder in confounders:
        severity = confounder.severity(day) * physics.confounder_strength
        if severity == 0.0 or confounder.bank not in (-1, bank):
            continue
        if confounder.kind == "vacuum_leak":
            errors["error_idle"] += 0.20 * severity
        elif confounder.kind == "exhaust_leak":
            errors["false_air"] += 0.11 * severity
        elif confounder.kind == "misfire":
            errors["misfire_rate"] += 0.6 * severity
        elif confounder.kind == "weak_fuel_pump":
            errors["error_high"] += 0.25 * severity
        elif confounder.kind in AIR_METER:
            # The control unit meters fuel for the air it believes in.
            errors["error_all"] += 1.0 / air_reading(confounder.kind, severity, physics) - 1.0
        elif confounder.kind == "running_rich":
            errors["error_idle"] -= 0.16 * severity
            errors["error_all"] -= 0.03 * severity
    return errors
