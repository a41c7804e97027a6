"""`python -m sample_lake`: write an invented fleet's exports and its truth."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from sample_lake.schedule import WEEKDAYS
from sample_lake.simulate import LOG_MINUTES_PER_WEEK, simulate
from sample_lake.worlds import KINDS, world


def main() -> None:
    """Parse the arguments, run the simulation and print what was written."""
    parser = argparse.ArgumentParser(prog="python -m sample_lake", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder that receives exports/ and truth/")
    parser.add_argument("--units", type=int, default=40, help="number of vehicles")
    parser.add_argument("--weeks", type=int, default=16, help="number of weeks")
    parser.add_argument("--seed", type=int, default=1, help="seed; the same arguments give the same bytes")
    parser.add_argument(
        "--start", type=date.fromisoformat, default=date(2026, 1, 5), help="first day, YYYY-MM-DD"
    )
    parser.add_argument("--sampling", default="mixed", help="'mixed', or seconds between two rows")
    parser.add_argument(
        "--log-minutes",
        type=float,
        default=LOG_MINUTES_PER_WEEK,
        help="minutes of driving logged a vehicle and week",
    )
    parser.add_argument("--world", choices=KINDS, default="demo", help="what the fleet is drawn from")
    parser.add_argument("--days-per-week", type=int, default=WEEKDAYS, help="most days of a week logged")
    args = parser.parse_args()
    sampling = args.sampling if args.sampling == "mixed" else float(args.sampling)
    summary = simulate(
        args.out,
        args.units,
        args.weeks,
        args.seed,
        args.start,
        sampling=sampling,
        log_minutes_per_week=args.log_minutes,
        world=world(args.seed, args.world),
        days_per_week=args.days_per_week,
    )
    print("  ".join(f"{name}: {count}" for name, count in summary.items()))


if __name__ == "__main__":
    main()
