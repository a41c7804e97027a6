"""The shift between worlds as data: what "near" draws from, and where "far" lies outside it.

A key is `section.field`, the sections being those of `worlds.World`. A far shift may lie on one side or on
both; what has no far entry is drawn from the near range in both families. Ranges are invented around the
figures noted in `physics.py`, wide enough for engines of several decades; none is a limit of any maker.
"""

from __future__ import annotations

from sample_lake.physics import Range

BOTH: dict[str, Range] = {
    "physics.delay_cycles": (0.9, 1.6),
    "physics.dither_hz": (0.6, 1.6),
    "physics.closed_loop_wait_s_per_k": (0.3, 1.0),
    "physics.active_degc": (320.0, 370.0),
    "physics.heater_lift_k": (360.0, 470.0),
    "physics.wide_heater_time_s": (4.0, 12.0),
    "physics.cut_leave_rpm": (1150.0, 1300.0),
    "physics.enrichment_lambda": (0.85, 0.92),
    "physics.enrichment_load_pct": (80.0, 90.0),
    "physics.supply_v": (13.5, 14.6),
    "physics.light_off_rise_k": (50.0, 100.0),
    "physics.slow_rear_lag_s": (2.2, 4.0),
    "physics.bias_v": (0.05, 0.10),
    "physics.stuck_spread_v": (0.0, 0.08),
    "physics.lag_asymmetry": (0.0, 0.12),
    "physics.lag_ageing": (0.0, 0.15),
    "physics.code_never_share": (0.08, 0.3),
    "physics.catalyst_code_never_share": (0.0, 0.35),
    "physics.repair_never_share": (0.08, 0.3),
    "driving.trace_share": (0.2, 0.6),
    "driving.cold_share": (0.15, 0.4),
    "driving.km_per_week": (150.0, 900.0),
    "telemetry.robin_share": (0.1, 0.35),
    "telemetry.fill_share": (0.05, 0.2),
    "workshop.test_chance": (0.4, 0.8),
    "workshop.wrong_closed_share": (0.4, 0.8),
    "workshop.clears_itself_share": (0.05, 0.2),
    "workshop.late_paper_share": (0.1, 0.5),
    "workshop.pair_share": (0.0, 0.12),
    "hazards.age_power": (0.5, 1.2),
    "hazards.misfire_damage_share": (0.2, 0.6),
    "hazards.heater_ramp_days": (4.0, 30.0),
    "hazards.worst": (1.1, 2.0),
}
"""Drawn from the same range in both families."""

