-- table: samples
-- grain: one row a unit and instant
-- reads: readings, unit_days
-- params: trip_gap_s, running_rpm, warm_coolant_degc, warm_run_s, warm_run_without_coolant_s, cut_speed_kmh, cut_rpm,
--   cut_load_pct, cut_throttle_over_idle_pct, cut_lambda, cut_lean_v, enrich_load_pct, enrich_lambda, idle_speed_kmh,
--   idle_rpm, cruise_speed_kmh, cruise_rpm, cruise_load_pct, steady_s, steady_speed_kmh, rpm_staleness_s,
--   speed_kmh_staleness_s, coolant_degc_staleness_s, ambient_degc_staleness_s, load_pct_staleness_s,
--   throttle_pct_staleness_s, maf_gs_staleness_s, map_kpa_staleness_s, lambda_target_staleness_s,
--   fuel_status_b1_staleness_s, fuel_status_b2_staleness_s, ltft_b1_pct_staleness_s,
--   purge_pct_staleness_s, lambda_b1s1_staleness_s, catalyst_b1s1_degc_staleness_s, light_off_air_g, catalyst_soak_s,
--   idle_air_gs
-- note: sensors keep only what was sampled in the row; context signals carry the last value no older than its bound.
--   The rows are put in order once; every window then runs over them as they come, with no partition and no order of
--   its own, which streams. What is carried starts anew with each trip: its instant is put long ago there, so that it is
--   older than any bound. hot is what the catalyst must be where its temperature is not reported: air since the start,
--   as the measure of exhaust heat, against what light-off needs; a start soon after another trip of the day needs less,
--   by exp(-soak / catalyst_soak_s), while a trip over midnight counts as from cold. Even speed is asked of clock blocks of twice steady_s, each judged as a whole

with readings as not materialized (from readings),

unit_days as (from unit_days),

params as (from params),

even as (
    select
        unit_id,
        block_of(ts, 2 * params.steady_s) as block,
        coalesce(
            max(speed_kmh) - min(speed_kmh) <= any_value(params.steady_speed_kmh)
            and seconds_between(min(ts), max(ts)) >= any_value(params.steady_s) / 2,
            false
        ) as steady
    from readings, params
    where speed_kmh is not null
    group by unit_id, block
),

ordered as (
    select
        readings.*,
        unit_days.kind,
        unit_days.banks,
        unit_days.reports_b1,
        unit_days.reports_b2,
        unit_days.idle_throttle_pct,
        unit_days.reports_load,
        unit_days.reports_target,
        coalesce(even.steady, false) as steady
    from readings
    cross join params
    -- Whatever is looked up is looked up before the rows are put in order: a join keeps no order.
    left join unit_days on readings.unit_id = unit_days.unit_id and readings.day = unit_days.day
    left join even
        on readings.unit_id = even.unit_id and block_of(readings.ts, 2 * params.steady_s) = even.block
    order by readings.unit_id, readings.ts
),

stepped as (
    select
        *,
        case
            when unit_id = lag(unit_id) over () then seconds_between(lag(ts) over (), ts)
            -- The windows below are right only in this order: better no result than a wrong one.
            when unit_id < lag(unit_id) over () then error('readings are not in the order of their vehicles')
        end as raw_step_s,
        -- Engine start as this row tells it: constant while the engine keeps running.
        ts - to_microseconds(cast(run_time_s * 1000000 as bigint)) as engine_started_at
    from ordered
),

gaps as (
    select
        stepped.*,
        coalesce(raw_step_s > params.trip_gap_s, true) as after_gap
    from stepped, params
),

run_times as (
    select
        *,
        last_value(run_time_s ignore nulls) over so_far as known_run_time_s,
        last_value(case when run_time_s is not null then ts when after_gap then long_ago() end ignore nulls) over so_far
            as known_run_time_at
    from gaps
    window so_far as (rows between unbounded preceding and current row)
),

trip_begins as (
    select
        *,
        -- A run time that falls is a new start; compared only since the last gap, which has begun a trip already.
        after_gap
        or coalesce(
            run_time_s < lag(known_run_time_s) over () - 1 and lag(known_run_time_at) over () > long_ago(), false
        ) as begins
    from run_times
),

