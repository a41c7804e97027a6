"""Alarms: what a run tells a person at night, whichever edge started it."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from pipeline.alerts import alert_text, send, stop_text
from pipeline.datawatch import STOP, Notice, watch_lines
from pipeline.runs import Run
from pipeline.settings import Settings


def failed(settings: Settings, run: Run, error: Exception) -> None:
    """Raise the alarm of the settings for an error that ended a run."""
    _sent(settings, alert_text(settings, run.command, run.started_at, error))


def stopped(settings: Settings, run: Run, notices: Sequence[Notice]) -> None:
    """Where any notice says stop: the run needs a look, and a person is told so."""
    stops = [notice for notice in notices if notice.severity == STOP]
    if stops:
        run.look = True
        _sent(settings, stop_text(settings, run.command, run.started_at, watch_lines(stops)))


def _sent(settings: Settings, text: dict[str, str]) -> None:
    for problem in send(settings, text):
        print(f"lightoff: {problem}", file=sys.stderr)
