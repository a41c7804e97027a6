"""Alerts: what a person needs to know at night, handed to a program or posted to an address of the settings."""

from __future__ import annotations

import json
import subprocess
import urllib.error
import urllib.request
from datetime import datetime
from http.client import HTTPException, InvalidURL
from urllib.parse import urlsplit

from pipeline.errors import LightoffError, ShardsError
from pipeline.settings import Settings

_DERIVED_IN_PART = (
    "What could be derived is kept, and a night or a week judged it all the same; parts of vehicles whose days are named above "
    "rest on what was derived of them before. Look at these before any of them is called in."
)
SECONDS = 30  # a receiver that does not answer must not hold the night run


def alert_text(settings: Settings, command: str, started_at: datetime, error: Exception) -> dict[str, str]:
    """The alert: what failed, why, what state the lake is in, and what to do."""
    expected = isinstance(error, LightoffError)
    return {
        "subject": f"lightoff {command} failed",
        "lake": settings.lake,
        "started_at": started_at.isoformat(),
        "error": str(error) or type(error).__name__,
        "kind": type(error).__name__,
        "state": _DERIVED_IN_PART if isinstance(error, ShardsError) else "What was committed before the error stays valid, what was half-written is rolled back. The last list "
        "and the files read so far are as they were.",
        "what_to_do": "Nothing tonight. In the morning look why it cannot be derived: a file of the readings that is damaged or gone "
        "is made again by `lightoff restore`; what could not be reached is tried again by the next run."
        if isinstance(error, ShardsError) else
        "Nothing tonight. In the morning do what the error says and run the same command again; files read "
        "before are skipped." if expected else
        "Nothing tonight. This is a fault of the program: keep the log and report it; the next night tries again.",
    }


def stop_text(settings: Settings, command: str, started_at: datetime, lines: list[str]) -> dict[str, str]:
    """The alert of a run that ended well on data that cannot be trusted: ``lines`` say what changed in them."""
    return {
        "subject": f"lightoff {command}: the data need a look",
        "lake": settings.lake,
        "started_at": started_at.isoformat(),
        "error": "; ".join(lines),
        "kind": "data watch",
        "state": "The run ended and everything is in place, but what came in is not what usually comes in.",
        "what_to_do": "Nothing tonight. Before a list is used, ask whoever sends the exports about the lines above.",
    }


def send(settings: Settings, text: dict[str, str]) -> list[str]:
    """Hand an alert to the receivers of the settings; a line for each that could not be reached, none where all were.

    Nothing is raised: an alert that fails must not hide the error it speaks of.
    """
    body = json.dumps(text)
    problems = []
    if settings.alert_command:
        try:
            # What the program says is for people and may be in any encoding.
            done = subprocess.run(
                settings.alert_command, input=body, encoding="utf-8", errors="replace", capture_output=True,
                timeout=SECONDS, check=False,
            )
            if done.returncode:
                said = done.stderr.strip().splitlines()
                problems.append(f"alert_command ended with {done.returncode}: {said[-1] if said else 'it said nothing'}")
        except (OSError, ValueError, subprocess.SubprocessError) as error:  # ValueError: a NUL in a word of the command
            problems.append(f"alert_command could not be run: {error}")
    if settings.alert_webhook:
        problem = _posted(settings.alert_webhook, body)
        problems += [problem] if problem else []
    return problems


def _posted(address: str, body: str) -> str:
    """Post to an address; why it could not be, empty where it was."""
    try:
        request = urllib.request.Request(address, body.encode(), {"Content-Type": "application/json"}, method="POST")
        with urllib.request.urlopen(request, timeout=SECONDS):
            return ""
    except (InvalidURL, ValueError):
        # An address may carry a secret, and these errors quote it.
        return "alert_webhook is no address that can be posted to: look for a blank or a wrong port in it"
    except (urllib.error.URLError, OSError, HTTPException) as error:
        # The host is enough to know which one it was.
        return f"alert_webhook at {urlsplit(address).hostname} could not be reached: {error}"
