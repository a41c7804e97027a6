"""Parts and failure modes in the words of the people under the vehicle. Pure: text in, text out.

Positions follow SAE J1979 / ISO 15031-5: bank 1 holds cylinder 1, sensor 1 is upstream of the
catalyst, sensor 2 downstream.
"""

from __future__ import annotations

import re

_POSITION = re.compile(r"B([12])S([12])")
_SIDE = {"1": "upstream", "2": "downstream"}

# What the signal does, for each failure mode of findings and scores.
_MODES = {
    "weak": "weak signal",
    "slow": "slow response",
    "stuck": "signal hardly moves",
    "biased": "signal off its true value",
    "erratic": "unsteady signal",
    "gain": "lost gain",
    "heater": "slow to warm up",
    "storage": "little oxygen storage",
}

# The check that comes before a part is fitted. A flat or slow-to-warm signal is the wiring or the heater
# supply until shown otherwise; a catalyst is the last in line after leaks and misfire (common practice).
FIRST_STEPS = {
    "stuck": "Inspect connector and wiring of",
    "heater": "Inspect fuse, wiring and heater of",
    "storage": "Inspect for leaks and misfire, then confirm",
}


def component_words(component: str) -> str:
    """A component as written on a list: ``'B1S1'`` -> ``'upstream oxygen sensor, bank 1 (B1S1)'``.

    Knows positions ``B1S1`` to ``B2S2``, ``CAT1``, ``CAT2``, ``BANK1``, ``BANK2``, ``UNIT`` and the empty
    component of a vehicle that is out of scope.

    Raises:
        ValueError: any other component.
    """
    if position := _POSITION.fullmatch(component):
        bank, sensor = position.groups()
        return f"{_SIDE[sensor]} oxygen sensor, bank {bank} ({component})"
    if component in ("CAT1", "CAT2"):
        return f"catalyst, bank {component[-1]} ({component})"
    if component in ("BANK1", "BANK2"):
        return f"fuelling, bank {component[-1]} ({component})"
    if component in ("", "UNIT"):
        return "whole vehicle"
    raise ValueError(
        f"component must be B1S1 to B2S2, CAT1, CAT2, BANK1, BANK2, UNIT or empty, got {component!r}"
    )


def mode_words(mode: str) -> str:
    """A failure mode in words: ``'slow'`` -> ``'slow response'``; the empty mode gives empty words.

    Raises:
        ValueError: an unknown mode.
    """
    if mode and mode not in _MODES:
        raise ValueError(f"mode must be one of {', '.join(_MODES)} or empty, got {mode!r}")
    return _MODES.get(mode, "")


def action_words(component: str, mode: str, inspect_as: str = "") -> str:
    """What to do about a sensor or catalyst, as a short imperative that always inspects or confirms first.

    component : position or catalyst. mode : failure mode that speaks loudest, empty where none does. inspect_as : mode
    whose first step is right where the call points at something else than the mode shows, such as a wire; empty: its own.
    Data alone never justify a new part, so no wording asks for one.

    Raises:
        ValueError: the component is not a part, the mode is unknown, or ``inspect_as`` has no first step of its own.
    """
    if inspect_as and inspect_as not in FIRST_STEPS:
        raise ValueError(f"inspect_as must be one of {', '.join(FIRST_STEPS)} or empty, got {inspect_as!r}")
    if position := _POSITION.fullmatch(component):
        bank, sensor = position.groups()
        part, ready = f"the {_SIDE[sensor]} sensor of bank {bank}", "have the part ready"
    elif component in ("CAT1", "CAT2"):
        part, ready = f"the catalyst of bank {component[-1]}", "have a price at hand"
    else:
        raise ValueError(f"component must be B1S1 to B2S2, CAT1 or CAT2, got {component!r}")
    what = mode_words(mode)
    first = FIRST_STEPS.get(inspect_as or mode, "Confirm")
    if not what:
        return f"{first if inspect_as else 'Inspect'} {part} before anything is ordered: its signals show no single failure mode"
    return f"{first} {part} ({what}); {ready}"
