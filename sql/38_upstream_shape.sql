-- table: upstream_shape_days
-- grain: one row a unit, upstream conventional sensor, day and indicator
-- reads: banks
-- params: switch_v, mid_low_v, mid_high_v, jump_v, fast_step_s
-- note: the dwell above the switch point survives any sampling; direction, jumps and frequency do not: they need half a
--   period between two readings (Nyquist), so they are left out where the median step of the day is above 0.2 s (5 Hz).
--   A reading between the thresholds lies on a rising edge or on a falling one: how many of each is how long each edge
--   takes, without timing any single one

with banks as not materialized (from banks),

seen as not materialized (
    select
        unit_id,
        bank,
        ts,
        day,
        started_at,
        front_v,
        front_ok,
        idle and steady as idling
    from banks
    where kind = 'narrowband' and front_v is not null and running
),

-- Windows stream over the rows of one bank, and do not over those of both.
sampled as (
    select
        *,
        case when same_trip(unit_id, started_at) then lag(front_v) over () end as before_v,
        case when trip_goes_on(unit_id, started_at) then lead(front_v) over () end as after_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s,
        case when trip_goes_on(unit_id, started_at) then seconds_between(ts, lead(ts) over ()) end as until_s,
        trip_goes_on(unit_id, started_at) and lead(day) over () = day as after_today
    from seen
    where bank = 1
    union all
    select
        *,
        case when same_trip(unit_id, started_at) then lag(front_v) over () end as before_v,
        case when trip_goes_on(unit_id, started_at) then lead(front_v) over () end as after_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s,
        case when trip_goes_on(unit_id, started_at) then seconds_between(ts, lead(ts) over ()) end as until_s,
        trip_goes_on(unit_id, started_at) and lead(day) over () = day as after_today
    from seen
    where bank = 2
),

measured as (
    select
        unit_id,
        bank,
        day,
        avg(cast(front_v > params.switch_v as double)) as up_rich_share,
        count(*) as readings,
        median(since_s) <= params.fast_step_s as fast,
        -- Pairs up to twice the step still belong together: polls jitter.
        count(*) filter (
            since_s <= 2 * params.fast_step_s and (front_v > params.switch_v) <> (before_v > params.switch_v)
        ) as crossings,
        sum(since_s) filter (since_s <= 2 * params.fast_step_s) as watched_s,
        count(*) filter (since_s <= 2 * params.fast_step_s) as pairs,
        count(*) filter (idling and since_s <= 2 * params.fast_step_s) as idle_pairs,
        avg(cast(abs(front_v - before_v) > params.jump_v as double)) filter (
            idling and since_s <= 2 * params.fast_step_s
        ) as up_jump_share,
        avg(sign(after_v - before_v)) filter (
            front_v between params.mid_low_v and params.mid_high_v
            and after_v <> before_v
            and after_today
            and since_s <= 2 * params.fast_step_s
            and until_s <= 2 * params.fast_step_s
        ) as up_edge_asymmetry,
        count(*) filter (
            front_v between params.mid_low_v and params.mid_high_v
            and after_v <> before_v
            and after_today
            and since_s <= 2 * params.fast_step_s
            and until_s <= 2 * params.fast_step_s
        ) as edge_readings
    from sampled
    where front_ok
    group by unit_id, bank, day
),

long as (
    select unit_id, bank, day, 'up_rich_share' as indicator, up_rich_share as value, readings as samples
    from measured
    union all by name
    select
        unit_id, bank, day, 'up_rich_share_se' as indicator, share_error(up_rich_share, readings) as value,
        readings as samples
    from measured
    union all by name
    select
        unit_id, bank, day, 'up_switch_hz' as indicator, safe_ratio(crossings, 2 * watched_s) as value, pairs as samples
    from measured
    where fast
    union all by name
    select unit_id, bank, day, 'up_jump_share' as indicator, up_jump_share as value, idle_pairs as samples
    from measured
    where fast
    union all by name
    select
        unit_id, bank, day, 'up_jump_share_se' as indicator, share_error(up_jump_share, idle_pairs) as value,
        idle_pairs as samples
    from measured
    where fast
    union all by name
    select unit_id, bank, day, 'up_edge_asymmetry' as indicator, up_edge_asymmetry as value, edge_readings as samples
    from measured
    where fast
    union all by name
    -- Rising less falling as a share of both is 2 p - 1, so its error is twice that of the share.
    select
        unit_id, bank, day, 'up_edge_asymmetry_se' as indicator,
        2 * share_error((1 + up_edge_asymmetry) / 2, edge_readings) as value, edge_readings as samples
    from measured
    where fast
),

final as (
    select
        unit_id,
        'B' || bank || 'S1' as component,
        day,
        indicator,
        cast(value as double) as value,
        samples
    from long
    where value is not null and samples > 0
)

from final
