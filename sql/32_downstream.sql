-- table: downstream_days
-- grain: one row a unit, downstream sensor, day and indicator
-- reads: banks, cuts, held_days
-- params: stuck_range_v, rear_lean_v, rear_cut_wait_s, low_v, high_v, bias_v, timed_as_read_every_s
-- note: flat in even driving is how a healthy catalyst looks; whether the sensor moves at all is asked of fuel cuts

with banks as not materialized (from banks),

cuts as not materialized (from cuts),

seen as not materialized (
    select
        *
    from banks
    where rear_v is not null and running and warm
),

-- Windows stream over the rows of one bank, and do not over those of both.
sampled as (
    select
        *,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from seen
    where bank = 1
    union all
    select
        *,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from seen
    where bank = 2
),

usable as (
    select
        unit_id,
        bank,
        day,
        avg(rear_v) as down_level_v,
        stddev_samp(rear_v) as down_spread_v,
        count(*) as samples
    from sampled
    where rear_ok
    group by unit_id, bank, day
),

whole as (
    select
        unit_id,
        bank,
        day,
        quantile_cont(rear_v, 0.98) - quantile_cont(rear_v, 0.02) as down_range_v,
        quantile_cont(rear_v, 0.98) as down_top_v,
        avg(cast(rear_v < params.low_v as double)) as down_low_share,
        avg(cast(rear_v > params.high_v as double)) as down_high_share,
        avg(cast(abs(rear_v - params.bias_v) < params.stuck_range_v as double)) as down_bias_share,
        median(since_s) as sample_step_s,
        count(*) as samples
    from sampled
    group by unit_id, bank, day
),

in_cuts as (
    select
        unit_id,
        bank,
        day,
        avg(cast(rear_floor_v <= params.rear_lean_v as double)) as down_cut_moved_share,
        median(rear_floor_v) as down_cut_floor_v,
        count(rear_floor_v) as samples
    from cuts
    where warm and rear_floor_v is not null and cut_s >= params.rear_cut_wait_s
    group by unit_id, bank, day
),

-- From the last reading above to the first below: on average one step longer than the fall itself, wherever the polls lie.
-- A mean keeps that, a median of few whole steps does not.
falls as (
    select
        cuts.unit_id,
        cuts.bank,
        cuts.day,
        avg(cuts.rear_fall_s - cuts.rear_step_s) + params.timed_as_read_every_s as down_fall_s,
        count(*) as samples
    from cuts
    anti join held_days on cuts.unit_id = held_days.unit_id and cuts.day = held_days.day
    where cuts.warm and cuts.rear_fall_s is not null and cuts.rear_step_s > 0 and cuts.cut_s >= params.rear_cut_wait_s
    group by cuts.unit_id, cuts.bank, cuts.day
),

-- Readings of many falls, taken at any phase, make up the time of one: as many times their step as there are readings a
-- fall. Falls that a short cut ends first are under way in it, too, so the time of all counts for those that came down.
dwells as (
    select
        cuts.unit_id,
        cuts.bank,
        cuts.day,
        safe_ratio(
            sum(cuts.rear_between * cuts.rear_step_s),
            cast(count(*) filter (cuts.rear_floor_v <= params.rear_lean_v) as double)
        ) as down_fall_dwell_s,
        count(*) filter (cuts.rear_floor_v <= params.rear_lean_v) as samples
    from cuts
    anti join held_days on cuts.unit_id = held_days.unit_id and cuts.day = held_days.day
    where cuts.warm and cuts.rear_floor_v is not null and cuts.rear_step_s > 0
    group by cuts.unit_id, cuts.bank, cuts.day
),

long as (
    (unpivot (select * from usable) on down_level_v, down_spread_v into name indicator value value)
    union all by name
    (
        unpivot (select * from whole)
        on down_range_v, down_top_v, down_low_share, down_high_share, down_bias_share, sample_step_s
        into name indicator value value
    )
    union all by name
    (
        unpivot (select * from in_cuts) on down_cut_moved_share, down_cut_floor_v
        into name indicator value value
    )
    union all by name
    (unpivot (select * from falls) on down_fall_s into name indicator value value)
    union all by name
    (unpivot (select * from dwells) on down_fall_dwell_s into name indicator value value)
),

final as (
    select
        unit_id,
        'B' || bank || 'S2' as component,
        day,
        indicator,
        cast(value as double) as value,
        samples
    from long
    where samples > 0
)

from final
