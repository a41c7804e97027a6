-- table: test_margins
-- grain: one row a unit, monitor, test and new result
-- reads: onboard_tests
-- params:
-- note: results stay until the next completion, so a repeated result is not a new test, only one that still stands
--   (seen_until); a test that has not run is missing, never passed; a constant (both limits alike, as for $01 to $04 of an
--   oxygen sensor) is no test. Margin is the distance to the nearer limit as a share of that limit, negative when failed; a
--   limit of 0 has no size and takes that of the other one, and alone it tells only passed (1) or failed (-1)

with onboard_tests as (from onboard_tests),

ran as (
    select
        onboard_tests.*,
        lag(value_raw) over test as value_before,
        lag(min_raw) over test as min_before,
        lag(max_raw) over test as max_before
    from onboard_tests
    -- SAE J1979-DA, TIDs $01 to $04 of the oxygen-sensor monitors $01 to $10: the thresholds themselves, sent as a value
    -- with limits of its own size (domain reference 2.2 and check value 46 01 01 0A 0E 69 0E 69 0E 69).
    where has_run and min_raw <> max_raw and not (obdmid between 1 and 16 and tid between 1 and 4)
    window test as (partition by unit_id, obdmid, tid order by ts)
),

numbered as (
    select
        ran.*,
        count_if(
            value_before is null
            or value_raw <> value_before
            or min_raw <> min_before
            or max_raw <> max_before
        ) over (partition by unit_id, obdmid, tid order by ts) as result_number
    from ran
),

fresh as (
    select
        unit_id,
        obdmid,
        tid,
        min(ts) as ts,
        max(ts) as seen_until,
        arg_min(uasid, ts) as uasid,
        arg_min(value, ts) as value,
        arg_min(min, ts) as min,
        arg_min(max, ts) as max,
        arg_min(min_raw, ts) as min_raw,
        arg_min(max_raw, ts) as max_raw
    from numbered
    group by unit_id, obdmid, tid, result_number
),

limits as (
    select
        fresh.*,
        -- A limit at the end of the scale is none: 0 and 65535, or 0x8000 and 0x7FFF where the unit-and-scaling id is
        -- a signed one (0x80 and above; SAE J1979, service $06).
        case when min_raw <> (case when uasid >= 128 then 32768 else 0 end) then min end as lowest,
        case when max_raw <> (case when uasid >= 128 then 32767 else 65535 end) then max end as highest
    from fresh
),

margins as (
    select
        limits.*,
        coalesce((value - lowest) / coalesce(nullif(abs(lowest), 0), nullif(abs(highest), 0)), sign(value - lowest))
            as lower_margin,
        coalesce((highest - value) / coalesce(nullif(abs(highest), 0), nullif(abs(lowest), 0)), sign(highest - value))
            as upper_margin
    from limits
),

final as (
    select
        unit_id,
        obdmid,
        tid,
        ts,
        seen_until,
        value,
        min,
        max,
        least(coalesce(lower_margin, upper_margin), coalesce(upper_margin, lower_margin)) as margin
    from margins
    where lower_margin is not null or upper_margin is not null
)

from final
