"""How a part's severity climbs from onset (0) to failure (1): the shapes of wear that worlds deal out.

Every path is monotone. What an intermittent part shows on a day switches between nothing and its path.
"""

from __future__ import annotations

import numpy as np

PATHS = ("linear", "accelerating", "stepwise", "plateau", "saturating", "intermittent")
AFTER_FAILURE = 0.6
"""Severity gained after failure in as many days as lay between onset and failure."""


def progress(path: str, share: float, shape: float, bends: tuple[float, ...]) -> float:
    """Severity 0 to 1 at a `share` (0 to 1) of the way from onset to failure.

    `shape` is the power of the accelerating and saturating paths, `bends` the shares at which a stepwise
    path steps (its last step is failure itself) or a plateau begins and ends. Raises ValueError for an
    unknown path.
    """
    if path in ("linear", "intermittent"):
        return share
    if path == "accelerating":
        return share**shape
    if path == "saturating":
        return 1.0 - (1.0 - share) ** shape
    if path == "stepwise":
        return sum(share >= bend for bend in bends) / (len(bends) + 1) if share < 1 else 1.0
    if path == "plateau":
        begin, end = bends[0], bends[1]
        height = 0.5
        if share < begin:
            return height * share / begin
        return height + (1 - height) * max(0.0, share - end) / (1 - end)
    raise ValueError(f"path must be one of {', '.join(PATHS)}, got {path!r}")


def climbed(path: str, share: float, shape: float, bends: tuple[float, ...], worst: float) -> float:
    """Severity at a `share` (0 onset, 1 failure, above 1 after it), at most `worst`."""
    if share < 1:
        return progress(path, share, shape, bends)
    return min(worst, 1.0 + AFTER_FAILURE * (share - 1.0))


def shows(share: float, salt: int, day: float) -> bool:
    """Whether an intermittent part acts up on a day: on one of five at onset, on nearly all after failure."""
    chance = np.random.default_rng([salt, int(day) + 100_000]).random()
    return bool(chance < min(0.95, 0.2 + 0.7 * share))
