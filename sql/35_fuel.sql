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
        unit_id,
        bank,
        day,
        avg(stft_pct) + learned(count(ltft_pct), avg(ltft_pct)) as trim_pct,
        count(*) as readings,
        avg(stft_pct) filter (idle) + learned(count(ltft_pct), avg(ltft_pct) filter (idle)) as trim_idle_pct,
        count(*) filter (idle) as idle_readings,
        avg(stft_pct) filter (not idle and load_pct > params.under_load_pct)
        + learned(count(ltft_pct), avg(ltft_pct) filter (not idle and load_pct > params.under_load_pct)) as trim_load_pct,
        count(*) filter (not idle and load_pct > params.under_load_pct) as load_readings
    from banks
    where front_ok and stft_pct is not null
    group by unit_id, bank, day
),

by_bank as (
    select unit_id, bank, day, 'trim_pct' as indicator, trim_pct as value, readings as samples
    from trims
    union all by name
    select unit_id, bank, day, 'trim_idle_pct' as indicator, trim_idle_pct as value, idle_readings as samples
    from trims
    where idle_readings > 0
    union all by name
    select unit_id, bank, day, 'trim_load_pct' as indicator, trim_load_pct as value, load_readings as samples
    from trims
    where load_readings > 0
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
        count(banks.rear_v) >= params.block_readings
        and (
            count(coalesce(banks.front_v, banks.front_lambda)) >= params.block_readings
            -- A gateway that polls in turns may hold a row without the upstream sensor; then the trim must be seen to stand.
            or (count(coalesce(banks.front_v, banks.front_lambda)) = 0 and count(banks.stft_pct) >= params.block_readings)
        )
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
        cast(median(ambient_degc) as double) as ambient_degc,
        cast(sum(speed_kmh * step_s) / 3600 as double) as distance_km,
        cast(max(odometer_km) as double) as odometer_km,
        cast(max(mil_on) as double) as mil_on,
        cast(median(step_s) as double) as step_s,
        count(*) as samples,
        cast(median(coolant_degc) filter (running and run_s > params.thermostat_run_s) as double) as warm_coolant_degc,
        count(coolant_degc) filter (running and run_s > params.thermostat_run_s) as coolant_readings,
        cast(quantile_cont(supply_v, 0.1) filter (running) as double) as supply_v,
        count(supply_v) filter (running) as supply_readings
    from samples
    group by unit_id, day
),

long as (
    select 'BANK' || bank as component, * exclude (bank)
    from by_bank
    union all by name
    (unpivot (select *, 'UNIT' as component from frozen) on frozen_share into name indicator value value)
    union all by name
    select
        unit_id, 'UNIT' as component, day, 'warm_coolant_degc' as indicator, warm_coolant_degc as value,
        coolant_readings as samples
    from vehicle
    where coolant_readings > 0
    union all by name
    select
        unit_id, 'UNIT' as component, day, 'supply_v' as indicator, supply_v as value, supply_readings as samples
    from vehicle
    where supply_readings > 0
    union all by name
    (
        unpivot (
            select
                unit_id,
                day,
                samples,
                'UNIT' as component,
                ambient_degc,
                distance_km,
                odometer_km,
                mil_on,
                step_s
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
    where value is not null
)

from final
