-- The five indicators of plain_pandas.py out of banks and cuts, and nothing else.
with by_day as (
    select
        unit_id,
        day,
        quantile_cont(front_v, 0.95) - quantile_cont(front_v, 0.05) as up_swing_v,
        avg(cast(front_v between 0.3 and 0.6 as double)) as up_mid_share,
        stddev_samp(rear_v) filter (rear_ok) as down_spread_v,
        avg(stft_pct + coalesce(ltft_pct, 0)) as trim_pct
    from banks
    where bank = 1 and front_ok
    group by unit_id, day
),

recoveries as (
    select unit_id, day, median(recovery_s) as recovery_s
    from cuts
    where bank = 1 and warm
    group by unit_id, day
)

select by_day.*, recoveries.recovery_s
from by_day
left join recoveries on by_day.unit_id = recoveries.unit_id and by_day.day = recoveries.day
