-- table: cuts
-- grain: one row a unit, exhaust bank and fuel cut
-- reads: banks
-- params: cut_least_s, cut_lambda, low_v, rear_cut_wait_s, rear_lean_v, rear_rich_v, rear_fall_v, recovery_most_s,
--   timing_step_s
-- note: a fuel cut is a free calibration: air for the upstream sensor, then a storage step for the catalyst. A recovery
--   that the next cut, the end of the trip, midnight or the watch limit ends first counts with the time the downstream
--   sensor was watched, and only where that is longer than nothing: recovery_s is then a lower bound. An event ends at
--   midnight, so that it does not depend on which days are derived together

with banks as not materialized (from banks),

-- Readings from the first one of a cut until nothing more is asked of it.
timed as (
    select
        *,
        seconds_between(cut_began_at, ts) as since_begin_s,
        seconds_between(cut_seen_at, ts) as since_end_s
    from banks
    where
        cut_began_at is not null
        and seconds_between(cut_seen_at, ts) <= greatest(params.recovery_most_s, params.rear_cut_wait_s)
),

-- What is asked of the cut itself, over its own few readings.
within as (
    select
        unit_id,
        bank,
        cut_began_at,
        seconds_between(cut_began_at, max(ts)) as cut_s,
        coalesce(bool_or(hot) filter (since_begin_s = 0), false) as hot,
        -- One reading may have been taken before the exhaust of the cut arrived: the floor needs a second one.
        case when count(front_v) >= 2 then min(front_v) end as front_floor_v,
        case when count(front_lambda) >= 2 then max(front_lambda) end as front_lambda,
        case when count(front_ma) >= 2 then max(front_ma) end as front_ma,
        max(since_begin_s) filter (front_v >= params.low_v or front_lambda <= params.cut_lambda) as last_rich_s,
        max(since_begin_s) filter (rear_v >= params.rear_fall_v) as last_high_s,
        count(*) filter (front_lambda < params.cut_lambda) as front_before,
        safe_ratio(
            max(since_begin_s) filter (front_lambda is not null) - min(since_begin_s) filter (front_lambda is not null),
            cast(count(front_lambda) - 1 as double)
        ) as front_step_s,
        count(*) filter (rear_v >= params.rear_lean_v and rear_v < params.rear_fall_v) as rear_between,
        count(rear_v) as rear_readings
    from timed
    where cut
    group by unit_id, bank, cut_began_at
    having cut_s >= params.cut_least_s
),

-- What is asked of the cut and of what follows it.
followed as (
    select
        unit_id,
        bank,
        cut_began_at,
        min(day) as day,
        min(kind) as kind,
        avg(step_s) as step_s,
        bool_and(warm) as warm,
        min(since_begin_s) filter (front_v < params.low_v or front_lambda > params.cut_lambda) as first_lean_s,
        min(rear_v) filter (since_end_s <= params.rear_cut_wait_s) as rear_floor_v,
        min(since_begin_s) filter (rear_v <= params.rear_lean_v) as rear_lean_s,
        safe_ratio(
            max(since_begin_s) filter (rear_v is not null) - min(since_begin_s) filter (rear_v is not null),
            cast(count(rear_v) - 1 as double)
        ) as rear_step_s,
        min(since_end_s) filter (
            rear_v > params.rear_rich_v and since_end_s > 0 and since_end_s <= params.recovery_most_s
        ) as recovery_s,
        max(since_end_s) filter (
            rear_v is not null and since_end_s > 0 and since_end_s <= params.recovery_most_s
        ) as watched_s
    from timed
    group by unit_id, bank, cut_began_at
),

measured as (
    select
        followed.* exclude (rear_floor_v, rear_lean_s),
        within.* exclude (unit_id, bank, cut_began_at, last_high_s),
        case when within.rear_readings >= 2 then followed.rear_floor_v end as rear_floor_v,
        -- From 0.6 V to 0.3 V: the sensor's own lag, without the time the catalyst takes to fill.
        followed.rear_lean_s - within.last_high_s as rear_fall_s
    from followed
    inner join within
        on
            followed.unit_id = within.unit_id
            and followed.bank = within.bank
            and followed.cut_began_at = within.cut_began_at
),

