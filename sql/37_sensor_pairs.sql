-- table: sensor_pair_days
-- grain: one row a unit, downstream sensor or catalyst, day and indicator
-- reads: banks, cuts
-- params: pair_step_s, front_least_spread_v, fast_step_s, mirror_lag_s, mirror_readings,
--   rear_cut_wait_s, settle_rear_after_cut_s, high_v, low_v, bias_v, bias_band_v, flow_low_gs, flow_high_gs
-- note: both sensors are asked in the same rows only, so that the sampling bends both alike. Whether the rear repeats
--   the front is asked at 5 Hz and faster only: slower, switching is aliased and a lag has no meaning. Only a hot
--   catalyst is asked

with banks as not materialized (from banks),

cuts as not materialized (from cuts),

seen as not materialized (
    select
        unit_id,
        bank,
        day,
        ts,
        started_at,
        front_v,
        rear_v,
        rear_ok and cruise and hot as usable
    from banks
    where kind = 'narrowband' and front_v is not null and rear_v is not null and running
),

-- Windows stream over the rows of one bank, and do not over those of both.
together as not materialized (
    select
        *,
        case when same_trip(unit_id, started_at) then abs(front_v - lag(front_v) over ()) end as front_moved_v,
        case when same_trip(unit_id, started_at) then abs(rear_v - lag(rear_v) over ()) end as rear_moved_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s,
        row_number() over () as place
    from seen
    where bank = 1
    union all
    select
        *,
        case when same_trip(unit_id, started_at) then abs(front_v - lag(front_v) over ()) end as front_moved_v,
        case when same_trip(unit_id, started_at) then abs(rear_v - lag(rear_v) over ()) end as rear_moved_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s,
        row_number() over () as place
    from seen
    where bank = 2
),

paths as (
    select
        unit_id,
        bank,
        day,
        case
            when stddev_samp(front_v) >= params.front_least_spread_v
                then safe_ratio(
                    sum(rear_moved_v) filter (since_s <= params.pair_step_s),
                    sum(front_moved_v) filter (since_s <= params.pair_step_s)
                )
        end as rear_front_path,
        median(since_s) as step_s,
        count(*) filter (since_s <= params.pair_step_s) as samples
    from together
    where usable
    group by unit_id, bank, day
),

lags as (
    select
        unit_id,
        bank,
        day,
        step_s,
        unnest(range(0, cast(floor(params.mirror_lag_s / step_s) as bigint) + 1)) as places
    from paths
    where step_s <= params.fast_step_s
),

lagged as (
    select
        lags.unit_id,
        lags.bank,
        lags.day,
        lags.places * lags.step_s as lag_s,
        corr(later.rear_v, earlier.front_v) as likeness,
        count(*) as samples
    from lags
    inner join together as later
        on lags.unit_id = later.unit_id and lags.bank = later.bank and lags.day = later.day and later.usable
    inner join together as earlier
        on
            later.unit_id = earlier.unit_id
            and later.bank = earlier.bank
            and later.started_at = earlier.started_at
            and earlier.place = later.place - lags.places
            and later.day = earlier.day
    -- A gap between the two readings would make the lag another one.
    where seconds_between(earlier.ts, later.ts) <= params.mirror_lag_s + params.fast_step_s
    group by lags.unit_id, lags.bank, lags.day, lags.places, lags.step_s
    having count(*) >= params.mirror_readings
),

mirrors as (
    select
        unit_id,
        bank,
        day,
        max(likeness) as rear_front_mirror,
        cast(arg_max(lag_s, likeness) as double) as rear_front_lag_s,
        arg_max(samples, likeness) as samples
    from lagged
    where likeness is not null and not isnan(likeness)
    group by unit_id, bank, day
),

in_cuts as (
    select
        unit_id,
        bank,
        day,
        avg(cast(rear_floor_v > params.high_v as double)) as down_cut_high_share,
        avg(cast(abs(rear_floor_v - params.bias_v) <= params.bias_band_v as double)) as down_cut_mid_share,
        count(*) as samples
    from cuts
    where warm and rear_floor_v is not null and cut_s >= params.rear_cut_wait_s
    group by unit_id, bank, day
),

enriched as (
    select
        unit_id,
        bank,
        day,
        avg(cast(rear_v < params.low_v as double)) as down_enriched_low_share,
        count(*) as samples
    from banks
    where
        enriched and warm and running and rear_v is not null
        -- After a fuel cut the catalyst is full of oxygen: lean behind it is right until that is used up.
        and coalesce(since_cut_s >= params.settle_rear_after_cut_s, true)
    group by unit_id, bank, day
),

oxygen as (
    select
        unit_id,
        bank,
        day,
        case
            when flow_gs < params.flow_low_gs then 'oxygen_low_flow_g'
            when flow_gs < params.flow_high_gs then 'oxygen_mid_flow_g'
            else 'oxygen_high_flow_g'
        end as indicator,
        median(oxygen_g) as value,
        count(*) as samples
    from cuts
    where warm and hot and oxygen_g is not null and flow_gs is not null
    group by unit_id, bank, day, indicator
),

long as (
    (
        unpivot (select 'CAT' || bank as component, * exclude (bank, step_s) from paths)
        on rear_front_path into name indicator value value
    )
    union all by name
    (
        unpivot (select 'CAT' || bank as component, * exclude (bank) from mirrors)
        on rear_front_mirror, rear_front_lag_s into name indicator value value
    )
    union all by name
    select 'CAT' || bank as component, * exclude (bank)
    from oxygen
    union all by name
    (
        unpivot (
            select
                'B' || bank || 'S2' as component,
                * exclude (bank),
                share_error(down_cut_high_share, samples) as down_cut_high_share_se,
                share_error(down_cut_mid_share, samples) as down_cut_mid_share_se
            from in_cuts
        )
        on down_cut_high_share, down_cut_high_share_se, down_cut_mid_share, down_cut_mid_share_se
        into name indicator value value
    )
    union all by name
    (
        unpivot (
            select
                'B' || bank || 'S2' as component,
                * exclude (bank),
                share_error(down_enriched_low_share, samples) as down_enriched_low_share_se
            from enriched
        )
        on down_enriched_low_share, down_enriched_low_share_se into name indicator value value
    )
),

final as (
    select
        unit_id,
        component,
        day,
        indicator,
        cast(value as double) as value,
        samples
    from long
    where samples > 0
)

from final
