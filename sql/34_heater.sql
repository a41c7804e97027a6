-- table: heater_days
-- grain: one row a unit, sensor or vehicle, day and indicator
-- reads: banks, held_days
-- params: start_run_s, cold_start_degc, bias_v, bias_band_v, never_closed_s, exact_ratio, activity_gap_s
-- note: only cool starts whose logging begins with the engine count. A conventional sensor is active once it leaves the
--   controller's 0.45 V; a wide-range one once it reads anything but its idle value

with banks as not materialized (from banks),

marked as (
    select
        unit_id,
        bank,
        ts,
        day,
        started_at,
        run_s,
        run_time_known,
        status_known,
        closed,
        coolant_degc,
        case
            when kind = 'wide_range' then abs(front_lambda - 1) > params.exact_ratio
            else abs(front_v - params.bias_v) > params.bias_band_v
        end as front_active,
        abs(rear_v - params.bias_v) > params.bias_band_v as rear_active
    from banks
    where running
),

-- A start is watched until midnight, so that it does not depend on which days are derived together: of a trip over
-- midnight the first day counts.
firsts as (
    select
        unit_id,
        bank,
        started_at,
        day,
        -- Before a run time is sampled, run_s counts from the first reading and tells nothing of the engine start.
        min(run_s) filter (run_time_known) as first_run_s,
        arg_min(coolant_degc, ts) filter (coolant_degc is not null) as start_degc,
        max(run_s) as last_run_s,
        bool_or(status_known) as status_known,
        min(run_s) filter (closed) as closed_loop_at_s,
        min(run_s) filter (front_active) as front_active_at_s,
        min(run_s) filter (rear_active) as rear_active_at_s
    from marked
    group by unit_id, bank, started_at, day
    qualify day = min(day) over (partition by unit_id, bank, started_at)
),

-- Where the gateway holds its values, when a sensor first moved is when the gateway first did.
cool_starts as (
    select firsts.*
    from firsts
    anti join held_days on firsts.unit_id = held_days.unit_id and firsts.day = held_days.day
    where first_run_s <= params.start_run_s and start_degc < params.cold_start_degc
),

-- The last inactive reading before: asked of the few cool starts only.
idle_before as (
    select
        marked.unit_id,
        marked.bank,
        marked.started_at,
        max(marked.run_s) filter (
            not marked.front_active
            and coalesce(marked.run_s < cool_starts.front_active_at_s, cool_starts.front_active_at_s is null)
        ) as front_idle_until_s,
        max(marked.run_s) filter (
            not marked.rear_active
            and coalesce(marked.run_s < cool_starts.rear_active_at_s, cool_starts.rear_active_at_s is null)
        ) as rear_idle_until_s
    from marked
    inner join cool_starts
        on
            marked.unit_id = cool_starts.unit_id
            and marked.bank = cool_starts.bank
            and marked.started_at = cool_starts.started_at
            and marked.day = cool_starts.day
    group by marked.unit_id, marked.bank, marked.started_at
),

cool as (
    select
        cool_starts.*,
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
    from cool_starts
    inner join idle_before
        on
            cool_starts.unit_id = idle_before.unit_id
            and cool_starts.bank = idle_before.bank
            and cool_starts.started_at = idle_before.started_at
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
    from firsts
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