recoveries as (
    select
        timed.unit_id,
        timed.bank,
        timed.cut_began_at,
        bool_and(timed.maf_gs is not null) as air_known,
        sum(timed.maf_gs * timed.step_s) as recovery_air_g,
        avg(timed.maf_gs) as flow_gs
    from timed
    inner join measured
        on
            timed.unit_id = measured.unit_id
            and timed.bank = measured.bank
            and timed.cut_began_at = measured.cut_began_at
    where timed.since_end_s > 0 and timed.since_end_s <= coalesce(measured.recovery_s, measured.watched_s)
    group by timed.unit_id, timed.bank, timed.cut_began_at
),

lambdas as not materialized (
    select
        unit_id,
        bank,
        ts,
        cut_began_at,
        since_end_s,
        step_s,
        maf_gs,
        lambda_target,
        -- No mixture has lambda 0: it stands for nothing seen since the cut began.
        case when front_lambda is not null then front_lambda when ts = cut_began_at then 0 end as seen_lambda
    from timed
    where kind = 'wide_range'
),

-- Windows stream over the rows of one bank, and do not over those of both.
carried as (
    select
        *,
        last_value(seen_lambda ignore nulls) over (rows between unbounded preceding and current row) as last_lambda
    from lambdas
    where bank = 1
    union all
    select
        *,
        last_value(seen_lambda ignore nulls) over (rows between unbounded preceding and current row) as last_lambda
    from lambdas
    where bank = 2
),

mixtures as (
    select
        *,
        coalesce(nullif(last_lambda, 0), lambda_target) as known_lambda
    from carried
),

oxygen as (
    select
        mixtures.unit_id,
        mixtures.bank,
        mixtures.cut_began_at,
        -sum(oxygen_rate_gs(mixtures.maf_gs, mixtures.known_lambda) * mixtures.step_s) as oxygen_g
    from mixtures
    inner join measured
        on
            mixtures.unit_id = measured.unit_id
            and mixtures.bank = measured.bank
            and mixtures.cut_began_at = measured.cut_began_at
    where
        mixtures.since_end_s > 0
        and mixtures.since_end_s <= measured.recovery_s
        and mixtures.known_lambda < 1
    group by mixtures.unit_id, mixtures.bank, mixtures.cut_began_at
),

final as (
    select
        measured.* exclude (cut_began_at, rear_fall_s, first_lean_s, last_rich_s, recovery_s, watched_s),
        measured.cut_began_at as began_at,
        -- A sensor that was not polled for a while before it was seen lean is not late: its delay is not known.
        case
            when
                measured.first_lean_s - coalesce(measured.last_rich_s, 0)
                <= greatest(params.timing_step_s, measured.step_s) + measured.step_s
                then measured.first_lean_s
        end as front_lean_s,
        case when measured.rear_floor_v <= params.rear_lean_v and measured.rear_fall_s >= 0 then measured.rear_fall_s end
            as rear_fall_s,
        coalesce(measured.watched_s, 0) as watched_s,
        -- A catalyst that was not seen to fill cannot be seen to empty.
        case
            when measured.rear_floor_v <= params.rear_lean_v then coalesce(measured.recovery_s, measured.watched_s)
        end as recovery_s,
        measured.recovery_s is not null and coalesce(measured.rear_floor_v <= params.rear_lean_v, false)
            as recovery_seen,
        -- Air that was not sampled is missing, not nothing.
        case when measured.rear_floor_v <= params.rear_lean_v and recoveries.air_known then recoveries.recovery_air_g end
            as recovery_air_g,
        case when measured.rear_floor_v <= params.rear_lean_v and recoveries.air_known then oxygen.oxygen_g end
            as oxygen_g,
        recoveries.flow_gs
    from measured
    left join recoveries
        on
            measured.unit_id = recoveries.unit_id
            and measured.bank = recoveries.bank
            and measured.cut_began_at = recoveries.cut_began_at
    left join oxygen
        on
            measured.unit_id = oxygen.unit_id
            and measured.bank = oxygen.bank
            and measured.cut_began_at = oxygen.cut_began_at
)

from final
