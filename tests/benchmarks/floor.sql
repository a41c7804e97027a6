-- The bare floor of the ingest benchmark: read, sort, write partitions; nothing is checked, merged or counted.
-- The benchmark puts in {folder} and {reader}: read_csv with declared types, or read_parquet.
copy (
    select
        *,
        cast(ts at time zone 'UTC' as date) as day,
        hash(unit_id) % 16 as bucket
    from {reader}
    order by day, bucket, unit_id, ts
) to '{folder}' (format parquet, compression zstd, compression_level 3, partition_by (day, bucket))
