-- table: banks
-- grain: one row a unit, exhaust bank and instant
-- reads: samples, units
-- params: settle_after_cut_s, settle_rear_after_cut_s
-- note: bank 2 only where the register or the readings of the day show one; a unit that does not report its fuel system
--   status all day is taken as closed loop whenever it is warm, not cut and not enriched. What is asked of a whole day
--   does not depend on which days are derived together

with samples as (from samples),

units as (from units),

params as (from params),

status_reported as (
    select
        unit_id,
        day,
        bool_or(fuel_status_b1 is not null) as reports_b1,
        bool_or(fuel_status_b2 > 0) as reports_b2,
        coalesce(
            bool_or(coalesce(o2_b2s1_v, o2_b2s2_v, lambda_b2s1, pump_b2s1_ma, stft_b2_pct) is not null), false
        ) as shows_bank_2,
        bool_or(lambda_b1s1 is not null or pump_b1s1_ma is not null) as shows_wide_range
    from samples
    group by unit_id, day
),

known as (
    select
        status_reported.*,
        coalesce(units.banks, case when shows_bank_2 then 2 else 1 end) as banks,
        coalesce(
            units.upstream_sensor, case when shows_wide_range then 'wide_range' else 'narrowband' end
        ) as kind
    from status_reported
    left join units on status_reported.unit_id = units.unit_id
),

bank_1 as (
    select
        samples.*,
        known.kind,
        1 as bank,
        known.reports_b1 as reports_status,
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
    inner join known on samples.unit_id = known.unit_id and samples.day = known.day
),

bank_2 as (
    select
        samples.*,
        known.kind,
        2 as bank,
        known.reports_b1 or known.reports_b2 as reports_status,
        -- Many two-bank engines report one fuel system only.
        case when known.reports_b2 then samples.fuel_status_b2 else samples.fuel_status_b1 end as status,
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
    inner join known on samples.unit_id = known.unit_id and samples.day = known.day
    where known.banks = 2
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
    from closed_known, params
)

from final
