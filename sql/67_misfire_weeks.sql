-- table: misfire_weeks
-- grain: one row a unit, calendar week and indicator
-- reads: onboard_tests
-- params:
-- note: counters of the control unit itself: monitors A1 (all cylinders) and A2 to AD (each cylinder), tests 0B (average
--   of the last ten driving cycles) and 0C (last or current cycle) of SAE J1979-DA, service $06. A reading counts with its
--   worst monitor; one that has not run is missing. Weeks are those of UTC: a result of the hours between the two
--   midnights falls into the neighbouring week

with onboard_tests as (from onboard_tests),

worst as (
    select
        unit_id,
        ts,
        case when tid = 11 then 'misfire_average' else 'misfire_count' end as indicator,
        max(value) as value
    from onboard_tests
    where has_run and obdmid between 161 and 173 and tid in (11, 12)
    group by unit_id, ts, indicator
),

final as (
    select
        unit_id,
        'UNIT' as component,
        cast(date_trunc('week', ts) as date) as data_week,
        indicator,
        avg(value) as value,
        count(*) as samples,
        count(distinct cast(ts as date)) as days
    from worst
    group by unit_id, data_week, indicator
)

from final
