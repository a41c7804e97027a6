"""Clocks of gateways: instants that cannot be, resets, and jumps that came back; whole columns at a time.

Rows are judged in the order of the file, vehicle by vehicle, inside one batch: a jump across the edge of a batch
looks like one that never came back, stays, and is noted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta

import polars as pl

from pipeline.exports.rejects import no_faults

AHEAD = timedelta(hours=26)  # after the arrival: the widest offset between two zones (UTC+14 and UTC-12)
ROLLOVER = timedelta(weeks=1024)  # the week number of GPS has ten bits (IS-GPS-200, 20.3.3.3.1.1)
LATE = timedelta(weeks=104)  # rows so old are still of use to a list (most that `history_weeks` may be)
JUMP = timedelta(days=1)  # more than a zone set wrongly can explain
BACK_WITHIN = timedelta(seconds=120)  # one long sampling interval on both sides; project's own choice
LONG_GAP = timedelta(days=30)  # a vehicle may stand so long; noted only; project's own choice


@dataclass
class ClockNotes:
    """What is noted of the clocks of one file: counts and where each begins."""

    back: int = 0
    back_line: int = 0
    jumps: int = 0
    jump_line: int = 0
    gaps: int = 0
    gap_line: int = 0
    longest_gap: timedelta = field(default_factory=timedelta)

    def words(self) -> list[str]:
        """The notes in words, none where there is nothing."""
        words = []
        if self.back:
            words.append(f"the clock steps back {_times(self.back)}, first at line {self.back_line}")
        if self.jumps:
            words.append(
                f"the clock jumped back by more than a day and did not return {_times(self.jumps)}, "
                f"first at line {self.jump_line}; the rows are kept"
            )
        if self.gaps:
            words.append(
                f"{_times(self.gaps)} more than {LONG_GAP.days} days without rows, first before line "
                f"{self.gap_line}, longest {_span(self.longest_gap)}: the vehicle stood or its clock jumped; "
                "the rows are kept"
            )
        return words


def impossible(rows: pl.DataFrame, arrived_at: datetime, first_day: date) -> pl.DataFrame:
    """Faults of rows (``line``, ``ts``) later than the arrival, before the first day of the settings, or dated by a GPS
    receiver whose week number began anew: 1,024 weeks before the arrival, or before the other rows.
    """
    if not rows.height:
        return no_faults()
    latest, first = arrived_at + AHEAD, datetime.combine(first_day, time(), tzinfo=UTC)
    low, high = rows["ts"].min(), rows["ts"].max()
    if low >= first and low > latest - ROLLOVER and high <= latest:
        return no_faults()
    rolled = _rolled_over(rows["ts"], arrived_at)
    late = (
        f"later than the arrival of the file ({arrived_at:%Y-%m-%d %H:%M} UTC): in the future; check the "
        "gateway's clock"
    )
    early = (
        f"before {first_day}, `first_day` of the settings: the gateway's clock was reset; check it, or set an "
        "earlier first_day"
    )
    anew = (
        "1,024 weeks too early: the week number of the gateway's GPS receiver has begun anew (IS-GPS-200); have its "
        "firmware updated"
    )
    bad = rows.with_columns(rolled=rolled).filter((pl.col("ts") > latest) | (pl.col("ts") < first) | pl.col("rolled"))
    bad = bad.unique("line", keep="first", maintain_order=True)
    reason = pl.when("rolled").then(pl.lit(anew)).when(pl.col("ts") > latest).then(pl.lit(late))
    return _faults(bad, reason.otherwise(pl.lit(early)))


def _rolled_over(ts: pl.Series, arrived_at: datetime) -> pl.Series:
    """Whether each instant, 1,024 weeks later, lies shortly before the arrival or among the other rows, to a day."""
    latest = arrived_at + AHEAD
    meant = ts + ROLLOVER
    rolled = meant.is_between(arrived_at - LATE, latest)
    others = ts.filter((ts > latest - ROLLOVER) & (ts <= latest))
    if others.len():
        rolled |= meant.is_between(others.min() - JUMP, others.max() + JUMP)
    return rolled


def excursions(rows: pl.DataFrame, notes: ClockNotes) -> pl.DataFrame:
    """Faults of rows whose clock jumped away by more than a day and came back; the rest is noted.

    A run of rows is one when the row after it continues the time of the row before it: that gap is as long as
    the run took, to within 120 s, and the run is no longer than the rows around it, back to the jumps before and
    after.

    Args:
        rows: ``line``, ``unit_id`` and ``ts`` of one batch in the order of the file.
        notes: what the file's other batches said; added to.
    """
    ts = rows["ts"]
    if not rows.height or (ts.is_sorted() and ts[-1] - ts[0] <= LONG_GAP):
        return no_faults()
    steps = _steps(rows)
    step = steps["step"]
    if step.min() is None or (step.min() >= timedelta(0) and step.max() <= LONG_GAP):
        return no_faults()
    jumps = steps.filter((pl.col("step") > JUMP) | (pl.col("step") < -JUMP))
    away = _away(jumps, steps)
    _note(steps, jumps, away, notes)
    if not away.height:
        return no_faults()
    parts = [steps.slice(0, 0).with_columns(by=pl.duration(seconds=pl.lit(0)))]
    # One slice a run: runs are few, and the rows of a run stand together in `steps`.
    parts += [
        steps.slice(start, end - start).with_columns(by=pl.lit(by, dtype=pl.Duration("us")))
        for start, end, by in away.select("place", "next_place", "step").iter_rows()
    ]
    found = pl.concat(parts, how="vertical_relaxed")
    words = pl.col("by").map_elements(lambda by: _span(abs(by)), return_dtype=pl.String)
    direction = pl.when(pl.col("by") > timedelta(0)).then(pl.lit("ahead")).otherwise(pl.lit("back"))
    reason = "the clock jumped {} by {} and came back; the rows around go on; check the gateway's clock"
    return _faults(found, pl.format(reason, direction, words))


def _steps(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows unit by unit in the order of the file, with the step from the row before and their place."""
    unit = pl.col("unit_id")
    rows = rows.with_columns(unit.cast(pl.Categorical).to_physical())  # numbers sort and compare faster than text
    begins = rows.select((unit != unit.shift(1)).sum()).item() + 1
    if begins != rows["unit_id"].n_unique():
        rows = rows.sort("unit_id", maintain_order=True)
    return rows.select(
        "line",
        "unit_id",
        "ts",
        step=pl.when(unit == unit.shift(1)).then(pl.col("ts").diff()),
        place=pl.int_range(pl.len()),
    )


