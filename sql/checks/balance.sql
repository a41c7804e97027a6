-- table: offenders
-- grain: one row an export, or a vehicle's day, whose rows do not add up
-- reads: exports, quarantine, export_spans, lost_spans, readings, thinned
-- params:
-- note: rows in = rows kept + rows quarantined + exact duplicates, and what was kept is where its span says.
--   Several rows of one instant become one reading, so a day may hold fewer readings than were kept, never more; a
--   thinned day need not hold any. What was kept and lost with a damaged file is where its lost span says

with exports as (from exports),

quarantine as (from quarantine),

export_spans as (from export_spans),

lost_spans as (from lost_spans),

readings as (from readings),

thinned as (from thinned),

refused_rows as (
    select
        export_id,
        count(distinct line) as lines
    from quarantine
    where scope = 'row'
    group by export_id
),

all_spans as (
    select
        export_id,
        rows
    from export_spans
    union all by name
    select
        export_id,
        rows
    from lost_spans
),

kept_rows as (
    select
        export_id,
        sum(rows) as rows
    from all_spans
    group by export_id
),

days_of_spans as (
    select
        unit_id,
        day,
        sum(rows) as rows
    from export_spans
    group by unit_id, day
),

days_of_readings as (
    select
        unit_id,
        day,
        count(*) as rows
    from readings
    group by unit_id, day
),

final as (
    select
        'exports: rows in are not kept, quarantined or duplicate' as problem,
        export_id || ' ' || file as detail,
        rows_in as expected,
        kept + quarantined + duplicates as found
    from exports
    where rows_in <> kept + quarantined + duplicates
    union all by name
    select
        'exports: quarantined rows are not in quarantine' as problem,
        exports.export_id || ' ' || exports.file as detail,
        exports.quarantined as expected,
        coalesce(refused_rows.lines, 0) as found
    from exports
    left join refused_rows on exports.export_id = refused_rows.export_id
    where exports.quarantined <> coalesce(refused_rows.lines, 0)
    union all by name
    select
        'exports: kept readings have no span' as problem,
        exports.export_id || ' ' || exports.file as detail,
        exports.kept as expected,
        coalesce(cast(kept_rows.rows as bigint), 0) as found
    from exports
    left join kept_rows on exports.export_id = kept_rows.export_id
    where exports.kind = 'readings' and exports.kept <> coalesce(kept_rows.rows, 0)
    union all by name
    select
        'readings: a day holds more than was kept, or nothing of it' as problem,
        coalesce(days_of_spans.unit_id, days_of_readings.unit_id) || ' '
        || cast(coalesce(days_of_spans.day, days_of_readings.day) as varchar) as detail,
        coalesce(cast(days_of_spans.rows as bigint), 0) as expected,
        coalesce(days_of_readings.rows, 0) as found
    from days_of_spans
    full join days_of_readings
        on days_of_spans.unit_id = days_of_readings.unit_id and days_of_spans.day = days_of_readings.day
    where
        days_of_spans.rows is null
        or (
            days_of_readings.rows is null
            and days_of_spans.day not in (select day from thinned)
        )
        or days_of_readings.rows > days_of_spans.rows
)

from final
