-- table: active_codes
-- grain: one row a unit and trouble code
-- reads: codes
-- params:
-- note: a code counts from its first reading after the last clear; what stood before a clear is kept as cleared, since
--   clearing codes repairs nothing. A permanent code survives a clear until its monitor has run and passed (13 CCR
--   1968.2(d)): read after one it speaks of what stood before it, and only what is pending or confirmed counts

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
        clears.cleared_at is not null and (codes.ts <= clears.cleared_at or codes.state = 'permanent') as cleared
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
        coalesce(max(ts) filter (not cleared), max(ts)) as last_seen_at,
        max(ts) filter (state = 'pending') as pending_at,
        count(*) as readings
    from marked
    group by unit_id, code
)

from final
