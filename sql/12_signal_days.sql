-- table: signal_days
-- grain: one row a unit, day and signal
-- reads: readings, samples, export_spans
-- params: held_compared_share
-- note: how often each signal really comes, not the rows: a row may hold one signal of thirty. A value that repeats to
--   the last bit while the vehicle speed changes is one that the gateway holds; a trip's first reading is compared with
--   none, and where the signal seldom stands in neighbouring rows nothing is known. Skew is how long before a downstream
--   reading the upstream sensor was last read

with readings as not materialized (from readings),

samples as not materialized (from samples),

driven as (
    select
        unit_id,
        day,
        coalesce(sum(step_s), 0) as driven_s
    from samples
    group by unit_id, day
),

counts as (
    select
        unit_id,
        day,
        count(columns(* exclude (unit_id, ts, bucket, day)))
    from readings
    group by unit_id, day
),

counted as (
    unpivot counts on columns(* exclude (unit_id, day)) into name signal value readings
),

paired as (
    select
        unit_id,
        day,
        ts,
        unit_id = lag(unit_id) over () and ts <> started_at and speed_kmh <> lag(speed_kmh) over () as moved,
        o2_b1s1_v,
        o2_b1s2_v,
        o2_b2s1_v,
        o2_b2s2_v,
        lambda_b1s1,
        lambda_b2s1,
        stft_b1_pct,
        case when moved then o2_b1s1_v = lag(o2_b1s1_v) over () end as same_o2_b1s1_v,
        case when moved then o2_b1s2_v = lag(o2_b1s2_v) over () end as same_o2_b1s2_v,
        case when moved then o2_b2s1_v = lag(o2_b2s1_v) over () end as same_o2_b2s1_v,
        case when moved then o2_b2s2_v = lag(o2_b2s2_v) over () end as same_o2_b2s2_v,
        case when moved then lambda_b1s1 = lag(lambda_b1s1) over () end as same_lambda_b1s1,
        case when moved then lambda_b2s1 = lag(lambda_b2s1) over () end as same_lambda_b2s1,
        case when moved then stft_b1_pct = lag(stft_b1_pct) over () end as same_stft_b1_pct,
        last_value(case when coalesce(o2_b1s1_v, lambda_b1s1) is not null then ts when ts = started_at then long_ago() end
            ignore nulls) over so_far as front_1_at,
        last_value(case when coalesce(o2_b2s1_v, lambda_b2s1) is not null then ts when ts = started_at then long_ago() end
            ignore nulls) over so_far as front_2_at
    from samples
    window so_far as (rows between unbounded preceding and current row)
),

repeated as (
    select
        unit_id,
        day,
        held_share(same_o2_b1s1_v, o2_b1s1_v, params.held_compared_share) as o2_b1s1_v,
        held_share(same_o2_b1s2_v, o2_b1s2_v, params.held_compared_share) as o2_b1s2_v,
        held_share(same_o2_b2s1_v, o2_b2s1_v, params.held_compared_share) as o2_b2s1_v,
        held_share(same_o2_b2s2_v, o2_b2s2_v, params.held_compared_share) as o2_b2s2_v,
        held_share(same_lambda_b1s1, lambda_b1s1, params.held_compared_share) as lambda_b1s1,
        held_share(same_lambda_b2s1, lambda_b2s1, params.held_compared_share) as lambda_b2s1,
        held_share(same_stft_b1_pct, stft_b1_pct, params.held_compared_share) as stft_b1_pct
    from paired
    group by unit_id, day
),

held as (
    unpivot repeated on columns(* exclude (unit_id, day)) into name signal value held_share
),

apart as (
    select
        unit_id,
        day,
        median(seconds_between(front_1_at, ts)) filter (o2_b1s2_v is not null and front_1_at > long_ago()) as o2_b1s2_v,
        median(seconds_between(front_2_at, ts)) filter (o2_b2s2_v is not null and front_2_at > long_ago()) as o2_b2s2_v
    from paired
    group by unit_id, day
),

skewed as (
    unpivot apart on columns(* exclude (unit_id, day)) into name signal value skew_s
),

arrivals as (
    select
        unit_id,
        day,
        max(arrived_at) as arrived_at
    from export_spans
    group by unit_id, day
),

final as (
    select
        counted.unit_id,
        0 as bucket,
        strftime(counted.day, '%Y-%m') as month,
        counted.day,
        counted.signal,
        counted.readings,
        round(driven.driven_s, 3) as driven_s,
        round(held.held_share, 6) as held_share,
        round(skewed.skew_s, 3) as skew_s,
        arrivals.arrived_at
    from counted
    inner join driven on counted.unit_id = driven.unit_id and counted.day = driven.day
    inner join arrivals on counted.unit_id = arrivals.unit_id and counted.day = arrivals.day
    left join held
        on counted.unit_id = held.unit_id and counted.day = held.day and counted.signal = held.signal
    left join skewed
        on counted.unit_id = skewed.unit_id and counted.day = skewed.day and counted.signal = skewed.signal
    where counted.readings > 0
)

from final
