-- table: cuts
-- grain: one row a unit, exhaust bank and fuel cut
-- reads: banks
-- params: cut_least_s, cut_lambda, low_v, rear_cut_wait_s, rear_lean_v, rear_rich_v, rear_fall_v, recovery_most_s
-- note: a fuel cut is a free calibration: air for the upstream sensor, then a storage step for the catalyst. A recovery
--   that the next cut, the end of the trip, midnight or the watch limit ends first counts with the time the downstream
--   sensor was watched, and only where that is longer than nothing: recovery_s is then a lower bound. An event ends at
--   midnight, so that it does not depend on which days are derived together

with banks as not materialized (from banks),

neighbours as (
    select
        *,
        same_trip(unit_id, bank, started_at) as goes_on,
        cut and not (same_trip(unit_id, bank, started_at) and lag(cut) over ()) as begins
    from banks
),

in_events as (
    select
        *,
        last_value(case when begins then ts when not goes_on then long_ago() end ignore nulls) over so_far as began_at,
        last_value(case when begins then day end ignore nulls) over so_far as began_on,
        last_value(case when cut then ts end ignore nulls) over so_far as last_cut_at,
        -- No mixture has lambda 0: it stands for nothing seen since the cut began.
        nullif(
            last_value(case when front_lambda is not null then front_lambda when begins then 0 end ignore nulls)
                over so_far,
            0
        ) as known_lambda
    from neighbours
    window so_far as (rows between unbounded preceding and current row)
),

timed as (
    select
        in_events.*,
        seconds_between(began_at, ts) as since_begin_s,
        seconds_between(last_cut_at, ts) as since_end_s
    from in_events
    where
        began_at > long_ago()
        and day = began_on
        and seconds_between(last_cut_at, ts) <= greatest(params.recovery_most_s, params.rear_cut_wait_s)
),

recovered as (
    select
        unit_id,
        bank,
        began_at,
        min(since_end_s) filter (since_end_s > 0 and rear_v > params.rear_rich_v) as recovery_s,
        max(since_end_s) filter (since_end_s > 0 and rear_v is not null) as watched_s
    from timed
    where since_end_s <= params.recovery_most_s
    group by unit_id, bank, began_at
),

measured as (
    select
        timed.unit_id,
        timed.bank,
        min(timed.day) as day,
        min(timed.kind) as kind,
        timed.began_at,
        seconds_between(timed.began_at, max(timed.ts) filter (timed.cut)) as cut_s,
        avg(timed.step_s) as step_s,
        bool_and(timed.warm) as warm,
        -- One reading may have been taken before the exhaust of the cut arrived: the floor needs a second one.
        case when count(timed.front_v) filter (timed.cut) >= 2 then min(timed.front_v) filter (timed.cut) end
            as front_floor_v,
        case when count(timed.front_lambda) filter (timed.cut) >= 2 then max(timed.front_lambda) filter (timed.cut) end
            as front_lambda,
        case when count(timed.front_ma) filter (timed.cut) >= 2 then max(timed.front_ma) filter (timed.cut) end
            as front_ma,
        min(timed.since_begin_s) filter (
            timed.front_v < params.low_v or timed.front_lambda > params.cut_lambda
        ) as front_lean_s,
        case
            when count(timed.rear_v) filter (timed.cut) >= 2
                then min(timed.rear_v) filter (timed.since_end_s <= params.rear_cut_wait_s)
        end as rear_floor_v,
        -- From 0.6 V to 0.3 V: the sensor's own lag, without the time the catalyst takes to fill.
        min(timed.since_begin_s) filter (timed.rear_v <= params.rear_lean_v)
        - max(timed.since_begin_s) filter (timed.rear_v >= params.rear_fall_v and timed.cut) as rear_fall_s,
        count(timed.rear_v) filter (timed.cut) as rear_readings,
        any_value(recovered.recovery_s) as recovery_s,
        coalesce(any_value(recovered.watched_s), 0) as watched_s,
        bool_and(timed.maf_gs is not null) filter (
            timed.since_end_s > 0 and timed.since_end_s <= coalesce(recovered.recovery_s, recovered.watched_s)
        ) as air_known,
        sum(timed.maf_gs * timed.step_s) filter (
            timed.since_end_s > 0 and timed.since_end_s <= coalesce(recovered.recovery_s, recovered.watched_s)
        ) as recovery_air_g,
        -sum(oxygen_rate_gs(timed.maf_gs, coalesce(timed.known_lambda, timed.lambda_target)) * timed.step_s) filter (
            timed.since_end_s > 0
            and timed.since_end_s <= recovered.recovery_s
            and timed.kind = 'wide_range'
            and coalesce(timed.known_lambda, timed.lambda_target) < 1
        ) as oxygen_g,
        avg(timed.maf_gs) filter (
            timed.since_end_s > 0 and timed.since_end_s <= coalesce(recovered.recovery_s, recovered.watched_s)
        ) as flow_gs
    from timed
    left join recovered
        on
            timed.unit_id = recovered.unit_id
            and timed.bank = recovered.bank
            and timed.began_at = recovered.began_at
    group by timed.unit_id, timed.bank, timed.began_at
),

final as (
    select
        measured.* exclude (recovery_s, recovery_air_g, oxygen_g, rear_fall_s, air_known),
        case when measured.rear_floor_v <= params.rear_lean_v and measured.rear_fall_s >= 0 then measured.rear_fall_s end
            as rear_fall_s,
        -- A catalyst that was not seen to fill cannot be seen to empty.
        case
            when measured.rear_floor_v <= params.rear_lean_v
                then coalesce(measured.recovery_s, nullif(measured.watched_s, 0))
        end as recovery_s,
        measured.recovery_s is not null and coalesce(measured.rear_floor_v <= params.rear_lean_v, false) as recovery_seen,
        -- Air that was not sampled is missing, not nothing.
        case when measured.rear_floor_v <= params.rear_lean_v and measured.air_known then measured.recovery_air_g end
            as recovery_air_g,
        case when measured.rear_floor_v <= params.rear_lean_v and measured.air_known then measured.oxygen_g end
            as oxygen_g
    from measured
    where measured.cut_s >= params.cut_least_s
)

from final
