-- table: offenders
-- grain: one row a key that stands more than once
-- reads: readings, export_spans, trips, indicator_days
-- params:
-- note: writes check the keys of what they write; this asks the whole table, whatever wrote it

with readings as (from readings),

export_spans as (from export_spans),

trips as (from trips),

indicator_days as (from indicator_days),

final as (
    select
        'readings: two rows of one instant' as problem,
        unit_id,
        min(day) as day,
        cast(ts as varchar) as detail,
        count(*) as rows
    from readings
    group by unit_id, ts
    having count(*) > 1
    union all by name
    select
        'export_spans: two spans of one export' as problem,
        unit_id,
        day,
        export_id as detail,
        count(*) as rows
    from export_spans
    group by unit_id, day, export_id
    having count(*) > 1
    union all by name
    select
        'trips: two trips with one start' as problem,
        unit_id,
        min(day) as day,
        cast(started_at as varchar) as detail,
        count(*) as rows
    from trips
    group by unit_id, started_at
    having count(*) > 1
    union all by name
    select
        'indicator_days: two values of one day' as problem,
        unit_id,
        day,
        component || ' ' || indicator as detail,
        count(*) as rows
    from indicator_days
    group by unit_id, component, day, indicator
    having count(*) > 1
)

from final
