"""What a flow shows on its page of a prefect server, as Markdown and links; made without prefect."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from models.resampling import Interval
from pipeline.coverage import PART_WORDS
from pipeline.ingest import IngestSummary
from pipeline.jobs import WeekResult
from pipeline.report.words import plain
from pipeline.retrain import Verdict, verdict_text

_KEY = ["unit_id", "component"]
_STATUSES = ("judged", "held", "not_judged")
_REASONS = 8  # most reasons named for parts that are judged no longer
_SHOWN_REFUSED = 50
_LINKED = {"page.html": "page", "list.csv": "csv", "list.xlsx": "workbook", "scores.csv": "scores"}


def balance(read: IngestSummary) -> str:
    """Rows and files of an ingest, and which files were refused and why."""
    lines = [f"- {name}: {count:,}" for name, count in read.totals.items()]
    refused = read.files.filter(read.files["status"] == "refused")
    lines += [
        f"- refused: `{plain(row['file'])}`: {plain(row['reason'] or '')}"
        for row in refused.head(_SHOWN_REFUSED).iter_rows(named=True)
    ]
    if refused.height > _SHOWN_REFUSED:
        lines.append(f"- and {refused.height - _SHOWN_REFUSED} more refused")
    return "\n".join(lines)


def coverage_changes(scores: pl.DataFrame, week_start: date) -> str:
    """What the list of ``week_start`` can judge, beside the list before it.

    Args:
        scores: rows of table ``scores`` of one series, of that list and of earlier ones.
    """
    parts = scores.filter(pl.col("component") != "")
    now = parts.filter(pl.col("week_start") == week_start)
    earlier = parts.filter(pl.col("week_start") < week_start)["week_start"].max()
    then = parts.filter(pl.col("week_start") == earlier) if earlier is not None else parts.clear()
    before = f" ({earlier})" if earlier is not None else ""
    lines = [f"Parts of the list of {week_start}, those of the list before{before} in brackets", ""]
    lines += ["| part | judged | held back | not judged |", "|---|---|---|---|"]
    for part, words in PART_WORDS.items():
        cells = [
            f"{_count(now, part, status)}" + (f" ({_count(then, part, status)})" if earlier is not None else "")
            for status in _STATUSES
        ]
        lines.append(f"| {words} | " + " | ".join(cells) + " |")
    if earlier is None:
        return "\n".join([*lines, "", "There is no list before this one."])
    both = now.select(*_KEY, "status", "reason").join(
        then.select(*_KEY, status_then="status"), on=_KEY, how="full", coalesce=True
    )
    lost = both.filter((pl.col("status_then") == "judged") & (pl.col("status").fill_null("") != "judged"))
    won = both.filter((pl.col("status") == "judged") & (pl.col("status_then").fill_null("") != "judged"))
    lines += ["", f"{won.height} parts are judged that were not, {lost.height} are judged no longer."]
    reasons = lost.group_by(pl.col("reason").fill_null("no longer in the register")).agg(parts=pl.len())
    lines += [
        f"- {row['parts']} no longer: {plain(row['reason']) or 'no reason recorded'}"
        for row in reasons.sort(["parts", "reason"], descending=[True, False]).head(_REASONS).iter_rows(named=True)
    ]
    return "\n".join(lines)


def _count(scores: pl.DataFrame, part: str, status: str) -> int:
    return scores.filter((pl.col("part") == part) & (pl.col("status") == status)).height


def list_head(result: WeekResult, rows: int = 10) -> str:
    """The first rows of a list and where its files lie."""
    head = "\n".join(f"    {line}" for line in result.outputs.first_rows(rows)) or "    nothing is on the list"
    where = "\n".join(f"- {name}: `{path}`" for name, path in result.outputs.paths.items())
    return f"List of {result.week_start}\n\n{head}\n\n{where}"


def links(result: WeekResult, out: Path, out_url: str) -> dict[str, str]:
    """Name -> address of the files of a list and of its cards.

    Args:
        out: folder of the lists, as in the settings.
        out_url: address under which ``out`` is served; the files of this machine where it is empty.
    """
    found = {short: result.outputs.paths[name] for name, short in _LINKED.items() if name in result.outputs.paths}
    if result.cards is not None:
        found["cards"] = result.cards
    return {short: _address(path.resolve(), out.resolve(), out_url) for short, path in found.items()}


def _address(path: Path, out: Path, out_url: str) -> str:
    if not out_url or not path.is_relative_to(out):
        return path.as_uri()
    # The steps below `out` as they stand in an address; `/x` only lends them a root.
    return out_url.rstrip("/") + (Path("/x") / path.relative_to(out)).as_uri().removeprefix("file:///x")


def verdict(made: Verdict) -> str:
    """What became of a challenger, with its gains in the rolling backtest as a table."""
    head = "\n".join(verdict_text(made).splitlines()[:2])
    if not made.against:
        return head
    lines = ["| gain in average precision against | value | 90 % interval by vehicle | vehicles |", "|---|---|---|---|"]
    lines += [_gain(other, gain) for other, gain in made.against.items()]
    return "\n".join([head, "", *lines])


def _gain(other: str, gain: Interval) -> str:
    return f"| {other} | {gain.estimate:+.3f} | {gain.low:+.3f} to {gain.high:+.3f} | {gain.units} |"
