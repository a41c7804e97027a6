-- table: wide_range_cell_days
-- grain: one row a unit, upstream wide-range sensor, day and indicator
-- reads: banks, cuts
-- params: cell_readings, under_load_pct, cut_lambda, recovery_most_s, timing_step_s, block_s, block_readings,
--   conflict_ratio, rear_rich_v, rear_lean_v
-- note: the mean of the operating cells gives each of them the same weight, so that the day's mix of driving does not
--   shift it. Designs differ several-fold in pump current: before it is read in the published table, it is scaled to the
--   unit's own level in fuel cuts, which the table puts at 2.54 mA

with banks as not materialized (from banks),

cuts as not materialized (from cuts),

sampled as (
    select
        banks.*,
        front_lambda - coalesce(lambda_target, 1) as error,
        coalesce(load_pct > params.under_load_pct, false) and not idle as loaded
    from banks
    where kind = 'wide_range' and running and front_lambda is not null
),

cells as (
    select
        unit_id,
        bank,
        day,
        avg(error) filter (idle) as wide_idle_offset,
        count(*) filter (idle) as idle_readings,
        avg(error) filter (cruise and not loaded) as wide_cruise_offset,
        count(*) filter (cruise and not loaded) as cruise_readings,
        avg(error) filter (loaded) as wide_load_offset,
        count(*) filter (loaded) as load_readings,
        stddev_samp(error) filter (steady and cruise) as wide_steady_spread,
        count(*) filter (steady and cruise) as steady_readings
    from sampled
    where front_ok and coalesce(lambda_target < params.cut_lambda, true)
    group by unit_id, bank, day
),

by_cell as (
    select
        unit_id, bank, day, 'wide_idle_offset' as indicator, wide_idle_offset as value, idle_readings as samples
    from cells
    union all by name
    select
        unit_id, bank, day, 'wide_cruise_offset' as indicator, wide_cruise_offset as value,
        cruise_readings as samples
    from cells
    union all by name
    select
        unit_id, bank, day, 'wide_load_offset' as indicator, wide_load_offset as value, load_readings as samples
    from cells
),

over_cells as (
    select
        unit_id,
        bank,
        day,
        'wide_cell_offset' as indicator,
        avg(value) as value,
        cast(sum(samples) as bigint) as samples
    from by_cell
    where samples >= params.cell_readings
    group by unit_id, bank, day
    -- One cell alone is that cell.
    having count(*) >= 2
),

air_levels as (
    select unit_id, bank, day, median(front_ma) as air_ma
    from cuts
    where kind = 'wide_range' and warm and front_ma > 0
    group by unit_id, bank, day
),

-- Pump current in mA and lambda of a new planar five-wire sensor: the supplier's published characteristic.
nodes as (
    from (values
        (-0.652, 0.850), (-0.405, 0.900), (-0.183, 0.950), (-0.040, 0.990), (0.0, 1.003), (0.015, 1.010),
        (0.097, 1.050), (0.193, 1.100), (0.329, 1.179), (0.671, 1.429)
    ) as listed(node_ma, node_lambda)
),

stretches as (
    select
        cast(node_ma as double) as from_ma,
        cast(lead(node_ma) over (order by node_ma) as double) as to_ma,
        cast(node_lambda as double) as from_lambda,
        cast(lead(node_lambda) over (order by node_ma) as double) as to_lambda
    from nodes
),

scaled as (
    select
        sampled.unit_id,
        sampled.bank,
        sampled.day,
        sampled.front_lambda,
        sampled.front_ma / air_levels.air_ma * 2.54 as new_ma
    from sampled
    inner join air_levels
        on
            sampled.unit_id = air_levels.unit_id
            and sampled.bank = air_levels.bank
            and sampled.day = air_levels.day
    where sampled.front_ok and sampled.front_ma is not null
),

by_table as (
    select
        unit_id,
        bank,
        day,
        'wide_table_error' as indicator,
        avg(
            front_lambda - from_lambda - (new_ma - from_ma) / (to_ma - from_ma) * (to_lambda - from_lambda)
        ) as value,
        count(*) as samples
    from scaled
    inner join stretches on scaled.new_ma >= stretches.from_ma and scaled.new_ma < stretches.to_ma
    group by unit_id, bank, day
),

returns as (
    select
        unit_id,
        bank,
        day,
        ts - to_microseconds(cast(round(since_cut_s * 1000000) as bigint)) as ended_at,
        min(since_cut_s) as back_s
    from sampled
    where since_cut_s > 0 and since_cut_s <= params.recovery_most_s and front_lambda < params.cut_lambda
    group by unit_id, bank, day, ended_at
),

delays as (
    select
        cuts.unit_id,
        cuts.bank,
        cuts.day,
        'wide_back_delay_s' as indicator,
        median(returns.back_s) as value,
        count(*) as samples
    from cuts
    inner join returns
        on
            cuts.unit_id = returns.unit_id
            and cuts.bank = returns.bank
            and cuts.day = returns.day
            and cuts.began_at + to_microseconds(cast(round(cuts.cut_s * 1000000) as bigint)) = returns.ended_at
    where
        cuts.kind = 'wide_range'
        and cuts.warm
        and cuts.step_s <= params.timing_step_s
        -- A sensor that was not seen to go lean cannot be seen to come back.
        and cuts.front_lambda > params.cut_lambda
    group by cuts.unit_id, cuts.bank, cuts.day
),

minutes as (
    select
        unit_id,
        bank,
        day,
        started_at,
        floor(run_s / params.block_s) as block,
        avg(error) as error,
        avg(rear_v) as rear_v
    from sampled
    where rear_ok
    group by unit_id, bank, day, started_at, block
    having count(*) >= params.block_readings and count(rear_v) >= params.block_readings
),

conflicts as (
    select
        unit_id,
        bank,
        day,
        avg(cast(error > params.conflict_ratio and rear_v > params.rear_rich_v as double))
            as wide_lean_rear_rich_share,
        avg(cast(error < -params.conflict_ratio and rear_v < params.rear_lean_v as double))
            as wide_rich_rear_lean_share,
        count(*) as samples
    from minutes
    group by unit_id, bank, day
),

long as (
    from by_cell
    union all by name
    from over_cells
    union all by name
    from by_table
    union all by name
    from delays
    union all by name
    select
        unit_id, bank, day, 'wide_steady_spread' as indicator, wide_steady_spread as value, steady_readings as samples
    from cells
    union all by name
    (
        unpivot (
            select
                *,
                share_error(wide_lean_rear_rich_share, samples) as wide_lean_rear_rich_share_se,
                share_error(wide_rich_rear_lean_share, samples) as wide_rich_rear_lean_share_se
            from conflicts
        )
        on wide_lean_rear_rich_share, wide_lean_rear_rich_share_se, wide_rich_rear_lean_share,
            wide_rich_rear_lean_share_se
        into name indicator value value
    )
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
