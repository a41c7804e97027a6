-- table: banks
-- grain: one row a unit, exhaust bank and instant
-- reads: samples
-- params: catalyst_active_degc
-- note: never kept: each step that reads it takes its columns from the samples. No join and no grouping, so that the rows
--   stay in the order of bank, unit and instant, on which the windows of later steps run. A catalyst is hot where its reported
--   temperature says so, or else by the air since the start

with samples as not materialized (from samples),

bank_1 as (
    select
        unit_id,
        1 as bank,
        ts,
        day,
        started_at,
        step_s,
        run_s,
        run_time_known,
        status_known_b1 as status_known,
        kind,
        running,
        cut,
        enriched,
        since_cut_s,
        cut_began_at,
        cut_seen_at,
        idle,
        cruise,
        steady,
        front_settled and closed_b1 as front_ok,
        rear_settled and closed_b1 as rear_ok,
        closed_b1 as closed,
        warm,
        running and coalesce(catalyst_b1s1_degc >= params.catalyst_active_degc, hot) as hot,
        speed_kmh,
        load_pct,
        maf_gs,
        coolant_degc,
        lambda_target,
        stft_b1_pct as stft_pct,
        ltft_b1_pct as ltft_pct,
        stft2_b1_pct as stft2_pct,
        ltft2_b1_pct as ltft2_pct,
        purge_pct,
        catalyst_b1s1_degc as catalyst_degc,
        o2_b1s1_v as front_v,
        lambda_b1s1 as front_lambda,
        pump_b1s1_ma as front_ma,
        o2_b1s2_v as rear_v
    from samples
),

bank_2 as (
    select
        unit_id,
        2 as bank,
        ts,
        day,
        started_at,
        step_s,
        run_s,
        run_time_known,
        status_known_b2 as status_known,
        kind,
        running,
        cut,
        enriched,
        since_cut_s,
        cut_began_at,
        cut_seen_at,
        idle,
        cruise,
        steady,
        front_settled and closed_b2 as front_ok,
        rear_settled and closed_b2 as rear_ok,
        closed_b2 as closed,
        warm,
        running and coalesce(catalyst_b2s1_degc >= params.catalyst_active_degc, hot) as hot,
        speed_kmh,
        load_pct,
        maf_gs,
        coolant_degc,
        lambda_target,
        stft_b2_pct as stft_pct,
        ltft_b2_pct as ltft_pct,
        stft2_b2_pct as stft2_pct,
        ltft2_b2_pct as ltft2_pct,
        purge_pct,
        catalyst_b2s1_degc as catalyst_degc,
        o2_b2s1_v as front_v,
        lambda_b2s1 as front_lambda,
        pump_b2s1_ma as front_ma,
        o2_b2s2_v as rear_v
    from samples
    where banks = 2
),

final as (
    from bank_1
    union all
    from bank_2
)

from final
