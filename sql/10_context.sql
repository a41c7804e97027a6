-- table: context
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
-- note: never kept, 11_samples runs through it. Sensors keep only what was sampled in the row; context signals carry the last value no older than its bound.
--   The readings come in the order of vehicle and instant; every window runs over them as they come, with no partition
--   and no order of its own, which streams. A join would keep no order: what is known of a row's day and clock block is
--   looked up by the place of that day or block in a list. What is carried starts anew with each trip: at its first row
--   the time at which a value was sampled is put to nothing. hot is what the catalyst must be where its temperature is not
--   reported: air since the start, as the measure of exhaust heat, against what light-off needs; a start soon after
--   another trip of the day needs less, by exp(-soak / catalyst_soak_s), while a trip over midnight counts as from cold.
--   Even speed is asked of clock blocks of twice steady_s, each
--   judged as a whole

with days_listed as (
    select
        list(
            {
                'unit_id': unit_id,
                'day': day,
                'kind': kind,
                'banks': banks,
                'reports_b1': reports_b1,
                'reports_b2': reports_b2,
                'idle_throttle_pct': idle_throttle_pct,
                'reports_load': reports_load,
                'reports_target': reports_target
            }
            order by unit_id, day
        ) as unit_days
    from unit_days
),

even as (
    select
        unit_id,
        block_of(ts, 2 * params.steady_s) as block,
        coalesce(
            max(speed_kmh) - min(speed_kmh) <= params.steady_speed_kmh
            and seconds_between(
                min(case when speed_kmh is not null then ts end), max(case when speed_kmh is not null then ts end)
            ) >= params.steady_s / 2,
            false
        ) as steady
    from readings
    group by unit_id, block
),

blocks_listed as (
    select list(steady order by unit_id, block) as steady_blocks
    from even
),

stepped as (
    select
        *,
        case
            -- The windows below are right only in this order: better no result than a wrong one.
            when unit_id < lag(unit_id) over () or (unit_id = lag(unit_id) over () and ts < lag(ts) over ())
                then error('readings are out of order')
            when unit_id = lag(unit_id) over () then seconds_between(lag(ts) over (), ts)
        end as raw_step_s,
        (unit_id = lag(unit_id) over () and day = lag(day) over ()) is not true as begins_day,
        (
            unit_id = lag(unit_id) over ()
            and block_of(ts, 2 * params.steady_s) = lag(block_of(ts, 2 * params.steady_s)) over ()
        ) is not true as begins_block,
        epoch_us(ts) as now_us,
        -- Engine start as this row tells it: constant while the engine keeps running.
        ts - to_microseconds(cast(run_time_s * 1000000 as bigint)) as engine_started_at
    from readings
),

gaps as (
    select
        *,
        (raw_step_s > params.trip_gap_s) is not false as after_gap
    from stepped
),

run_times as (
    select
        *,
        -- Rows counted by a filter stream; counts of an expression take ten times as long.
        count(*) filter (where begins_day) over so_far as day_place,
        count(*) filter (where begins_block) over so_far as block_place,
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
        or (run_time_s < lag(known_run_time_s) over () - 1 and lag(known_run_time_at) over () > long_ago()) is true
            as begins
    from run_times
),