def _away(jumps: pl.DataFrame, steps: pl.DataFrame) -> pl.DataFrame:
    """Jumps that begin a run that came back, with ``next_place``, the first row after the run."""
    if not jumps.height:
        return jumps.with_columns(next_place="place")
    unit, place, step = pl.col("unit_id"), pl.col("place"), pl.col("step")
    ends = steps.group_by("unit_id").agg(first=place.min(), end=place.max() + 1)
    same, before = unit == unit.shift(-1), unit == unit.shift(1)
    paired = jumps.join(ends, on="unit_id", how="left", maintain_order="left").with_columns(
        next_place=pl.when(same).then(place.shift(-1)),
        next_step=pl.when(same).then(step.shift(-1)),
        rows_before=place - pl.when(before).then(place.shift(1)).otherwise("first"),
    )
    after = pl.when((unit == unit.shift(-2)).fill_null(False)).then(place.shift(-2)).otherwise("end")
    opposite = (step > timedelta(0)) != (pl.col("next_step") > timedelta(0))
    together = step + pl.col("next_step")
    paired = paired.with_columns(
        runs=(
            opposite
            & (together <= BACK_WITHIN)
            & (together >= -BACK_WITHIN)
            & (pl.col("next_place") - place <= pl.col("rows_before") + after - pl.col("next_place"))
        ).fill_null(False)
    )
    # Away, back, away, back: of candidates in a row every other one is an excursion.
    chain = (pl.col("runs") != pl.col("runs").shift(1)).fill_null(True).cum_sum()
    turn = pl.int_range(pl.len()).over(chain) % 2 == 0
    return paired.filter(pl.col("runs") & turn)


def _note(steps: pl.DataFrame, jumps: pl.DataFrame, away: pl.DataFrame, notes: ClockNotes) -> None:
    explained = pl.concat([away["place"], away["next_place"]])
    rest = steps.filter(~pl.col("place").is_in(explained.implode()))
    back = rest.filter(pl.col("step") < timedelta(0))
    far = back.filter(pl.col("step") < -JUMP)
    gaps = rest.filter(pl.col("step") > LONG_GAP)
    if back.height:
        notes.back_line = min(back["line"].min(), notes.back_line or back["line"].min())
        notes.back += back.height
    if far.height:
        notes.jump_line = min(far["line"].min(), notes.jump_line or far["line"].min())
        notes.jumps += far.height
    if gaps.height:
        notes.gap_line = min(gaps["line"].min(), notes.gap_line or gaps["line"].min())
        notes.gaps += gaps.height
        notes.longest_gap = max(notes.longest_gap, gaps["step"].max())


def _faults(rows: pl.DataFrame, reason: pl.Expr) -> pl.DataFrame:
    return rows.select(
        "line",
        column=pl.lit("ts"),
        value=pl.col("ts").dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ"),
        reason=reason,
    )


def _span(span: timedelta) -> str:
    return f"{span / timedelta(days=1):,.1f} days"


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number:,} times"
