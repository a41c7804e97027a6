-- table: unit_days
-- grain: one row a unit and day
-- reads: readings, units
-- params: running_rpm
-- note: what is asked of a whole day, so that it does not depend on which days are derived together: exhaust banks and
--   kind of upstream sensor (the register, or what the readings show), whether the fuel system status, load or
--   throttle, and commanded lambda are reported, and the closed position of the throttle while the engine runs, which drifts

with readings as (from readings),

units as (from units),

shown as (
    select
        unit_id,
        day,
        bool_or(fuel_status_b1 is not null) as reports_b1,
        coalesce(bool_or(fuel_status_b2 > 0), false) as reports_b2,
        coalesce(
            bool_or(coalesce(o2_b2s1_v, o2_b2s2_v, lambda_b2s1, pump_b2s1_ma, stft_b2_pct) is not null), false
        ) as shows_bank_2,
        bool_or(lambda_b1s1 is not null or pump_b1s1_ma is not null) as shows_wide_range,
        -- A valve that shuts, or a zero that is sent, while the engine stands is no closed position of a drive.
        coalesce(min(throttle_pct) filter (rpm > params.running_rpm), min(throttle_pct)) as idle_throttle_pct,
        bool_or(coalesce(load_pct, throttle_pct) is not null) as reports_load,
        bool_or(lambda_target is not null) as reports_target
    from readings
    group by unit_id, day
),

final as (
    select
        shown.unit_id,
        shown.day,
        shown.reports_b1,
        shown.reports_b2,
        shown.idle_throttle_pct,
        shown.reports_load,
        shown.reports_target,
        coalesce(units.banks, case when shows_bank_2 then 2 else 1 end) as banks,
        cast(
            coalesce(units.upstream_sensor, case when shows_wide_range then 'wide_range' else 'narrowband' end)
            as sensor_kind
        ) as kind
    from shown
    left join units on shown.unit_id = units.unit_id
)

from final