-- The newest value of each context signal and when it was sampled; whether it still counts is asked in the next step.
last_known as (
    select
        unit_id,
        ts,
        now_us,
        day,
        day_place,
        block_place,
        begins,
        last_value(case when begins then ts end ignore nulls) over so_far as started_at,
        case when begins then null else raw_step_s end as step_s,
        last_value(
            case when run_time_s is not null then engine_started_at when begins then long_ago() end ignore nulls
        ) over so_far as engine_started_at,
        last_value(rpm ignore nulls) over so_far as rpm,
        last_value(sampled_at(rpm, now_us, begins) ignore nulls) over so_far as rpm_us,
        last_value(speed_kmh ignore nulls) over so_far as speed_kmh,
        last_value(sampled_at(speed_kmh, now_us, begins) ignore nulls) over so_far as speed_kmh_us,
        last_value(coolant_degc ignore nulls) over so_far as coolant_degc,
        last_value(sampled_at(coolant_degc, now_us, begins) ignore nulls) over so_far as coolant_degc_us,
        last_value(intake_air_degc ignore nulls) over so_far as intake_air_degc,
        last_value(sampled_at(intake_air_degc, now_us, begins) ignore nulls) over so_far as intake_air_degc_us,
        last_value(ambient_degc ignore nulls) over so_far as ambient_degc,
        last_value(sampled_at(ambient_degc, now_us, begins) ignore nulls) over so_far as ambient_degc_us,
        last_value(load_pct ignore nulls) over so_far as load_pct,
        last_value(sampled_at(load_pct, now_us, begins) ignore nulls) over so_far as load_pct_us,
        last_value(throttle_pct ignore nulls) over so_far as throttle_pct,
        last_value(sampled_at(throttle_pct, now_us, begins) ignore nulls) over so_far as throttle_pct_us,
        last_value(maf_gs ignore nulls) over so_far as maf_gs,
        last_value(sampled_at(maf_gs, now_us, begins) ignore nulls) over so_far as maf_gs_us,
        last_value(map_kpa ignore nulls) over so_far as map_kpa,
        last_value(sampled_at(map_kpa, now_us, begins) ignore nulls) over so_far as map_kpa_us,
        last_value(lambda_target ignore nulls) over so_far as lambda_target,
        last_value(sampled_at(lambda_target, now_us, begins) ignore nulls) over so_far as lambda_target_us,
        last_value(fuel_status_b1 ignore nulls) over so_far as fuel_status_b1,
        last_value(sampled_at(fuel_status_b1, now_us, begins) ignore nulls) over so_far as fuel_status_b1_us,
        last_value(fuel_status_b2 ignore nulls) over so_far as fuel_status_b2,
        last_value(sampled_at(fuel_status_b2, now_us, begins) ignore nulls) over so_far as fuel_status_b2_us,
        last_value(ltft_b1_pct ignore nulls) over so_far as ltft_b1_pct,
        last_value(sampled_at(ltft_b1_pct, now_us, begins) ignore nulls) over so_far as ltft_b1_pct_us,
        last_value(ltft_b2_pct ignore nulls) over so_far as ltft_b2_pct,
        last_value(sampled_at(ltft_b2_pct, now_us, begins) ignore nulls) over so_far as ltft_b2_pct_us,
        last_value(purge_pct ignore nulls) over so_far as purge_pct,
        last_value(sampled_at(purge_pct, now_us, begins) ignore nulls) over so_far as purge_pct_us,
        last_value(catalyst_b1s1_degc ignore nulls) over so_far as catalyst_b1s1_degc,
        last_value(sampled_at(catalyst_b1s1_degc, now_us, begins) ignore nulls) over so_far as catalyst_b1s1_degc_us,
        last_value(catalyst_b2s1_degc ignore nulls) over so_far as catalyst_b2s1_degc,
        last_value(sampled_at(catalyst_b2s1_degc, now_us, begins) ignore nulls) over so_far as catalyst_b2s1_degc_us,
        last_value(lambda_b1s1 ignore nulls) over so_far as near_lambda,
        last_value(sampled_at(lambda_b1s1, now_us, begins) ignore nulls) over so_far as near_lambda_us,
        last_value(o2_b1s1_v ignore nulls) over so_far as near_o2_v,
        last_value(sampled_at(o2_b1s1_v, now_us, begins) ignore nulls) over so_far as near_o2_v_us,
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
        while_fresh(rpm, rpm_us, now_us, params.rpm_staleness_s) as rpm,
        while_fresh(speed_kmh, speed_kmh_us, now_us, params.speed_kmh_staleness_s) as speed_kmh,
        while_fresh(coolant_degc, coolant_degc_us, now_us, params.coolant_degc_staleness_s) as coolant_degc,
        while_fresh(intake_air_degc, intake_air_degc_us, now_us, params.coolant_degc_staleness_s) as intake_air_degc,
        while_fresh(ambient_degc, ambient_degc_us, now_us, params.ambient_degc_staleness_s) as ambient_degc,
        while_fresh(load_pct, load_pct_us, now_us, params.load_pct_staleness_s) as load_pct,
        while_fresh(throttle_pct, throttle_pct_us, now_us, params.throttle_pct_staleness_s) as throttle_pct,
        while_fresh(maf_gs, maf_gs_us, now_us, params.maf_gs_staleness_s) as maf_gs,
        while_fresh(map_kpa, map_kpa_us, now_us, params.map_kpa_staleness_s) as map_kpa,
        while_fresh(lambda_target, lambda_target_us, now_us, params.lambda_target_staleness_s) as lambda_target,
        while_fresh(fuel_status_b1, fuel_status_b1_us, now_us, params.fuel_status_b1_staleness_s) as fuel_status_b1,
        while_fresh(fuel_status_b2, fuel_status_b2_us, now_us, params.fuel_status_b2_staleness_s) as fuel_status_b2,
        while_fresh(ltft_b1_pct, ltft_b1_pct_us, now_us, params.ltft_b1_pct_staleness_s) as ltft_b1_pct,
        while_fresh(ltft_b2_pct, ltft_b2_pct_us, now_us, params.ltft_b1_pct_staleness_s) as ltft_b2_pct,
        while_fresh(purge_pct, purge_pct_us, now_us, params.purge_pct_staleness_s) as purge_pct,
        while_fresh(catalyst_b1s1_degc, catalyst_b1s1_degc_us, now_us, params.catalyst_b1s1_degc_staleness_s) as catalyst_b1s1_degc,
        while_fresh(catalyst_b2s1_degc, catalyst_b2s1_degc_us, now_us, params.catalyst_b1s1_degc_staleness_s) as catalyst_b2s1_degc,
        while_fresh(near_lambda, near_lambda_us, now_us, params.lambda_b1s1_staleness_s) as near_lambda,
        while_fresh(near_o2_v, near_o2_v_us, now_us, params.lambda_b1s1_staleness_s) as near_o2_v,
        case
            when unit_days[day_place].unit_id = unit_id and unit_days[day_place].day = day then unit_days[day_place].kind
            else error('readings are out of order, or unit_days are not theirs')
        end as kind,
        unit_days[day_place].banks as banks,
        unit_days[day_place].reports_b1 as reports_b1,
        unit_days[day_place].reports_b2 as reports_b2,
        unit_days[day_place].idle_throttle_pct as idle_throttle_pct,
        unit_days[day_place].reports_load as reports_load,
        unit_days[day_place].reports_target as reports_target,
        steady_blocks[block_place] as steady,
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
    from last_known
    cross join days_listed
    cross join blocks_listed
),

