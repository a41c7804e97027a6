-- table: heater_days
-- grain: one row a unit, sensor or vehicle, day and indicator
-- reads: banks
-- params: start_run_s, cold_start_degc, bias_v, bias_band_v, never_closed_s, cut_lambda, exact_ratio
-- note: only cool starts whose logging begins with the engine count. A conventional sensor is active once it leaves the
--   controller's 0.45 V; a wide-range one once it reads anything but its idle value

with banks as (from banks),

params as (from params),

starts as (
    select
        unit_id,
        bank,
        started_at,
        min(day) as day,
        min(run_s) as first_run_s,
        bool_or(run_time_known) as run_time_known,
        arg_min(coolant_degc, ts) filter (coolant_degc is not null) as start_degc,
        max(run_s) as last_run_s,
        min(run_s) filter (closed) as closed_loop_at_s,
        -- Not the first reading: it may still hold the value of the last trip.
        min(run_s) filter (
            abs(front_v - params.bias_v) > params.bias_band_v
            or (kind = 'wide_range' and abs(front_lambda - 1) > params.exact_ratio)
        ) as up_active_at_s,
        min(run_s) filter (abs(rear_v - params.bias_v) > params.bias_band_v) as down_active_at_s,
        count(coalesce(front_v, front_lambda)) as front_readings,
        count(rear_v) as rear_readings
    from banks, params
    where running
    group by unit_id, bank, started_at
),

cool as (
    select starts.*
    from starts, params
    where run_time_known and first_run_s <= params.start_run_s and start_degc < params.cold_start_degc
),

measured as (
    select
        unit_id,
        'B' || bank || 'S1' as component,
        day,
        'up_active_at_s' as indicator,
        median(coalesce(up_active_at_s, last_run_s)) as value,
        count(*) as samples
    from cool
    where front_readings > 0
    group by unit_id, bank, day
    union all by name
    select
        unit_id,
        'B' || bank || 'S2' as component,
        day,
        'down_active_at_s' as indicator,
        median(coalesce(down_active_at_s, last_run_s)) as value,
        count(*) as samples
    from cool
    where rear_readings > 0
    group by unit_id, bank, day
    union all by name
    select
        unit_id,
        'BANK' || bank as component,
        day,
        'closed_loop_at_s' as indicator,
        median(coalesce(closed_loop_at_s, last_run_s)) as value,
        count(*) as samples
    from cool
    group by unit_id, bank, day
    union all by name
    select
        unit_id,
        'BANK' || bank as component,
        day,
        'never_closed_share' as indicator,
        avg(cast(closed_loop_at_s is null as double)) as value,
        count(*) as samples
    from starts, params
    where last_run_s > params.never_closed_s
    group by unit_id, bank, day
),

final as (
    select
        unit_id,
        component,
        day,
        indicator,
        cast(value as double) as value,
        samples
    from measured
)

from final
