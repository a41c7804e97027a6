-- table: catalyst_days
-- grain: one row a unit, catalyst, day and indicator
-- reads: banks, cuts, held_days
-- params: pair_step_s, front_least_spread_v, delay_cuts, delay_flow_spread, timed_as_read_every_s, recovery_long_s
-- note: oxygen storage shows in three ways: the rear sensor lies still while the front moves, it takes long to come back
--   after a fuel cut, and grams of oxygen are released meanwhile (grams only where lambda is measured). Storage and
--   conversion rise steeply up to 500 to 600 degC (from memory): a cold catalyst looks like a bad one, so that only
--   readings and cuts of a hot one count (reported temperature, else air since the start: 10_context).
--   Storage against delay: C grams of oxygen at lambda behind the cut last C / (0.232 * flow * (1/lambda - 1)), and the
--   gas and the sensor's lag add a time that hardly depends on flow, so that recovery_s = air / flow + delay with
--   air = C / (0.232 * (1/lambda - 1)). The apparent air or grams are then recovery_s * flow = air + delay * flow: what
--   rises with flow is delay, what does not is storage. The straight line of recovery_s over 1/flow parts the two:
--   rear_delay_s is its intercept, storage_air_g its slope. Its errors are those of the timing, alike at every flow

with banks as not materialized (from banks),

cuts as not materialized (from cuts),

watched as not materialized (
    select
        *
    from banks
    where rear_v is not null and running
),

-- Windows stream over the rows of one bank, and do not over those of both.
sampled as (
    select
        *,
        case when same_trip(unit_id, started_at) then rear_v - lag(rear_v) over () end as rear_moved_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from watched
    where bank = 1
    union all
    select
        *,
        case when same_trip(unit_id, started_at) then rear_v - lag(rear_v) over () end as rear_moved_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from watched
    where bank = 2
),

driving as (
    select
        unit_id,
        bank,
        day,
        sqrt(avg(pow(rear_moved_v, 2) / 2) filter (since_s <= params.pair_step_s)) as rear_activity_v,
        case
            when stddev_samp(front_v) >= params.front_least_spread_v
                then safe_ratio(var_samp(rear_v), var_samp(front_v))
        end as rear_front_variance,
        case when count(front_v) >= 20 then corr(rear_v, front_v) end as rear_front_corr,
        median(since_s) as sample_step_s,
        count(*) as samples,
        count(front_v) as pairs
    from sampled
    where rear_ok and cruise and hot
    group by unit_id, bank, day
),

seen as (
    select
        unit_id,
        bank,
        day,
        median(recovery_s) as usual_s
    from cuts
    where warm and hot and recovery_seen
    group by unit_id, bank, day
),

-- A recovery cut short by the next fuel cut is a lower bound: it says something only where it is longer than usual.
telling as (
    select cuts.*
    from cuts
    inner join seen on cuts.unit_id = seen.unit_id and cuts.bank = seen.bank and cuts.day = seen.day
    where cuts.warm and cuts.hot and (cuts.recovery_seen or cuts.recovery_s >= seen.usual_s)
),

recoveries as (
    select
        unit_id,
        bank,
        day,
        median(recovery_s) as recovery_s,
        count(*) as samples
    from telling
    where recovery_s is not null
    group by unit_id, bank, day
),

-- Few whole steps have no median worth the name, but their mean less one step is right, wherever the polls lie, and so a
-- part's mean can be held against its own past at any sampling. What is long is long enough: a limit keeps single late ones
-- from speaking for all.
means as (
    select
        telling.unit_id,
        telling.bank,
        telling.day,
        avg(least(telling.recovery_s, params.recovery_long_s) - telling.rear_step_s) + params.timed_as_read_every_s as recovery_mean_s,
        count(*) as samples
    from telling
    anti join held_days on telling.unit_id = held_days.unit_id and telling.day = held_days.day
    where telling.recovery_s is not null and telling.rear_step_s > 0
    group by telling.unit_id, telling.bank, telling.day
),

air as (
    select
        unit_id,
        bank,
        day,
        median(recovery_air_g) as recovery_air_g,
        count(*) as samples
    from telling
    where recovery_air_g is not null
    group by unit_id, bank, day
),

oxygen as (
    select
        unit_id,
        bank,
        day,
        median(oxygen_g) as oxygen_g,
        count(*) as samples
    from cuts
    where warm and hot and oxygen_g is not null
    group by unit_id, bank, day
),

delays as (
    select
        unit_id,
        bank,
        day,
        -- A fit through few cuts may go below nothing: then there is none.
        greatest(regr_intercept(recovery_s, 1 / flow_gs), 0) as rear_delay_s,
        greatest(regr_slope(recovery_s, 1 / flow_gs), 0) as storage_air_g,
        count(*) as samples
    from cuts
    where warm and hot and recovery_seen and recovery_s is not null and flow_gs > 0
    group by unit_id, bank, day
    -- Flows that are alike tell no slope.
    having
        count(*) >= params.delay_cuts
        and stddev_samp(1 / flow_gs) >= params.delay_flow_spread * avg(1 / flow_gs)
),

heat as (
    select
        unit_id,
        bank,
        day,
        avg(cast(hot as double)) as catalyst_hot_share,
        count(*) as samples
    from banks
    where running and rear_v is not null
    group by unit_id, bank, day
),

long as (
    (unpivot (select * from delays) on rear_delay_s, storage_air_g into name indicator value value)
    union all by name
    (unpivot (select * from heat) on catalyst_hot_share into name indicator value value)
    union all by name
    (
        unpivot (select * exclude (pairs, rear_front_variance, rear_front_corr) from driving) on rear_activity_v, sample_step_s
        into name indicator value value
    )
    union all by name
    (
        unpivot (
            select unit_id, bank, day, pairs as samples, rear_front_variance, rear_front_corr from driving
        )
        on rear_front_variance, rear_front_corr
        into name indicator value value
    )
    union all by name
    (unpivot (select * from recoveries) on recovery_s into name indicator value value)
    union all by name
    (unpivot (select * from means) on recovery_mean_s into name indicator value value)
    union all by name
    (unpivot (select * from air) on recovery_air_g into name indicator value value)
    union all by name
    (unpivot (select * from oxygen) on oxygen_g into name indicator value value)
),

final as (
    select
        unit_id,
        'CAT' || bank as component,
        day,
        indicator,
        cast(value as double) as value,
        samples
    from long
    where samples > 0
)

from final
