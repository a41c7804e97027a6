-- table: held_days
-- grain: one row a unit and day on which its gateway holds values
-- reads: signal_days
-- params: held_slows_share, held_most_share
-- note: a single signal that stands still is a finding, not sampling: the least of the held shares of all sensors and trims
--   is the gateway's, and takes two of them

with signal_days as (from signal_days),

final as (
    select
        unit_id,
        day,
        least(min(held_share), params.held_most_share) as held_share
    from signal_days
    where held_share is not null
    group by unit_id, day
    having count(*) > 1 and min(held_share) >= params.held_slows_share
)

from final