described as (
    select
        carried.*,
        coalesce(seconds_between(engine_started_at, ts), seconds_between(started_at, ts)) as run_s,
        engine_started_at is not null as run_time_known,
        coalesce(rpm > params.running_rpm, maf_gs > 0, true) as running,
        (
            speed_kmh > params.cut_speed_kmh
            and (rpm > params.cut_rpm) is not false
            and coalesce(load_pct < params.cut_load_pct, throttle_pct is not null)
            and (throttle_pct <= idle_throttle_pct + params.cut_throttle_over_idle_pct) is not false
        ) is true as overrun,
        -- Load and throttle fail though the vehicle reports them: a fuel cut may pass unseen, and what follows it too.
        reports_load and load_pct is null and throttle_pct is null and (speed_kmh > params.cut_speed_kmh) is not false
            as blind,
        (lambda_target < params.enrich_lambda or (fuel_status_b1 = 4 and load_pct > params.enrich_load_pct)) is true
            as enriched
    from carried
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
            coalesce(fuel_status_b1 in (4, 8), near_o2_v < params.cut_lean_v) or near_lambda > params.cut_lambda
        ) is true as cut,
        running and (speed_kmh <= params.idle_speed_kmh and rpm < params.idle_rpm) is true as idle,
        running and (
            speed_kmh >= params.cruise_speed_kmh
            and (rpm >= params.cruise_rpm) is not false
            and (load_pct < params.cruise_load_pct) is not false
        ) is true as cruise
    from described
),

dated as (
    select
        *,
        -- A stopped engine leaves air at the sensors as a fuel cut does, and start-stop makes many of them.
        last_value(case when cut or blind or not running then ts when begins then long_ago() end ignore nulls) over so_far as cut_at,
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
    from dated
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
    from breathed
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
            begins, engine_started_at, throttle_pct, near_lambda, near_o2_v, overrun, blind, idle_throttle_pct, reports_load,
            cut_at, enriched_at, air_g,
            began_on, own_air_g, heat_left, first_heat
        ),
        case when cut_at > long_ago() then seconds_between(cut_at, ts) end as since_cut_s,
        case when enriched_at > long_ago() then seconds_between(enriched_at, ts) end as since_enriched_s,
        running and (
            run_s >= params.warm_run_without_coolant_s
            or (
                maf_gs is not null
                and own_air_g >= params.light_off_air_g * (1 - case when day = began_on then first_heat else 0 end)
            ) is true
        ) as hot
    from heated
)

from final
