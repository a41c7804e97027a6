-- table: test_margins
-- grain: one row a unit, monitor, test and new result
-- reads: onboard_tests
-- params:
-- note: results stay until the next completion, so a repeated result is not a new test; a test that has not run is
--   missing, never passed; a constant (both limits alike, as for $01 to $04 of an oxygen sensor) is no test. Margin is
--   the distance to the nearer limit as a share of that limit, negative when failed

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

fresh as (
    select * from ran
    where
        value_before is null
        or value_raw <> value_before
        or min_raw <> min_before
        or max_raw <> max_before
),

margins as (
    select
        fresh.*,
        -- A limit at the end of the scale is none: 0 and 65535, or 0x8000 and 0x7FFF where the unit-and-scaling id is
        -- a signed one (0x80 and above; SAE J1979, service $06).
        case
            when min_raw <> (case when uasid >= 128 then 32768 else 0 end)
                then (value - min) / abs(nullif(min, 0))
        end as lower_margin,
        case
            when max_raw <> (case when uasid >= 128 then 32767 else 65535 end)
                then (max - value) / abs(nullif(max, 0))
        end as upper_margin
    from fresh
),

final as (
    select
        unit_id,
        obdmid,
        tid,
        ts,
        value,
        min,
        max,
        least(coalesce(lower_margin, upper_margin), coalesce(upper_margin, lower_margin)) as margin
    from margins
    where lower_margin is not null or upper_margin is not null
)

from final