-- The newest value of each context signal and its instant; how old it may be is asked in the next step.
last_known as (
    select
        unit_id,
        ts,
        day,
        begins,
        last_value(case when begins then ts end ignore nulls) over so_far as started_at,
        case when begins then null else raw_step_s end as step_s,
        last_value(
            case when run_time_s is not null then engine_started_at when begins then long_ago() end ignore nulls
        ) over so_far as engine_started_at,
        last_value(rpm ignore nulls) over so_far as rpm,
        last_value(case when rpm is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as rpm_at,
        last_value(speed_kmh ignore nulls) over so_far as speed_kmh,
        last_value(case when speed_kmh is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as speed_kmh_at,
        last_value(coolant_degc ignore nulls) over so_far as coolant_degc,
        last_value(case when coolant_degc is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as coolant_degc_at,
        last_value(intake_air_degc ignore nulls) over so_far as intake_air_degc,
        last_value(case when intake_air_degc is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as intake_air_degc_at,
        last_value(ambient_degc ignore nulls) over so_far as ambient_degc,
        last_value(case when ambient_degc is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as ambient_degc_at,
        last_value(load_pct ignore nulls) over so_far as load_pct,
        last_value(case when load_pct is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as load_pct_at,
        last_value(throttle_pct ignore nulls) over so_far as throttle_pct,
        last_value(case when throttle_pct is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as throttle_pct_at,
        last_value(maf_gs ignore nulls) over so_far as maf_gs,
        last_value(case when maf_gs is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as maf_gs_at,
        last_value(map_kpa ignore nulls) over so_far as map_kpa,
        last_value(case when map_kpa is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as map_kpa_at,
        last_value(lambda_target ignore nulls) over so_far as lambda_target,
        last_value(case when lambda_target is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as lambda_target_at,
        last_value(fuel_status_b1 ignore nulls) over so_far as fuel_status_b1,
        last_value(case when fuel_status_b1 is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as fuel_status_b1_at,
        last_value(fuel_status_b2 ignore nulls) over so_far as fuel_status_b2,
        last_value(case when fuel_status_b2 is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as fuel_status_b2_at,
        last_value(ltft_b1_pct ignore nulls) over so_far as ltft_b1_pct,
        last_value(case when ltft_b1_pct is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as ltft_b1_pct_at,
        last_value(ltft_b2_pct ignore nulls) over so_far as ltft_b2_pct,
        last_value(case when ltft_b2_pct is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as ltft_b2_pct_at,
        last_value(purge_pct ignore nulls) over so_far as purge_pct,
        last_value(case when purge_pct is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as purge_pct_at,
        last_value(catalyst_b1s1_degc ignore nulls) over so_far as catalyst_b1s1_degc,
        last_value(case when catalyst_b1s1_degc is not null then ts when begins then long_ago() end ignore nulls)
            over so_far as catalyst_b1s1_degc_at,
        last_value(catalyst_b2s1_degc ignore nulls) over so_far as catalyst_b2s1_degc,
        last_value(case when catalyst_b2s1_degc is not null then ts when begins then long_ago() end ignore nulls)
            over so_far as catalyst_b2s1_degc_at,
        last_value(lambda_b1s1 ignore nulls) over so_far as near_lambda,
        last_value(case when lambda_b1s1 is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as near_lambda_at,
        last_value(o2_b1s1_v ignore nulls) over so_far as near_o2_v,
        last_value(case when o2_b1s1_v is not null then ts when begins then long_ago() end ignore nulls) over so_far
            as near_o2_v_at,
        kind,
        banks,
        reports_b1,
        reports_b2,
        idle_throttle_pct,
        reports_load,
        reports_target,
        steady,
        stft_b1_pct,
        stft_b2_pct,
        stft2_b1_pct,
        ltft2_b1_pct,
        stft2_b2_pct,
        ltft2_b2_pct,
        baro_kpa,
        odometer_km,
        supply_v,
        o2_b1s1_v,
        o2_b1s2_v,
        o2_b2s1_v,
        o2_b2s2_v,
        lambda_b1s1,
        lambda_b2s1,
        pump_b1s1_ma,
        pump_b2s1_ma,
        mil_on,
        distance_since_clear_km
    from trip_begins
    window so_far as (rows between unbounded preceding and current row)
),

carried as (
    select
        unit_id,
        ts,
        day,
        begins,
        started_at,
        step_s,
        -- The instant of the start does not grow old while the trip lasts, however seldom the run time is sampled.
        nullif(engine_started_at, long_ago()) as engine_started_at,
        if_fresh(rpm, rpm_at, ts, params.rpm_staleness_s) as rpm,
        if_fresh(speed_kmh, speed_kmh_at, ts, params.speed_kmh_staleness_s) as speed_kmh,
        if_fresh(coolant_degc, coolant_degc_at, ts, params.coolant_degc_staleness_s) as coolant_degc,
        if_fresh(intake_air_degc, intake_air_degc_at, ts, params.coolant_degc_staleness_s) as intake_air_degc,
        if_fresh(ambient_degc, ambient_degc_at, ts, params.ambient_degc_staleness_s) as ambient_degc,
        if_fresh(load_pct, load_pct_at, ts, params.load_pct_staleness_s) as load_pct,
        if_fresh(throttle_pct, throttle_pct_at, ts, params.throttle_pct_staleness_s) as throttle_pct,
        if_fresh(maf_gs, maf_gs_at, ts, params.maf_gs_staleness_s) as maf_gs,
        if_fresh(map_kpa, map_kpa_at, ts, params.map_kpa_staleness_s) as map_kpa,
        if_fresh(lambda_target, lambda_target_at, ts, params.lambda_target_staleness_s) as lambda_target,
        if_fresh(fuel_status_b1, fuel_status_b1_at, ts, params.fuel_status_b1_staleness_s) as fuel_status_b1,
        if_fresh(fuel_status_b2, fuel_status_b2_at, ts, params.fuel_status_b2_staleness_s) as fuel_status_b2,
        if_fresh(ltft_b1_pct, ltft_b1_pct_at, ts, params.ltft_b1_pct_staleness_s) as ltft_b1_pct,
        if_fresh(ltft_b2_pct, ltft_b2_pct_at, ts, params.ltft_b1_pct_staleness_s) as ltft_b2_pct,
        if_fresh(purge_pct, purge_pct_at, ts, params.purge_pct_staleness_s) as purge_pct,
        if_fresh(near_lambda, near_lambda_at, ts, params.lambda_b1s1_staleness_s) as near_lambda,
        if_fresh(near_o2_v, near_o2_v_at, ts, params.lambda_b1s1_staleness_s) as near_o2_v,
        kind,
        banks,
        reports_b1,
        reports_b2,
        idle_throttle_pct,
        reports_load,
        reports_target,
        steady,
        stft_b1_pct,
        stft_b2_pct,
        stft2_b1_pct,
        ltft2_b1_pct,
        stft2_b2_pct,
        ltft2_b2_pct,
        baro_kpa,
        odometer_km,
        supply_v,
        o2_b1s1_v,
        o2_b1s2_v,
        o2_b2s1_v,
        o2_b2s2_v,
        lambda_b1s1,
        lambda_b2s1,
        pump_b1s1_ma,
        pump_b2s1_ma,
        if_fresh(catalyst_b1s1_degc, catalyst_b1s1_degc_at, ts, params.catalyst_b1s1_degc_staleness_s)
            as catalyst_b1s1_degc,
        if_fresh(catalyst_b2s1_degc, catalyst_b2s1_degc_at, ts, params.catalyst_b1s1_degc_staleness_s)
            as catalyst_b2s1_degc,
        mil_on,
        distance_since_clear_km
    from last_known, params
),

described as (
    select
        carried.*,
        coalesce(seconds_between(engine_started_at, ts), seconds_between(started_at, ts)) as run_s,
        engine_started_at is not null as run_time_known,
        coalesce(rpm > params.running_rpm, maf_gs > 0, true) as running,
        coalesce(
            speed_kmh > params.cut_speed_kmh
            and coalesce(rpm > params.cut_rpm, true)
            and coalesce(load_pct < params.cut_load_pct, throttle_pct is not null)
            and coalesce(
                throttle_pct <= idle_throttle_pct + params.cut_throttle_over_idle_pct, true
            ),
            false
        ) as overrun,
        -- Load and throttle fail though the vehicle reports them: a fuel cut may pass unseen, and what follows it too.
        reports_load and load_pct is null and throttle_pct is null and coalesce(speed_kmh > params.cut_speed_kmh, true)
            as blind,
        coalesce(
            lambda_target < params.enrich_lambda or (fuel_status_b1 = 4 and load_pct > params.enrich_load_pct),
            false
        ) as enriched
    from carried, params
),

flagged as (
    select
        described.*,
        running and coalesce(
            coolant_degc >= params.warm_coolant_degc and run_s >= params.warm_run_s,
            run_s >= params.warm_run_without_coolant_s
        ) as warm,
        -- The control unit says open loop on overrun, or a wide-range sensor sees more air than a fired engine leaves.
        -- A conventional sensor reads lean half of the time, so it is asked only where the status is not reported.
        running and overrun and (
            coalesce(fuel_status_b1 in (4, 8), near_o2_v < params.cut_lean_v, false)
            or coalesce(near_lambda > params.cut_lambda, false)
        ) as cut,
        running and coalesce(speed_kmh <= params.idle_speed_kmh and rpm < params.idle_rpm, false) as idle,
        running and coalesce(
            speed_kmh >= params.cruise_speed_kmh
            and coalesce(rpm >= params.cruise_rpm, true)
            and coalesce(load_pct < params.cruise_load_pct, true),
            false
        ) as cruise
    from described, params
),

dated as (
    select
        *,
        last_value(case when cut or blind then ts when begins then long_ago() end ignore nulls) over so_far as cut_at,
        last_value(case when enriched then ts when begins then long_ago() end ignore nulls) over so_far as enriched_at,
        sum(case when running then cast(maf_gs as double) * step_s end) over so_far as air_g
    from flagged
    window so_far as (rows between unbounded preceding and current row)
),

breathed as (
    select
        dated.*,
        last_value(case when begins then day end ignore nulls) over so_far as began_on,
        coalesce(air_g, 0) - last_value(case when begins then coalesce(air_g, 0) end ignore nulls) over so_far
        -- What was breathed before the logging began is at least that of an engine at idle.
        + params.idle_air_gs * last_value(case when begins then run_s end ignore nulls) over so_far as own_air_g
    from dated, params
    window so_far as (rows between unbounded preceding and current row)
),

soaked as (
    select
        breathed.*,
        case
            when begins and unit_id = lag(unit_id) over () and day = lag(day) over ()
                then
                    least(lag(own_air_g) over () / params.light_off_air_g, 1)
                    * exp(-seconds_between(lag(ts) over (), ts) / params.catalyst_soak_s)
            when begins then 0
        end as heat_left
    from breathed, params
),

heated as (
    select
        *,
        last_value(heat_left ignore nulls) over (rows between unbounded preceding and current row) as first_heat
    from soaked
),

final as (
    select
        heated.* exclude (
            begins, engine_started_at, near_lambda, near_o2_v, overrun, blind, idle_throttle_pct, reports_load,
            cut_at, enriched_at, air_g,
            began_on, own_air_g, heat_left, first_heat
        ),
        case when cut_at > long_ago() then seconds_between(cut_at, ts) end as since_cut_s,
        case when enriched_at > long_ago() then seconds_between(enriched_at, ts) end as since_enriched_s,
        running and (
            run_s >= params.warm_run_without_coolant_s
            or coalesce(
                maf_gs is not null
                and own_air_g >= params.light_off_air_g * (1 - case when day = began_on then first_heat else 0 end),
                false
            )
        ) as hot
    from heated, params
)

from final
