-- table: heater_days
-- grain: one row a unit, sensor or vehicle, day and indicator
-- reads: banks
-- params: start_run_s, cold_start_degc, bias_v, bias_band_v, never_closed_s, exact_ratio, activity_gap_s
-- note: only cool starts whose logging begins with the engine count. A conventional sensor is active once it leaves the
--   controller's 0.45 V; a wide-range one once it reads anything but its idle value

with banks as (from banks),

params as (from params),

marked as (
    select
        banks.*,
        case
            when kind = 'wide_range' then abs(front_lambda - 1) > params.exact_ratio
            else abs(front_v - params.bias_v) > params.bias_band_v
        end as front_active,
        abs(rear_v - params.bias_v) > params.bias_band_v as rear_active,
        min(day) over (partition by unit_id, bank, started_at) as began_on
    from banks, params
    where running
),

first_active as (
    select
        *,
        min(run_s) filter (front_active) over trip as front_active_at_s,
        min(run_s) filter (rear_active) over trip as rear_active_at_s
    from marked
    -- A start is watched until midnight, so that it does not depend on which days are derived together.
    where day = began_on
    window trip as (partition by unit_id, bank, started_at)
),

starts as (
    select
        unit_id,
        bank,
        started_at,
        min(day) as day,
        -- Before a run time is sampled, run_s counts from the first reading and tells nothing of the engine start.
        min(run_s) filter (run_time_known) as first_run_s,
        arg_min(coolant_degc, ts) filter (coolant_degc is not null) as start_degc,
        max(run_s) as last_run_s,
        bool_or(status_known) as status_known,
        min(run_s) filter (closed) as closed_loop_at_s,
        any_value(front_active_at_s) as front_active_at_s,
        any_value(rear_active_at_s) as rear_active_at_s,
        max(run_s) filter (not front_active and (run_s < front_active_at_s or front_active_at_s is null))
            as front_idle_until_s,
        max(run_s) filter (not rear_active and (run_s < rear_active_at_s or rear_active_at_s is null))
            as rear_idle_until_s
    from first_active
    group by unit_id, bank, started_at
),

cool as (
    select
        starts.*,
        -- Known only where a reading shortly before was still inactive, or the logging began with it; never active is
        -- the time watched.
        case
            when front_active_at_s is null then front_idle_until_s
            when front_active_at_s - coalesce(front_idle_until_s, first_run_s) <= params.activity_gap_s
                then front_active_at_s
        end as up_active_at_s,
        case
            when rear_active_at_s is null then rear_idle_until_s
            when rear_active_at_s - coalesce(rear_idle_until_s, first_run_s) <= params.activity_gap_s
                then rear_active_at_s
        end as down_active_at_s
    from starts, params
    where first_run_s <= params.start_run_s and start_degc < params.cold_start_degc
),

measured as (
    select
        unit_id,
        'B' || bank || 'S1' as component,
        day,
        'up_active_at_s' as indicator,
        median(up_active_at_s) as value,
        count(*) as samples
    from cool
    where up_active_at_s is not null
    group by unit_id, bank, day
    union all by name
    select
        unit_id,
        'B' || bank || 'S2' as component,
        day,
        'down_active_at_s' as indicator,
        median(down_active_at_s) as value,
        count(*) as samples
    from cool
    where down_active_at_s is not null
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
    -- Without a reported status closed loop is inferred from a warm engine, which says nothing of when it came.
    where status_known
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
    where last_run_s > params.never_closed_s and status_known
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
