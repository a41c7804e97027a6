-- table: banks
-- grain: one row a unit, exhaust bank and instant
-- reads: samples
-- params: settle_after_cut_s, settle_rear_after_cut_s
-- note: no join and no grouping here, so that the rows stay in the order of bank, unit and instant, on which the windows
--   of later steps run. A unit that does not report its fuel system status all day is taken as closed loop whenever it
--   is warm, not cut and not enriched

with samples as not materialized (from samples),

bank_1 as (
    select
        samples.*,
        1 as bank,
        samples.reports_b1 as reports_status,
        samples.fuel_status_b1 as status,
        samples.stft_b1_pct as stft_pct,
        samples.ltft_b1_pct as ltft_pct,
        samples.stft2_b1_pct as stft2_pct,
        samples.ltft2_b1_pct as ltft2_pct,
        samples.catalyst_b1s1_degc as catalyst_degc,
        samples.o2_b1s1_v as front_v,
        samples.lambda_b1s1 as front_lambda,
        samples.pump_b1s1_ma as front_ma,
        samples.o2_b1s2_v as rear_v
    from samples
),

bank_2 as (
    select
        samples.*,
        2 as bank,
        samples.reports_b1 or samples.reports_b2 as reports_status,
        -- Many two-bank engines report one fuel system only.
        case when samples.reports_b2 then samples.fuel_status_b2 else samples.fuel_status_b1 end as status,
        samples.stft_b2_pct as stft_pct,
        samples.ltft_b2_pct as ltft_pct,
        samples.stft2_b2_pct as stft2_pct,
        samples.ltft2_b2_pct as ltft2_pct,
        samples.catalyst_b2s1_degc as catalyst_degc,
        samples.o2_b2s1_v as front_v,
        samples.lambda_b2s1 as front_lambda,
        samples.pump_b2s1_ma as front_ma,
        samples.o2_b2s2_v as rear_v
    from samples
    where samples.banks = 2
),

stacked as (
    from bank_1
    union all
    from bank_2
),

closed_known as (
    select
        stacked.*,
        case
            when reports_status then coalesce(status in (2, 16), false)
            else warm and not cut and not enriched
        end as closed
    from stacked
),

final as (
    select
        unit_id,
        cast(bank as integer) as bank,
        ts,
        day,
        started_at,
        step_s,
        run_s,
        run_time_known,
        reports_status as status_known,
        kind,
        running,
        cut,
        enriched,
        since_cut_s,
        idle,
        cruise,
        steady,
        warm and closed and not enriched
        and coalesce(since_cut_s >= params.settle_after_cut_s, true)
        and coalesce(since_enriched_s >= params.settle_after_cut_s, true) as front_ok,
        warm and closed and not enriched
        and coalesce(since_cut_s >= params.settle_rear_after_cut_s, true)
        and coalesce(since_enriched_s >= params.settle_rear_after_cut_s, true) as rear_ok,
        closed,
        warm,
        speed_kmh,
        load_pct,
        maf_gs,
        coolant_degc,
        lambda_target,
        stft_pct,
        ltft_pct,
        stft2_pct,
        ltft2_pct,
        purge_pct,
        catalyst_degc,
        front_v,
        front_lambda,
        front_ma,
        rear_v
    from closed_known
)

from final
