-- table: upstream_narrowband_days
-- grain: one row a unit, upstream conventional sensor, day and indicator
-- reads: banks, cuts
-- params: low_v, mid_low_v, mid_high_v, high_v, block_s, block_readings, stuck_range_v, pair_step_s
-- note: switching at 0.5 to 3 Hz is aliased at gateway rates, so no frequency is reported; swing, dwell and movement
--   are. Blocks of a minute decide what is stuck, in and out of closed loop, since a stuck sensor may end closed loop

with banks as not materialized (from banks),

cuts as not materialized (from cuts),

seen as not materialized (
    select
        *
    from banks
    where kind = 'narrowband' and front_v is not null and running
),

-- Windows stream over the rows of one bank, and do not over those of both.
sampled as (
    select
        *,
        case when same_trip(unit_id, started_at) then abs(front_v - lag(front_v) over ()) end as moved_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from seen
    where bank = 1
    union all
    select
        *,
        case when same_trip(unit_id, started_at) then abs(front_v - lag(front_v) over ()) end as moved_v,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from seen
    where bank = 2
),

usable as (
    select
        unit_id,
        bank,
        day,
        quantile_cont(front_v, 0.05) as up_p05_v,
        quantile_cont(front_v, 0.95) as up_p95_v,
        quantile_cont(front_v, 0.98) as up_top_v,
        quantile_cont(front_v, 0.95) - quantile_cont(front_v, 0.05) as up_swing_v,
        stddev_samp(front_v) as up_spread_v,
        avg(front_v) as up_mean_v,
        avg(cast(front_v < params.low_v as double)) as up_low_share,
        share_error(up_low_share, count(*)) as up_low_share_se,
        avg(cast(front_v between params.mid_low_v and params.mid_high_v as double)) as up_mid_share,
        share_error(up_mid_share, count(*)) as up_mid_share_se,
        avg(cast(front_v > params.high_v as double)) as up_high_share,
        share_error(up_high_share, count(*)) as up_high_share_se,
        -- Root mean square step over root two is the spread of a fast signal and near zero for a slow one.
        sqrt(avg(pow(moved_v, 2) / 2) filter (since_s <= params.pair_step_s)) as up_activity_v,
        median(since_s) as sample_step_s,
        count(*) as samples
    from sampled
    where front_ok
    group by unit_id, bank, day
),

blocks as (
    select
        unit_id,
        bank,
        day,
        started_at,
        floor(run_s / params.block_s) as block,
        max(front_v) - min(front_v) as range_v,
        count(*) as readings
    from sampled
    where warm and not cut and not enriched
    group by unit_id, bank, day, started_at, block
    having count(*) >= params.block_readings
),

stuck as (
    select
        unit_id,
        bank,
        day,
        avg(cast(range_v < params.stuck_range_v as double)) as up_stuck_share,
        count(*) as samples
    from blocks
    group by unit_id, bank, day
),

idle as (
    select
        unit_id,
        bank,
        day,
        stddev_samp(stft_pct) as stft_spread_pct,
        count(stft_pct) as samples
    from banks
    where kind = 'narrowband' and front_ok and stft_pct is not null
    group by unit_id, bank, day
),

enriched as (
    select
        unit_id,
        bank,
        day,
        quantile_cont(front_v, 0.9) as up_rich_v,
        count(*) as samples
    from sampled
    where enriched and warm
    group by unit_id, bank, day
),

in_cuts as (
    select
        unit_id,
        bank,
        day,
        median(front_floor_v) as up_cut_floor_v,
        count(front_floor_v) as samples
    from cuts
    where kind = 'narrowband' and warm and front_floor_v is not null
    group by unit_id, bank, day
),

long as (
    (
        unpivot (select * from usable)
        on up_p05_v, up_p95_v, up_top_v, up_swing_v, up_spread_v, up_mean_v, up_low_share, up_low_share_se, up_mid_share,
            up_mid_share_se, up_high_share, up_high_share_se, up_activity_v, sample_step_s
        into name indicator value value
    )
    union all by name
    (unpivot (select * from stuck) on up_stuck_share into name indicator value value)
    union all by name
    (unpivot (select * from idle) on stft_spread_pct into name indicator value value)
    union all by name
    (unpivot (select * from enriched) on up_rich_v into name indicator value value)
    union all by name
    (unpivot (select * from in_cuts) on up_cut_floor_v into name indicator value value)
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
    where samples > 0
)

from final
