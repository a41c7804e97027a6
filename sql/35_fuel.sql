-- table: fuel_days
-- grain: one row a unit, bank or vehicle, day and indicator
-- reads: banks, samples
-- params: thermostat_run_s, under_load_pct, block_s, block_readings
-- note: the confounders get indicators of their own, since blame needs them. Total trim is the sum of short and long
--   trim, not their product

with banks as not materialized (from banks),

samples as not materialized (from samples),

trims as (
    select
        banks.*,
        stft_pct + coalesce(ltft_pct, 0) as trim_pct
    from banks
    where front_ok and stft_pct is not null
),

by_bank as (
    select
        unit_id,
        bank,
        day,
        avg(trim_pct) as trim_pct,
        count(*) as samples
    from trims
    group by unit_id, bank, day
),

by_idle as (
    select
        unit_id,
        bank,
        day,
        avg(trim_pct) as trim_idle_pct,
        count(*) as samples
    from trims
    where idle
    group by unit_id, bank, day
),

by_load as (
    select
        unit_id,
        bank,
        day,
        avg(trim_pct) as trim_load_pct,
        count(*) as samples
    from trims
    where not idle and load_pct > params.under_load_pct
    group by unit_id, bank, day
),

blocks as (
    select
        banks.unit_id,
        banks.bank,
        banks.day,
        banks.started_at,
        floor(banks.run_s / params.block_s) as block,
        -- Exactly the same words from the sensors and the trim while the engine speed changes: nobody samples them.
        coalesce(max(banks.front_v) = min(banks.front_v), true)
        and coalesce(max(banks.front_lambda) = min(banks.front_lambda), true)
        and coalesce(max(banks.rear_v) = min(banks.rear_v), false)
        and coalesce(max(banks.stft_pct) = min(banks.stft_pct), true)
        and max(banks.speed_kmh) > min(banks.speed_kmh) as frozen
    from banks
    where banks.closed and banks.warm
    group by banks.unit_id, banks.bank, banks.day, banks.started_at, block
    having
        count(coalesce(banks.front_v, banks.front_lambda)) >= params.block_readings
        and count(banks.rear_v) >= params.block_readings
),

frozen as (
    select
        unit_id,
        day,
        avg(cast(frozen as double)) as frozen_share,
        count(*) as samples
    from blocks
    group by unit_id, day
),

vehicle as (
    select
        unit_id,
        day,
        median(ambient_degc) as ambient_degc,
        sum(speed_kmh * step_s) / 3600 as distance_km,
        max(odometer_km) as odometer_km,
        max(mil_on) as mil_on,
        median(step_s) as step_s,
        count(*) as samples
    from samples
    group by unit_id, day
),

coolant as (
    select
        unit_id,
        day,
        cast(median(coolant_degc) as double) as warm_coolant_degc,
        count(*) as samples
    from samples
    where running and run_s > params.thermostat_run_s and coolant_degc is not null
    group by unit_id, day
),

supply as (
    select
        unit_id,
        day,
        cast(quantile_cont(supply_v, 0.1) as double) as supply_v,
        count(*) as samples
    from samples
    where running and supply_v is not null
    group by unit_id, day
),

long as (
    (unpivot (select *, 'BANK' || bank as component from by_bank) on trim_pct into name indicator value value)
    union all by name
    (unpivot (select *, 'BANK' || bank as component from by_idle) on trim_idle_pct into name indicator value value)
    union all by name
    (unpivot (select *, 'BANK' || bank as component from by_load) on trim_load_pct into name indicator value value)
    union all by name
    (unpivot (select *, 'UNIT' as component from frozen) on frozen_share into name indicator value value)
    union all by name
    (unpivot (select *, 'UNIT' as component from coolant) on warm_coolant_degc into name indicator value value)
    union all by name
    (unpivot (select *, 'UNIT' as component from supply) on supply_v into name indicator value value)
    union all by name
    (
        unpivot (
            select
                unit_id,
                day,
                samples,
                'UNIT' as component,
                cast(ambient_degc as double) as ambient_degc,
                cast(distance_km as double) as distance_km,
                cast(odometer_km as double) as odometer_km,
                cast(mil_on as double) as mil_on,
                cast(step_s as double) as step_s
            from vehicle
        )
        on ambient_degc, distance_km, odometer_km, mil_on, step_s
        into name indicator value value
    )
),

final as (
    select
        unit_id,
        component,
        day,
        indicator,
        cast(value as double) as value,
        samples
    from long
)

from final
