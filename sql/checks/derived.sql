-- table: offenders
-- grain: one row a partition, a trip or a vehicle's day that does not follow from the readings
-- reads: readings, thinned, shards, trips, indicator_days
-- params:
-- note: holds after a derive: every partition was derived from the rows it has now, and nothing is left of days
--   whose readings are gone but were not thinned

with readings as (from readings),

thinned as (from thinned),

shards as (from shards),

trips as (from trips),

indicator_days as (from indicator_days),

partitions as (
    select
        day,
        bucket,
        count(*) as rows
    from readings
    group by day, bucket
    union all by name
    select
        day,
        bucket,
        rows_before as rows
    from thinned
),

days as (
    select distinct
        unit_id,
        day,
        bucket
    from readings
),

final as (
    select
        'shards: a partition was derived from other rows' as problem,
        cast(coalesce(partitions.day, shards.day) as varchar) || ' '
        || cast(coalesce(partitions.bucket, shards.bucket) as varchar) as detail,
        coalesce(partitions.rows, 0) as expected,
        coalesce(shards.readings, 0) as found
    from partitions
    full join shards on partitions.day = shards.day and partitions.bucket = shards.bucket
    where partitions.rows is distinct from shards.readings
    union all by name
    select
        'indicator_days: no readings of that day' as problem,
        unit_id || ' ' || cast(day as varchar) || ' ' || component || ' ' || indicator as detail,
        0 as expected,
        samples as found
    from indicator_days
    anti join days using (unit_id, day, bucket)
    anti join thinned using (day, bucket)
    union all by name
    select
        'trips: no readings of that day' as problem,
        unit_id || ' ' || cast(started_at as varchar) as detail,
        0 as expected,
        readings as found
    from trips
    anti join days using (unit_id, day, bucket)
    anti join thinned using (day, bucket)
)

from final
