"""Parameter ranges of the invented fleet's engines, sensors and catalysts.

Every range is (low, high) and a vehicle draws one value from it, so a study can shift or widen a range with
`dataclasses.replace(Physics(), oxygen_storage_g=(0.4, 0.7))`. A figure without a note beside it is
from memory too.
"""

from __future__ import annotations

from dataclasses import dataclass

Range = tuple[float, float]

OXYGEN_MASS_FRACTION = 0.232
"""Mass fraction of oxygen in dry air (standard atmosphere composition)."""

PUMP_CURRENT_MA = (
    -2.0,
    -1.602,
    -1.243,
    -0.927,
    -0.652,
    -0.405,
    -0.183,
    -0.04,
    0.0,
    0.015,
    0.097,
    0.193,
    0.329,
    0.671,
    0.938,
    1.385,
    2.0,
    2.25,
    2.54,
)
PUMP_LAMBDA = (
    0.65,
    0.7,
    0.75,
    0.8,
    0.85,
    0.9,
    0.95,
    0.99,
    1.003,
    1.01,
    1.05,
    1.1,
    1.179,
    1.429,
    1.701,
    2.434,
    5.391,
    10.119,
    1e6,
)
"""Pump current of one common planar five-wire sensor over lambda, new: supplier product information.

The last node is free air (20.95 % oxygen, 2.54 mA).
"""

LAMBDA_CEILING = 65535 * 2 / 65536
"""Largest lambda a service $01 wide-range PID can carry (SAE J1979, Annex B)."""


@dataclass(frozen=True)
class Physics:
    """Ranges the fleet is drawn from; units are in the names.

    A fault's severity is 0 at onset and 1 where the part is truly bad; `*_per_severity` says what one unit
    does.
    """

    # Lambda control. The delay is combustion and gas travel: Kiencke & Nielsen, Automotive Control Systems.
    step_s: float = 0.05
    delay_cycles: Range = (1.0, 1.5)
    exhaust_volume_l: Range = (0.9, 1.9)
    integrator_travel: Range = (0.019, 0.027)  # trim moved in one nominal delay + 0.12 s; from memory
    jump_share: Range = (0.25, 0.50)  # jump, as a share of the ramp in one delay; from memory
    short_trim_limit: float = 0.20  # common practice: 20 to 25 %
    long_trim_limit: float = 0.20
    long_trim_time_s: float = 90.0
    dither_lambda: Range = (0.010, 0.022)  # forced, 1 to 3 %; from memory
    dither_hz: Range = (0.6, 1.6)
    fuel_error: float = 0.025  # standard deviation between vehicles; from memory
    mixture_noise: float = 0.004

    # Conventional sensor: plateaus and switch point are common practice.
    rich_plateau_v: Range = (0.84, 0.90)
    lean_plateau_v: Range = (0.07, 0.12)
    sigmoid_width: float = 0.0019  # in lambda; from memory
    gas_lag_s: Range = (0.03, 0.06)
    electrode_lag_s: Range = (0.03, 0.065)  # 600 to 300 mV in 30 to 60 ms; from memory
    closed_loop_wait_s_per_k: Range = (
        0.35,
        0.95,
    )  # below 45 degC coolant; common practice: 20 to 90 s at 20 degC
    active_degc: float = 340.0  # usable above 300 to 350 degC; SAE congress paper of 1979
    heater_lift_k: Range = (380.0, 460.0)
    heater_time_s: Range = (8.0, 28.0)  # active after 8 to 40 s; common practice
    wide_heater_time_s: Range = (5.0, 9.0)
    rear_lag_s: Range = (0.06, 0.13)
    wide_lag_s: Range = (0.06, 0.12)  # 63 % in about 0.1 s or less; from memory

    # Catalyst: storage figures from memory (wide spread); one state, after Brandt, Wang, Grizzle (2000).
    oxygen_storage_g: Range = (0.85, 1.40)
    leak_share: Range = (0.010, 0.028)
    light_off_degc: Range = (250.0, 300.0)
    purge_lambda: float = 0.955
    purge_air_g: Range = (32.0, 46.0)  # rich for this much air after overrun, 1 to 12 s; from memory

    # Engine and surroundings.
    cut_enter_rpm: float = 1500.0
    cut_leave_rpm: float = 1250.0
    enrichment_load_pct: float = 84.0
    enrichment_lambda: float = 0.88
    thermostat_degc: Range = (86.0, 94.0)
    ambient_mean_degc: float = 9.0
    ambient_swing_k: float = 9.0  # yearly; coldest in mid-January
    supply_v: Range = (13.7, 14.4)

    # What one unit of severity does (invented: a factor of 3 or more over a new part at severity 1).
    slow_gas_lag_s: float = 0.25
    slow_electrode_lag_s: float = 0.40
    slow_wide_lag_s: float = 0.70
    slow_rear_lag_s: float = 3.0
    amplitude_loss_v: float = 0.36
    bias_lambda: float = 0.030
    bias_v: float = 0.08
    gain_loss: float = 0.16
    storage_decay: float = 1.90  # storage falls with exp(-this * severity)
    leak_growth: float = 0.50
    air_meter_error: float = 0.15  # a fouled meter reads 10 to 25 % low; common practice
    light_off_rise_k: float = 70.0  # aged parts light off 50 to 100 K later; from memory

    # How often things happen (invented, far above any real fleet so that a small sample holds enough cases).
    failures_per_unit_week: float = 11.0 / 640
    ageing_share: float = 0.12
    confounder_share: float = 0.23
    code_never_share: float = 0.18
    wrong_part_share: float = 0.24
    repair_never_share: float = 0.15
    repair_wait_weeks: Range = (0.7, 5.0)

    # What other invented worlds vary and the demo keeps still; see `worlds`.
    store: str = "one_state"  # or two_reservoirs
    sensor: str = "first_order"  # or dead_time
    controller: str = "relay"  # or graded
    sensor_dead_s: float = 0.0
    slow_dead_s: float = 0.0
    lag_asymmetry: float = 0.0  # rising edge longer by this share, falling edge shorter
    sensor_noise_v: float = 0.004
    float_v: float = 0.45  # cold or open input, and where the control unit switches; common practice
    rear_target_v: float = 0.68
    wide_integral: float = 0.35
    wide_proportional: float = 0.25
    lambda_ceiling: float = LAMBDA_CEILING
    gas_offset_k: float = 0.0
    storage_ageing: float = 0.0  # healthy storage falls with exp(-this * odometer / 100,000 km)
    lag_ageing: float = 0.0  # healthy sensor lags grow by this share in 100,000 km
    stuck_spread_v: float = 0.0
    confounder_strength: float = 1.0
    code_severity: Range = (1.0, 1.35)
    catalyst_code_late: float = 0.0  # added to the severity from which P0420 and P0430 set
    catalyst_code_never_share: float = 0.0
