select
    count(*) as readings,
    max(unit_id) as last_unit,
    max(ts) as last_ts,
    sum(columns(* exclude (unit_id, ts, day, bucket)))
from readings
