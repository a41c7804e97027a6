-- table: indicator_weeks
-- grain: one row a unit, component, calendar week and indicator
-- reads: indicator_days
-- params:
-- note: days weigh by the samples they rest on; weeks begin on Monday in the fleet's time zone. What an older version
--   measured as infinite counts as not measured

with indicator_days as (from indicator_days),

final as (
    select
        unit_id,
        component,
        cast(date_trunc('week', day) as date) as data_week,
        indicator,
        sum(value * samples) / sum(samples) as value,
        cast(sum(samples) as bigint) as samples,
        count(*) as days
    from indicator_days
    where samples > 0 and isfinite(value)
    group by unit_id, component, data_week, indicator
)

from final
