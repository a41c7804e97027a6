-- table: samples
-- grain: one row a unit and instant
-- reads: context
-- params: settle_after_cut_s, settle_rear_after_cut_s, enrich_load_pct
-- note: what every later step reads, kept once: the context with closed loop of each bank, the windows that are settled,
--   and the fuel cut a row belongs to. A unit that does not report its fuel system status all day is taken as closed
--   loop whenever it is warm, not cut and not enriched, as far as its commanded lambda or, without one, its load tells.
--   Status 16 (the loop runs though the control unit has set a feedback sensor as faulty) counts as closed: that sensor may
--   be the one to be judged, and what the control unit thinks of it is told by its codes.
--   A cut and what follows it end with the trip and at midnight, so that they do not depend on which days are derived
--   together

with context as (from context),

neighbours as (
    select
        *,
        same_trip(unit_id, started_at) as goes_on,
        (day = lag(day) over ()) is true as goes_on_today,
        (lag(cut) over ()) is true as cut_before
    from context
),

timed as (
    select
        *,
        last_value(
            case when cut and not (goes_on and cut_before) then ts when not (goes_on and goes_on_today) then long_ago() end
            ignore nulls
        ) over (rows between unbounded preceding and current row) as cut_or_never_at,
        last_value(case when cut then ts when not goes_on then long_ago() end ignore nulls)
            over (rows between unbounded preceding and current row) as seen_cut_at,
        -- Where the commanded lambda is reported but missing now, nobody knows what the loop was told; where neither it
        -- nor the status is reported at all, high load may be enriched.
        warm and not cut and not enriched
        and case
            when reports_target then lambda_target is not null
            else (load_pct <= params.enrich_load_pct) is not false
        end as looks_closed,
        warm and not enriched as settling
    from neighbours
),

final as (
    select
        unit_id,
        ts,
        day,
        started_at,
        step_s,
        run_s,
        run_time_known,
        running,
        warm,
        hot,
        cut,
        enriched,
        since_cut_s,
        nullif(cut_or_never_at, long_ago()) as cut_began_at,
        nullif(seen_cut_at, long_ago()) as cut_seen_at,
        steady,
        idle,
        cruise,
        kind,
        banks,
        reports_b1 as status_known_b1,
        reports_b1 or reports_b2 as status_known_b2,
        case when reports_b1 then (fuel_status_b1 in (2, 16)) is true else looks_closed end as closed_b1,
        -- Many two-bank engines report one fuel system only.
        case
            when reports_b2 then (fuel_status_b2 in (2, 16)) is true
            when reports_b1 then (fuel_status_b1 in (2, 16)) is true
            else looks_closed
        end as closed_b2,
        settling
        and (since_cut_s >= params.settle_after_cut_s) is not false
        and (since_enriched_s >= params.settle_after_cut_s) is not false as front_settled,
        settling
        and (since_cut_s >= params.settle_rear_after_cut_s) is not false
        and (since_enriched_s >= params.settle_rear_after_cut_s) is not false as rear_settled,
        rpm,
        speed_kmh,
        coolant_degc,
        intake_air_degc,
        ambient_degc,
        load_pct,
        maf_gs,
        map_kpa,
        odometer_km,
        supply_v,
        lambda_target,
        fuel_status_b1,
        stft_b1_pct,
        ltft_b1_pct,
        stft_b2_pct,
        ltft_b2_pct,
        purge_pct,
        stft2_b1_pct,
        ltft2_b1_pct,
        stft2_b2_pct,
        ltft2_b2_pct,
        o2_b1s1_v,
        o2_b1s2_v,
        o2_b2s1_v,
        o2_b2s2_v,
        lambda_b1s1,
        lambda_b2s1,
        pump_b1s1_ma,
        pump_b2s1_ma,
        catalyst_b1s1_degc,
        catalyst_b2s1_degc,
        mil_on
    from timed
)

from final
