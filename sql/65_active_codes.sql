-- table: active_codes
-- grain: one row a unit and trouble code
-- reads: codes
-- params:
-- note: a code counts from its first reading after the last clear; what stood before a clear is kept as cleared, since
--   clearing codes repairs nothing

with codes as (from codes),

clears as (
    select
        unit_id,
        max(ts) as cleared_at
    from codes
    where state = 'cleared'
    group by unit_id
),

marked as (
    select
        codes.*,
        coalesce(codes.ts <= clears.cleared_at, false) as cleared
    from codes
    left join clears on codes.unit_id = clears.unit_id
    where codes.state <> 'cleared'
),

final as (
    select
        unit_id,
        code,
        bool_and(cleared) as cleared,
        bool_or(state in ('confirmed', 'permanent') and not cleared) as confirmed,
        coalesce(min(ts) filter (not cleared), min(ts)) as first_seen_at,
        max(ts) as last_seen_at,
        max(ts) filter (state = 'pending') as pending_at,
        count(*) as readings
    from marked
    group by unit_id, code
)

from final
