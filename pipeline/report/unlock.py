"""Sampling in words: how often signals come, what that does not allow, and which one signal would allow most."""

from __future__ import annotations

import polars as pl

from pipeline.report.words import count
from pipeline.sampled import Sampled
from pipeline.signals import signals

CAUSES = 3  # other causes named in a line


def unlock_lines(sampled: Sampled, most: int = 5) -> list[str]:
    """The signals or rates that would allow most, first the best, one line each; then those that rule other causes out."""
    found = sampled.unlocks().head(most)
    if found.is_empty():
        return ["every judged indicator gets the signals it needs", *_other_causes(sampled, most)]
    told = [f"{unlock_words(row)}: {_allowed(row)}" for row in found.iter_rows(named=True)]
    return told + _other_causes(sampled, most)


def _allowed(row: dict) -> str:
    """What a row of unlocks would allow, in words; where every component is judged already only the indicators."""
    judged = f"{count(row['components'], 'component', 'components')} more judged, " if row["components"] else ""
    return (
        f"{judged}{count(row['indicators'], 'indicator', 'indicators')} more on "
        f"{count(row['vehicles'], 'vehicle', 'vehicles')}"
    )


def _other_causes(sampled: Sampled, most: int) -> list[str]:
    lines = []
    for row in sampled.rules_out().head(most).iter_rows(named=True):
        words = dict.fromkeys(word for indicator in row["which"] for word in sampled.cleared[indicator])
        lines.append(
            f"{unlock_words(row)}: on {row['vehicles']} more vehicle{'s' * (row['vehicles'] > 1)} the data can tell of "
            + ", ".join(list(words)[:CAUSES])
            + (f" and {len(words) - CAUSES} more" if len(words) > CAUSES else "")
        )
    return lines


def unlock_words(row: dict) -> str:
    """``log o2_b1s2_v (PID 15) at least every 2.5 s`` of a row of unlocks."""
    signal = signals()[row["signal"]]
    pid = f" (PID {signal.pid})" if signal.pid else ""
    return f"log {row['signal']}{pid} at least every {row['every_s']:g} s"


def sampling_lines(sampled: Sampled) -> list[str]:
    """How often each signal of one vehicle really comes, and what its indicators lack."""
    lines = [
        f"{row['signal']}: one new reading in {row['step_s']:.1f} s, {row['readings']} readings"
        + (f", {row['held_share']:.0%} held by the gateway" if row["held_share"] is not None else "")
        + (f", {row['skew_s']:.1f} s after the upstream sensor" if row["skew_s"] is not None else "")
        for row in sampled.sampling.iter_rows(named=True)
    ]
    short = sampled.capable.filter(~pl.col("possible")).sort("component", "indicator")
    return lines + [
        f"{row['component']} {row['indicator']} cannot be measured: {row['signal']} "
        + ("never comes" if row["comes_s"] is None else f"comes every {row['comes_s']:.1f} s")
        + f", it needs one in {row['every_s']:g} s"
        + (f" (and {row['lacking'] - 1} more)" if row["lacking"] > 1 else "")
        for row in short.iter_rows(named=True)
    ]
