"""A long list as a page: bytes, and how long a browser takes for it: ``python -m tests.benchmarks.page [--rows 2000]``.

The time is that of a headless Chromium from start to a finished picture, beside that for an empty page in the same run:
what is left is the page's own. Rows carry plots as far as pages draw them.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import polars as pl

from pipeline.lake import Lake
from pipeline.report.listing import write_outputs
from pipeline.settings import Settings
from tests.browser.report_lake import MONDAYS, WEEK, fill, ranked_rows, rows_of

ROUNDS = 3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=2000)
    rows = parser.parse_args().rows
    browser = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chrome"))), None)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        lake = fill(folder / "lake")
        begun = time.perf_counter()
        page = write_outputs(_long(lake, rows), Settings(), "issued", WEEK, folder / "out", _weeks(rows)).paths["page.html"]
        print(f"{rows} rows: written in {time.perf_counter() - begun:.1f} s, page {page.stat().st_size / 1e6:.2f} MB")
        if browser is None:
            print("no chromium on the path: not opened")
            return
        empty = folder / "empty.html"
        empty.write_text("<!DOCTYPE html><title>empty</title>", encoding="utf-8")
        seconds = {name: min(_opened(browser, path, folder) for _ in range(ROUNDS)) for name, path in (
            ("empty page", empty), ("list", page))}
        print("  ".join(f"{name}: {value:.2f} s" for name, value in seconds.items()), end="  ")
        print(f"the list's own: {seconds['list'] - seconds['empty page']:.2f} s")


def _long(lake: Lake, rows: int) -> Lake:
    base = next(row for row in ranked_rows() if row["list_rank"] == 1)
    made = [
        base | {"unit_id": f"V-{number:05d}", "depot": f"Depot {number % 20}", "rank": number, "list_rank": number}
        for number in range(1, rows + 1)
    ]
    lake.replace("ranked", rows_of("ranked", made), [{"series": "issued", "week_start": WEEK}])
    where = {"series": "issued", "week_start": WEEK}
    for name in ("findings", "trends"):
        one = lake.read(name, (pl.col("series") == "issued") & (pl.col("unit_id") == "V-0042")).filter(
            pl.col("component") == "B1S1")
        many = pl.concat([one.with_columns(unit_id=pl.lit(row["unit_id"])) for row in made])
        lake.replace(name, many, [where])
    return lake


def _weeks(rows: int) -> pl.DataFrame:
    from tests.browser.report_lake import weeks_frame

    one = weeks_frame().filter((pl.col("unit_id") == "V-0042") & (pl.col("component") == "B1S1"))
    assert one["data_week"].max() <= max(MONDAYS) + timedelta(days=7)
    return pl.concat([one.with_columns(unit_id=pl.lit(f"V-{number:05d}")) for number in range(1, min(rows, 300) + 1)])


def _opened(browser: str, page: Path, folder: Path) -> float:
    begun = time.perf_counter()
    subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}",
         f"--screenshot={folder / 'seen.png'}", page.as_uri()],
        capture_output=True, check=True, timeout=120,
    )
    return time.perf_counter() - begun


if __name__ == "__main__":
    main()
