-- table: offenders
-- grain: one row a thinned partition whose rows do not add up
-- reads: readings, readings_thin, thinned
-- params:
-- note: a thinned partition is gone from the readings, what is left of it is what was counted, and nothing is left of
--   one that was never thinned

with readings as (from readings),

readings_thin as (from readings_thin),

thinned as (from thinned),

kept as (
    select
        day,
        bucket,
        count(*) as rows
    from readings_thin
    group by day, bucket
),

whole as (
    select
        day,
        bucket,
        count(*) as rows
    from readings
    group by day, bucket
),

final as (
    select
        'thinned: other rows are left than were counted' as problem,
        cast(coalesce(thinned.day, kept.day) as varchar) || ' '
        || cast(coalesce(thinned.bucket, kept.bucket) as varchar) as detail,
        coalesce(thinned.rows_after, 0) as expected,
        coalesce(kept.rows, 0) as found
    from thinned
    full join kept on thinned.day = kept.day and thinned.bucket = kept.bucket
    where coalesce(thinned.rows_after, 0) <> coalesce(kept.rows, 0)
    union all by name
    select
        'thinned: more rows are left than there were' as problem,
        cast(day as varchar) || ' ' || cast(bucket as varchar) as detail,
        rows_before as expected,
        rows_after as found
    from thinned
    where rows_after > rows_before
    union all by name
    select
        'thinned: the readings are still there' as problem,
        cast(whole.day as varchar) || ' ' || cast(whole.bucket as varchar) as detail,
        0 as expected,
        whole.rows as found
    from whole
    semi join thinned using (day, bucket)
)

from final
