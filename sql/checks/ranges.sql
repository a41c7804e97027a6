-- table: offenders
-- grain: one row a value that cannot be
-- reads: trips, indicator_days
-- params:
-- note: only what is impossible by definition: shares outside 0 to 1, negative durations, times that run
--   backwards. What is merely unusual is for the judging

with trips as (from trips),

indicator_days as (from indicator_days),

trip_problems as (
    select
        case
            when ended_at < started_at then 'trips: ends before it begins'
            when readings < 1 then 'trips: no readings'
            when distance_km < 0 then 'trips: negative distance'
            when least(closed_loop_s, warm_s, interval_s, start_run_time_s) < 0
                then 'trips: negative duration'
            when greatest(closed_loop_s, warm_s) > seconds_between(started_at, ended_at) + 1
                then 'trips: a part lasts longer than the trip'
            when month <> strftime(day, '%Y-%m') then 'trips: month and day differ'
        end as problem,
        unit_id,
        day,
        cast(started_at as varchar) as detail
    from trips
),

indicator_problems as (
    select
        case
            when isnan(value) or isinf(value) then 'indicator_days: not a number'
            when samples < 1 then 'indicator_days: rests on nothing'
            when suffix = 'share' and not value between 0 and 1 then 'indicator_days: share outside 0 to 1'
            when suffix = 'corr' and not value between -1 and 1
                then 'indicator_days: correlation outside -1 to 1'
            when suffix in ('s', 'g', 'km', 'variance') and value < 0 then 'indicator_days: negative'
            when regexp_matches(indicator, '(spread|activity|range|swing)') and value < 0
                then 'indicator_days: negative'
            when month <> strftime(day, '%Y-%m') then 'indicator_days: month and day differ'
        end as problem,
        unit_id,
        day,
        component || ' ' || indicator || ' ' || cast(value as varchar) as detail
    from (select *, regexp_extract(indicator, '[a-z]+$') as suffix from indicator_days)
),

final as (
    select problem, unit_id, day, detail from trip_problems where problem is not null
    union all by name
    select problem, unit_id, day, detail from indicator_problems where problem is not null
)

from final
