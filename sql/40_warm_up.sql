-- table: warm_up_days
-- grain: one row a unit, catalyst or vehicle, day and indicator
-- reads: samples, banks
-- params: start_run_s, cold_start_degc, warm_coolant_degc, thermostat_run_s, light_off_degc, quiet_block_s,
--   quiet_range_v, quiet_readings, rear_rich_v
-- note: cool starts whose logging begins with the engine. A day's part of a trip stands for itself, so that midnight
--   and the cut of the days change nothing

with samples as not materialized (from samples),

banks as not materialized (from banks),

starts as (
    select
        unit_id,
        day,
        started_at,
        min(run_s) filter (run_time_known) as first_run_s,
        arg_min(coolant_degc, ts) filter (coolant_degc is not null) as start_degc,
        arg_min(run_s, ts) filter (coolant_degc is not null) as start_at_s,
        min(run_s) filter (coolant_degc >= params.warm_coolant_degc) as warm_at_s,
        arg_max(coolant_degc, ts) filter (coolant_degc is not null) as end_degc,
        arg_max(run_s, ts) filter (coolant_degc is not null) as end_at_s
    from samples
    where running and run_s <= params.thermostat_run_s
    group by unit_id, day, started_at
),

cool as (
    select starts.*
    from starts
    where first_run_s <= params.start_run_s and start_degc < params.cold_start_degc
),

rates as (
    select
        unit_id,
        day,
        -- The rise slows down towards the thermostat: a start that was not watched long enough tells nothing.
        case
            when warm_at_s is not null
                then (params.warm_coolant_degc - start_degc) / nullif(warm_at_s - start_at_s, 0)
            when end_at_s >= params.thermostat_run_s - params.start_run_s
                then (end_degc - start_degc) / nullif(end_at_s - start_at_s, 0)
        end * 60 as coolant_rate_degc_min
    from cool
),

seen as (
    select
        banks.unit_id,
        banks.bank,
        banks.day,
        banks.started_at,
        banks.run_s,
        banks.rear_v,
        banks.closed,
        banks.catalyst_degc,
        floor(banks.run_s / params.quiet_block_s) as block
    from banks
    inner join cool
        on banks.unit_id = cool.unit_id and banks.day = cool.day and banks.started_at = cool.started_at
    where banks.running and banks.run_s <= params.thermostat_run_s
),

light_offs as (
    select
        unit_id,
        bank,
        day,
        started_at,
        min(run_s) filter (catalyst_degc >= params.light_off_degc) as lit_at_s,
        min(run_s) filter (catalyst_degc < params.light_off_degc) as cold_at_s
    from seen
    where catalyst_degc is not null
    group by unit_id, bank, day, started_at
),

blocks as (
    select
        unit_id,
        bank,
        day,
        started_at,
        block,
        min(run_s) as begins_s,
        bool_and(closed)
        and max(rear_v) - min(rear_v) < params.quiet_range_v
        and min(rear_v) > params.rear_rich_v as quiet
    from seen
    where rear_v is not null
    group by unit_id, bank, day, started_at, block
    having count(*) >= params.quiet_readings
),

quiets as (
    select
        unit_id,
        bank,
        day,
        started_at,
        min(begins_s) filter (quiet) as quiet_at_s
    from blocks
    group by unit_id, bank, day, started_at
),

long as (
    select
        unit_id, 'UNIT' as component, day, 'coolant_rate_degc_min' as indicator,
        median(coolant_rate_degc_min) as value, count(coolant_rate_degc_min) as samples
    from rates
    group by unit_id, day
    union all by name
    select
        unit_id, 'CAT' || bank as component, day, 'light_off_s' as indicator,
        median(lit_at_s) as value, count(*) as samples
    from light_offs
    -- Only where it was seen colder before.
    where cold_at_s < lit_at_s
    group by unit_id, bank, day
    union all by name
    select
        unit_id, 'CAT' || bank as component, day, 'rear_quiet_at_s' as indicator,
        median(quiet_at_s) as value, count(quiet_at_s) as samples
    from quiets
    group by unit_id, bank, day
),

final as (
    select
        unit_id,
        component,
        day,
        indicator,
        cast(value as double) as value,
        samples
    from long
    where samples > 0
)

from final
