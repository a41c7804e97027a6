-- table: fuelling_days
-- grain: one row a unit, bank or vehicle, day and indicator
-- reads: banks, samples
-- params: cell_readings, purge_shut_pct, purge_open_pct, secondary_band_pct, under_load_pct, residual_kpa,
--   air_rpm_low, air_rpm_high
-- note: what fuelling, purge and air say beside the total trim. Air drawn in one engine cycle (two turns) at the
--   state of the manifold is displacement times volumetric efficiency: neither is known here, so it is held against
--   the unit's own past only, where an air mass flow sensor that drifts shows against manifold pressure. That
--   efficiency falls with load, since burned gas at exhaust pressure stays behind: by an ideal cycle (Heywood, Internal
--   Combustion Engine Fundamentals, equation 6.2, from memory) as (1 - residual_kpa / pressure). Speed-density is thus
--   m = V * (p - residual_kpa) / (R T) * n / 2, and full_charge_l is the V that the measured air mass asks for: sums
--   over sums, so that skew between the signals and whole kPa weigh little. models/airmass.py holds it against others

with banks as not materialized (from banks),

samples as not materialized (from samples),

cells as (
    select
        unit_id,
        bank,
        day,
        avg(stft_pct) + learned(count(ltft_pct), avg(ltft_pct)) as trim_pct,
        count(*) as readings,
        avg(stft_pct) filter (idle) + learned(count(ltft_pct), avg(ltft_pct) filter (idle)) as idle_pct,
        count(*) filter (idle) as idle_readings,
        avg(stft_pct) filter (cruise) + learned(count(ltft_pct), avg(ltft_pct) filter (cruise)) as cruise_pct,
        count(*) filter (cruise) as cruise_readings,
        avg(stft_pct) filter (not idle and load_pct > params.under_load_pct)
        + learned(count(ltft_pct), avg(ltft_pct) filter (not idle and load_pct > params.under_load_pct)) as loaded_pct,
        count(*) filter (not idle and load_pct > params.under_load_pct) as loaded_readings,
        avg(stft_pct) filter (purge_pct <= params.purge_shut_pct)
        + learned(count(ltft_pct), avg(ltft_pct) filter (purge_pct <= params.purge_shut_pct)) as shut_pct,
        count(*) filter (purge_pct <= params.purge_shut_pct) as shut_readings,
        avg(stft_pct) filter (purge_pct >= params.purge_open_pct)
        + learned(count(ltft_pct), avg(ltft_pct) filter (purge_pct >= params.purge_open_pct)) as open_pct,
        count(*) filter (purge_pct >= params.purge_open_pct) as open_readings
    from banks
    where front_ok and stft_pct is not null
    group by unit_id, bank, day
),

secondary as (
    select
        unit_id,
        bank,
        day,
        -- Short and long are seldom polled in the same row: the means add up, the readings do not.
        coalesce(avg(stft2_pct), 0) + coalesce(avg(ltft2_pct), 0) as secondary_pct,
        greatest(count(stft2_pct), count(ltft2_pct)) as readings,
        -- The long term one is what the controller has learned; the short one stands in where it is not sampled.
        case
            when count(ltft2_pct) > 0 then avg(cast(abs(ltft2_pct) >= params.secondary_band_pct as double))
            else avg(cast(abs(stft2_pct) >= params.secondary_band_pct as double))
        end as beyond_share,
        case when count(ltft2_pct) > 0 then count(ltft2_pct) else count(stft2_pct) end as beyond_readings
    from banks
    where rear_ok and coalesce(stft2_pct, ltft2_pct) is not null
    group by unit_id, bank, day
),

by_bank as (
    select unit_id, bank, day, 'trim_cruise_pct' as indicator, cruise_pct as value, cruise_readings as samples
    from cells
    where cruise_readings > 0
    union all by name
    select
        unit_id, bank, day, 'trim_idle_less_cruise_pct' as indicator, idle_pct - cruise_pct as value,
        least(idle_readings, cruise_readings) as samples
    from cells
    where least(idle_readings, cruise_readings) >= params.cell_readings
    union all by name
    select
        unit_id, bank, day, 'trim_load_less_cruise_pct' as indicator, loaded_pct - cruise_pct as value,
        least(loaded_readings, cruise_readings) as samples
    from cells
    where least(loaded_readings, cruise_readings) >= params.cell_readings
    union all by name
    select
        unit_id, bank, day, 'trim_purge_shift_pct' as indicator, open_pct - shut_pct as value,
        least(open_readings, shut_readings) as samples
    from cells
    where least(open_readings, shut_readings) >= params.cell_readings
    union all by name
    select unit_id, bank, day, 'secondary_trim_pct' as indicator, secondary_pct as value, readings as samples
    from secondary
    union all by name
    select unit_id, bank, day, 'secondary_beyond_share' as indicator, beyond_share as value, beyond_readings as samples
    from secondary
    union all by name
    select
        unit_id, bank, day, 'secondary_beyond_share_se' as indicator,
        share_error(beyond_share, beyond_readings) as value, beyond_readings as samples
    from secondary
),

drawn as (
    select
        unit_id,
        day,
        -- 0.287 J/(g K) times g/s times K over kPa is l/s at the manifold; 120/rpm is the time of two turns in seconds.
        avg(0.287 * maf_gs * (intake_air_degc + 273.15) / map_kpa * 120 / rpm) as drawn_air_l,
        safe_ratio(
            sum(maf_gs) filter (map_kpa > params.residual_kpa),
            sum((map_kpa - params.residual_kpa) * rpm / 120 / 0.287 / (intake_air_degc + 273.15))
                filter (map_kpa > params.residual_kpa)
        ) as full_charge_l,
        count(*) as readings
    from samples
    where
        warm and steady and not cut and not enriched
        and maf_gs > 0 and map_kpa > 0 and intake_air_degc is not null
        -- Volumetric efficiency grows with engine speed: without a band a motorway habit looks like an air mass meter.
        and rpm between params.air_rpm_low and params.air_rpm_high
    group by unit_id, day
),

purge as (
    select unit_id, day, avg(purge_pct) as purge_pct, count(*) as readings
    from samples
    where running and warm and purge_pct is not null
    group by unit_id, day
),

by_unit as (
    select
        unit_id, day, 'bank_trim_difference_pct' as indicator,
        max(trim_pct) filter (bank = 1) - max(trim_pct) filter (bank = 2) as value, min(readings) as samples
    from cells
    group by unit_id, day
    having count(*) = 2
    union all by name
    select unit_id, day, 'drawn_air_l' as indicator, drawn_air_l as value, readings as samples
    from drawn
    union all by name
    select unit_id, day, 'full_charge_l' as indicator, full_charge_l as value, readings as samples
    from drawn
    union all by name
    select unit_id, day, 'purge_pct' as indicator, purge_pct as value, readings as samples
    from purge
),

long as (
    select 'BANK' || bank as component, * exclude (bank)
    from by_bank
    union all by name
    select 'UNIT' as component, *
    from by_unit
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
    where value is not null and samples > 0
)

from final
