-- table: trips
-- grain: one row a unit and trip
-- reads: samples, cuts
-- params: thermostat_run_s, start_run_s
-- note: the time to closed loop is kept only for trips whose logging begins with the engine start

with samples as not materialized (from samples),

cuts as not materialized (from cuts),

measured as (
    select
        samples.unit_id,
        samples.started_at,
        min(samples.day) as day,
        max(samples.ts) as ended_at,
        count(*) as readings,
        median(samples.step_s) as interval_s,
        round(sum(samples.speed_kmh * samples.step_s) / 3600, 3) as distance_km,
        -- Back from the first sampled run time to the first reading; logging may begin before the engine does.
        arg_min(greatest(samples.run_s - seconds_between(samples.started_at, samples.ts), 0), samples.ts)
            filter (samples.run_time_known) as start_run_time_s,
        arg_min(samples.coolant_degc, samples.ts) filter (samples.coolant_degc is not null) as start_coolant_degc,
        median(samples.coolant_degc) filter (samples.run_s > params.thermostat_run_s) as warm_coolant_degc,
        coalesce(
            median(samples.ambient_degc),
            arg_min(samples.intake_air_degc, samples.ts) filter (samples.intake_air_degc is not null)
        ) as ambient_degc,
        min(samples.run_s) filter (samples.fuel_status_b1 in (2, 16)) as closed_loop_at_s,
        round(sum(samples.step_s) filter (samples.fuel_status_b1 in (2, 16)), 3) as closed_loop_s,
        round(sum(samples.step_s) filter (samples.warm), 3) as warm_s
    from samples
    group by samples.unit_id, samples.started_at
),

cuts_counted as (
    select
        cuts.unit_id,
        measured.started_at,
        count(*) filter (cuts.bank = 1) as cuts
    from cuts
    inner join measured
        on cuts.unit_id = measured.unit_id and cuts.began_at between measured.started_at and measured.ended_at
    group by cuts.unit_id, measured.started_at
),

final as (
    select
        measured.* exclude (closed_loop_at_s),
        case when measured.start_run_time_s <= params.start_run_s then measured.closed_loop_at_s end
            as closed_loop_at_s,
        coalesce(cuts_counted.cuts, 0) as cuts,
        strftime(measured.day, '%Y-%m') as month,
        0 as bucket
    from measured
    left join cuts_counted
        on measured.unit_id = cuts_counted.unit_id and measured.started_at = cuts_counted.started_at
)

from final
