-- table: indicator_days
-- grain: one row a unit, component, day and indicator
-- reads: upstream_narrowband_days, upstream_wide_range_days, downstream_days, catalyst_days, heater_days, fuel_days,
--   fuelling_days, sensor_pair_days, upstream_shape_days, wide_range_cell_days,
--   warm_up_days, held_days, export_spans
-- params:
-- note: bucket is set by the caller, which knows the shard; arrived_at is when the last reading of that day came in. Where a
--   gateway holds its values, a sensor comes only as often as its value is new

with families as (
    from upstream_narrowband_days
    union all by name
    from upstream_wide_range_days
    union all by name
    from downstream_days
    union all by name
    from catalyst_days
    union all by name
    from heater_days
    union all by name
    from fuel_days
    union all by name
    from fuelling_days
    union all by name
    from sensor_pair_days
    union all by name
    from upstream_shape_days
    union all by name
    from wide_range_cell_days
    union all by name
    from warm_up_days
),

arrivals as (
    select
        unit_id,
        day,
        max(arrived_at) as arrived_at
    from export_spans
    group by unit_id, day
),

final as (
    select
        families.unit_id,
        0 as bucket,
        strftime(families.day, '%Y-%m') as month,
        families.component,
        families.day,
        families.indicator,
        -- Sums in another order differ in the last digits; what is stored does not.
        round(
            case when families.indicator = 'sample_step_s' then families.value / (1 - coalesce(held_days.held_share, 0)) else families.value end,
            6
        ) as value,
        families.samples,
        arrivals.arrived_at
    from families
    inner join arrivals on families.unit_id = arrivals.unit_id and families.day = arrivals.day
    left join held_days on families.unit_id = held_days.unit_id and families.day = held_days.day
    -- A quotient by nothing is infinite: it says as little as none.
    where isfinite(families.value)
)

from final
