-- table: upstream_wide_range_days
-- grain: one row a unit, upstream wide-range sensor, day and indicator
-- reads: banks, cuts, held_days
-- params: block_s, block_readings, stuck_range_ratio, exact_ratio, exact_ma, pair_step_s, timing_step_s,
--   idle_readings, cut_lambda
-- note: lambda_target may rightly read 1.000 for ever; the sensor may not while the load moves. Pump current differs
--   several-fold between designs, so only its level in fuel cuts against the unit's own past means anything

with banks as not materialized (from banks),

cuts as not materialized (from cuts),

seen as not materialized (
    select
        *
    from banks
    where kind = 'wide_range' and (front_lambda is not null or front_ma is not null) and running
),

-- Windows stream over the rows of one bank, and do not over those of both.
sampled as (
    select
        *,
        case when same_trip(unit_id, started_at) then abs(front_lambda - lag(front_lambda) over ()) end as moved,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from seen
    where bank = 1
    union all
    select
        *,
        case when same_trip(unit_id, started_at) then abs(front_lambda - lag(front_lambda) over ()) end as moved,
        case when same_trip(unit_id, started_at) then seconds_between(lag(ts) over (), ts) end as since_s
    from seen
    where bank = 2
),

usable as (
    select
        unit_id,
        bank,
        day,
        -- The median: a fuel cut that no signal told of must not count as an error.
        median(front_lambda - coalesce(lambda_target, 1)) as wide_offset,
        stddev_samp(front_lambda - coalesce(lambda_target, 1)) as wide_spread,
        sqrt(avg(pow(moved, 2) / 2) filter (since_s <= params.pair_step_s)) as wide_activity,
        avg(
            cast(
                abs(coalesce(front_lambda, 1) - 1) < params.exact_ratio
                and abs(coalesce(front_ma, 0)) < params.exact_ma as double
            )
        ) as wide_exact_share,
        avg(front_ma) as wide_mean_ma,
        median(since_s) as sample_step_s,
        count(*) as samples,
        count(front_lambda) as lambda_readings,
        count(front_ma) as ma_readings
    from sampled
    -- Nothing in closed loop is told to burn as lean as in a fuel cut: such a target is held from one.
    where front_ok and coalesce(lambda_target < params.cut_lambda, true)
    group by unit_id, bank, day
),

idle as (
    select
        unit_id,
        bank,
        day,
        -- Rows of air, as a stop between two samples or a value held from a fuel cut leaves them, are no unsteady
        -- sensor: no fired operating point is that lean. Nor is a target that is logged more seldom than lambda and
        -- lags behind it: an unsteady sensor spreads with its target and without.
        least(
            inner_spread(front_lambda - coalesce(lambda_target, 1)), inner_spread(front_lambda)
        ) as wide_idle_spread,
        count(*) as samples
    from sampled
    where front_ok and idle and front_lambda < params.cut_lambda
    group by unit_id, bank, day
    having count(*) >= params.idle_readings
),

blocks as (
    select
        unit_id,
        bank,
        day,
        started_at,
        floor(run_s / params.block_s) as block,
        max(front_lambda) - min(front_lambda) as range_ratio,
        max(load_pct) - min(load_pct) as load_range_pct,
        count(*) as readings
    from sampled
    where warm and front_lambda is not null
    group by unit_id, bank, day, started_at, block
    having count(*) >= params.block_readings
),

stuck as (
    select
        unit_id,
        bank,
        day,
        avg(cast(range_ratio < params.stuck_range_ratio as double)) as wide_stuck_share,
        count(*) as samples
    from blocks
    group by unit_id, bank, day
),

in_cuts as (
    select
        unit_id,
        bank,
        day,
        median(front_lambda) as wide_cut_lambda,
        median(front_ma) as wide_cut_ma,
        count(coalesce(front_lambda, front_ma)) as samples
    from cuts
    where kind = 'wide_range' and warm
    group by unit_id, bank, day
),

delays as (
    select
        unit_id,
        bank,
        day,
        median(front_lean_s) as wide_cut_delay_s,
        count(*) as samples
    from cuts
    where kind = 'wide_range' and warm and front_lean_s is not null and step_s <= params.timing_step_s
    group by unit_id, bank, day
),

-- Readings of many cuts, taken at any phase, make up the time of one: on average as many steps as there are readings from
-- the cut to the first lean one, at any sampling.
dwells as (
    select
        cuts.unit_id,
        cuts.bank,
        cuts.day,
        avg(cuts.front_before * cuts.front_step_s) as wide_cut_dwell_s,
        count(*) as samples
    from cuts
    anti join held_days on cuts.unit_id = held_days.unit_id and cuts.day = held_days.day
    where
        cuts.kind = 'wide_range' and cuts.warm and cuts.front_lambda >= params.cut_lambda and cuts.front_step_s > 0
    group by cuts.unit_id, cuts.bank, cuts.day
),

long as (
    -- A row may hold pump current alone: each indicator counts what it rests on.
    (
        unpivot (
            select unit_id, bank, day, lambda_readings as samples, wide_offset, wide_spread, wide_activity from usable
        )
        on wide_offset, wide_spread, wide_activity
        into name indicator value value
    )
    union all by name
    (
        unpivot (select unit_id, bank, day, ma_readings as samples, wide_mean_ma from usable) on wide_mean_ma
        into name indicator value value
    )
    union all by name
    (
        unpivot (select unit_id, bank, day, samples, wide_exact_share, sample_step_s from usable)
        on wide_exact_share, sample_step_s
        into name indicator value value
    )
    union all by name
    (unpivot (select * from idle) on wide_idle_spread into name indicator value value)
    union all by name
    (unpivot (select * from stuck) on wide_stuck_share into name indicator value value)
    union all by name
    (unpivot (select * from in_cuts) on wide_cut_lambda, wide_cut_ma into name indicator value value)
    union all by name
    (unpivot (select * from delays) on wide_cut_delay_s into name indicator value value)
    union all by name
    (unpivot (select * from dwells) on wide_cut_dwell_s into name indicator value value)
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