SHIFTED: dict[str, tuple[Range, tuple[Range, ...]]] = {
    # Sensors
    "physics.rich_plateau_v": ((0.80, 0.92), ((0.72, 0.79), (0.93, 1.0))),
    "physics.lean_plateau_v": ((0.05, 0.14), ((0.0, 0.04), (0.15, 0.2))),
    "physics.sigmoid_width": ((0.0014, 0.0026), ((0.003, 0.0045),)),
    "physics.sensor_noise_v": ((0.002, 0.008), ((0.010, 0.018),)),
    "physics.float_v": ((0.43, 0.47), ((0.48, 0.52),)),
    "physics.gas_lag_s": ((0.025, 0.07), ((0.08, 0.12),)),
    "physics.electrode_lag_s": ((0.025, 0.07), ((0.08, 0.12),)),
    "physics.wide_lag_s": ((0.05, 0.14), ((0.16, 0.25),)),
    "physics.rear_lag_s": ((0.05, 0.15), ((0.18, 0.35),)),
    "physics.heater_time_s": ((6.0, 30.0), ((32.0, 50.0),)),
    "physics.lambda_ceiling": ((1.9, 1.99997), ((1.35, 1.7),)),
    # Control
    "physics.exhaust_volume_l": ((0.8, 2.1), ((0.4, 0.7), (2.3, 3.2))),
    "physics.integrator_travel": ((0.015, 0.030), ((0.032, 0.038),)),
    "physics.jump_share": ((0.15, 0.55), ((0.6, 0.8),)),
    "physics.dither_lambda": ((0.008, 0.022), ((0.024, 0.030),)),
    "physics.fuel_error": ((0.015, 0.030), ((0.035, 0.05),)),
    "physics.mixture_noise": ((0.003, 0.006), ((0.008, 0.012),)),
    "physics.long_trim_time_s": ((60.0, 130.0), ((180.0, 350.0),)),
    "physics.wide_integral": ((0.25, 0.45), ((0.5, 0.65),)),
    "physics.wide_proportional": ((0.15, 0.30), ((0.35, 0.45),)),
    "physics.rear_target_v": ((0.62, 0.74), ((0.54, 0.60),)),
    "physics.purge_lambda": ((0.94, 0.97), ((0.90, 0.93),)),
    "physics.purge_air_g": ((26.0, 50.0), ((10.0, 22.0), (55.0, 80.0))),
    "physics.cut_enter_rpm": ((1400.0, 1650.0), ((1310.0, 1380.0),)),
    # Catalyst, engine, weather
    "physics.oxygen_storage_g": ((0.75, 1.55), ((0.62, 0.72), (1.7, 2.4))),
    "physics.storage_ageing": ((0.05, 0.22), ((0.0, 0.03), (0.24, 0.32))),
    "physics.leak_share": ((0.008, 0.030), ((0.0, 0.006), (0.033, 0.04))),
    "physics.light_off_degc": ((240.0, 310.0), ((315.0, 345.0),)),
    "physics.gas_offset_k": ((-30.0, 30.0), ((-70.0, -40.0), (40.0, 90.0))),
    "physics.thermostat_degc": ((84.0, 96.0), ((98.0, 104.0),)),
    "physics.ambient_mean_degc": ((6.0, 14.0), ((-3.0, 3.0), (17.0, 25.0))),
    "physics.ambient_swing_k": ((6.0, 11.0), ((2.0, 5.0), (12.0, 15.0))),
    "driving.style": ((0.85, 1.2), ((1.22, 1.4),)),
    "driving.km_per_year": ((13_000.0, 22_000.0), ((7_000.0, 11_000.0), (26_000.0, 34_000.0))),
    "driving.baro_kpa": ((95.0, 103.0), ((80.0, 92.0),)),
    # What one unit of severity does
    "physics.slow_gas_lag_s": ((0.16, 0.32), ((0.36, 0.5),)),
    "physics.slow_electrode_lag_s": ((0.25, 0.50), ((0.12, 0.22),)),
    "physics.slow_wide_lag_s": ((0.45, 0.90), ((1.0, 1.4),)),
    "physics.amplitude_loss_v": ((0.28, 0.42), ((0.20, 0.26),)),
    "physics.bias_lambda": ((0.022, 0.036), ((0.015, 0.02), (0.04, 0.055))),
    "physics.gain_loss": ((0.12, 0.20), ((0.08, 0.11), (0.22, 0.28))),
    "physics.storage_decay": ((1.5, 2.3), ((2.5, 3.2),)),
    "physics.leak_growth": ((0.35, 0.60), ((0.26, 0.33), (0.65, 0.8))),
    "physics.confounder_strength": ((0.7, 1.3), ((1.4, 1.7),)),
    # How often, how fast, and what the workshop makes of it
    "physics.code_severity": ((1.0, 1.45), ((1.5, 1.8),)),
    "physics.catalyst_code_late": ((0.0, 0.3), ((0.35, 0.5),)),
    "physics.wrong_part_share": ((0.12, 0.28), ((0.32, 0.42),)),
    "physics.repair_wait_weeks": ((0.7, 6.0), ((6.5, 10.0),)),
    "workshop.unknown_share": ((0.08, 0.3), ((0.35, 0.6),)),
    "workshop.complaint_per_week": ((0.0, 0.10), ((0.14, 0.22),)),
    "workshop.nothing_found_share": ((0.0, 0.12), ((0.15, 0.25),)),
    "workshop.missing_order_share": ((0.0, 0.15), ((0.2, 0.35),)),
    "hazards.upstream_per_week": ((0.0040, 0.0085), ((0.0022, 0.0036),)),
    "hazards.downstream_per_week": ((0.0012, 0.0030), ((0.0034, 0.005),)),
    "hazards.catalyst_per_week": ((0.0030, 0.0070), ((0.0015, 0.0027),)),
    "hazards.ageing_share": ((0.10, 0.22), ((0.26, 0.36),)),
    "hazards.confounder_share": ((0.15, 0.32), ((0.36, 0.5),)),
    "hazards.ramp_days": ((20.0, 110.0), ((6.0, 16.0), (120.0, 170.0))),
    "hazards.tilt": ((2.0, 6.0), ((0.7, 1.2),)),
}
"""Field: near range, far ranges (one side or both)."""

CHOICES: dict[str, tuple[tuple, tuple]] = {
    "driving.trip_s": (((360, 780), (420, 900), (480, 1020)), ((1050, 1500), (250, 350), (1200, 1700))),
    "telemetry.intervals_s": (
        ((1.0, 1.0, 2.0, 5.0), (1.0, 2.0, 3.0, 5.0), (1.0, 1.0, 3.0)),
        ((1.5, 4.0), (1.5, 4.0, 10.0)),
    ),
    "telemetry.volts_step": (((0.005,), (0.005, 0.01), (0.005, 0.02)), ((0.025, 0.05),)),
    "hazards.paths": (
        (("linear", "accelerating", "stepwise", "intermittent", "plateau"),),
        (("saturating", "saturating", "stepwise", "plateau", "intermittent"),),
    ),
    "physics.store": (("one_state",), ("two_reservoirs",)),
    "physics.sensor": (("first_order",), ("dead_time",)),
    "physics.controller": (("relay",), ("graded",)),
}
"""Field: what near picks one of, what far picks one of. The last three change the equations, not a figure."""

MISSING: dict[str, tuple[Range, Range]] = {
    "fuel_status": ((0.0, 0.12), (0.15, 0.4)),
    "odometer_km": ((0.0, 0.2), (0.25, 0.6)),
    "ambient_degc": ((0.0, 0.3), (0.0, 0.3)),
    "supply_v": ((0.0, 0.2), (0.0, 0.2)),
    "ltft": ((0.0, 0.06), (0.08, 0.2)),
    "throttle_pct": ((0.0, 0.15), (0.0, 0.15)),
    "distance_since_clear_km": ((0.0, 0.3), (0.0, 0.3)),
    "mil_on": ((0.0, 0.2), (0.0, 0.2)),
    "run_time_s": ((0.0, 0.3), (0.0, 0.3)),
    "codes": ((0.0, 0.15), (0.2, 0.5)),
    "onboard_tests": ((0.1, 0.4), (0.5, 0.9)),
}
"""Share of vehicles without a signal: near, far. Whether `maf`, `map` or `lambda_target` is sent is a family's."""
