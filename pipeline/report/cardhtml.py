"""A card as a page for a phone: self-contained, no script, no network."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined, Template
from markupsafe import Markup

from pipeline.report.card import Card, Job
from pipeline.report.plots import line_plot
from pipeline.report.signalplot import scale_of, signal_plot

_HERE = Path(__file__).resolve().parent


def card_page(card: Card) -> str:
    """The card as HTML text; everything that comes from data is escaped."""
    style = Markup((_HERE / "card.css").read_text(encoding="utf-8"))
    drawn = [
        [{"svg": Markup(svg), "words": words} for svg, words in figures(job, place)]
        for place, job in enumerate(card.jobs, 1)
    ]
    return _template().render(card=card, figures=drawn, style=style)


def figures(job: Job, place: int) -> list[tuple[str, str]]:
    """Plots of a job as (svg, caption): the signal now, the signal to compare with, the weekly indicator."""
    drawn = []
    shown = [stretch for stretch in (job.recent, job.reference) if stretch is not None]
    if shown:
        scale = scale_of(*shown)
        drawn += [
            (signal_plot(stretch, scale, f"signal-{place}-{number}"), f"{stretch.signal}, {stretch.words}")
            for number, stretch in enumerate(shown, 1)
        ]
    if job.weekly is not None:
        drawn.append((line_plot(job.weekly, f"weekly-{place}"), f"{job.weekly.quantity}, by week"))
    return drawn


@cache
def _template() -> Template:
    environment = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template("card.html.j2")
