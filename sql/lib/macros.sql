-- Words and macros shared by the steps. Times are UTC; seconds are doubles.
create type sensor_kind as enum ('narrowband', 'wide_range');

create macro seconds_between(earlier, later) as
    (epoch_us(later) - epoch_us(earlier)) / 1000000.0;

-- Numerator over denominator, null where the denominator is zero or null.
create macro safe_ratio(numerator, denominator) as
    numerator / nullif(denominator, 0);

-- Oxygen stored (positive) or released (negative) in grams a second: 0.232 * air * (1 - 1/lambda). 0.232 is the mass
-- fraction of oxygen in air; the single-state storage form of Brandt, Wang and Grizzle, IEEE Trans. Control Syst.
-- Technol. 8(5), 2000 (from memory).
create macro oxygen_rate_gs(air_gs, lambda_ratio) as
    0.232 * air_gs * (1 - 1 / lambda_ratio);

-- When the value of this row was sampled, in microseconds; where none was, a trip that begins carries none on.
create macro sampled_at(sampled, now_us, begins) as
    case when sampled is not null then now_us when begins then 0 end;

-- A value carried on since it was sampled, nothing once it is older than its bound.
create macro while_fresh(carried, sampled_us, now_us, bound_s) as
    case when now_us <= sampled_us + cast(bound_s * 1000000 as bigint) then carried end;

-- Standard error of a share of independent readings, sqrt(p (1 - p) / n): the binomial one. Readings of a periodic
-- signal are more even than that, so that it errs to the safe side.
create macro share_error(share, readings) as
    sqrt(share * (1 - share) / nullif(readings, 0));

-- Share of the readings that equal the one before, of those that were compared (`same` is null of the others); null where
-- fewer than `least` of the signal's readings were. An aggregate.
create macro held_share(same, reading, least) as
    case when count(same) >= least * count(reading) then avg(cast(same as double)) end;

-- An instant before every reading: what is dated so was never seen.
create macro long_ago() as timestamptz '1900-01-01 00:00:00+00';

-- Number of the clock block of so many seconds that an instant lies in.
create macro block_of(instant, block_s) as
    cast(epoch_us(instant) // cast(block_s * 1000000 as bigint) as bigint);

-- Whether the row before belongs to the same trip, for rows (of one bank) in the order of unit and instant.
create macro same_trip(unit_id, started_at) as
    (unit_id = lag(unit_id) over () and started_at = lag(started_at) over ()) is true;

-- Whether the row after does.
create macro trip_goes_on(unit_id, started_at) as
    (unit_id = lead(unit_id) over () and started_at = lead(started_at) over ()) is true;

-- Spread of the inner 80 % of the values, as the standard deviation that a normal distribution of that width has: its 10
-- and 90 % points lie 2.563 of them apart (any table). Single rows far off do not move it.
create macro inner_spread(x) as
    (quantile_cont(x, 0.9) - quantile_cont(x, 0.1)) / 2.563;

-- Mean long term trim to be added to a mean short term trim: the two are seldom polled in the same row, so that the means
-- add up and the readings do not. Nothing where the day knows no long term trim at all, null where it does but not here.
create macro learned(readings, mean_pct) as
    case when readings > 0 then mean_pct else 0 end;
