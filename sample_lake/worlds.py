"""Worlds: everything that differs between one invented fleet and the next, drawn from a seed.

"demo" is the committed fleet's. "near" draws physics, telemetry, faults and workshop from the training
ranges of `ranges`. "far" draws outside them and runs on other equations (`structures`): what is learnt on
near fleets is tried on far ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sample_lake.fleet import FAMILIES, Family, draw
from sample_lake.habits import COUNTRY, MOTORWAY, TOWN, Driving, Hazards, Telemetry, Workshop
from sample_lake.physics import Physics, Range
from sample_lake.ranges import BOTH, CHOICES, MISSING, SHIFTED

KINDS = ("demo", "near", "far")
FLEET_WIDE = (
    "ambient_mean_degc",
    "ambient_swing_k",
    "repair_never_share",
    "repair_wait_weeks",
    "wrong_part_share",
)
"""Fields of `Physics` that all families of a world share: weather and workshop."""


@dataclass(frozen=True)
class World:
    """One world. `physics` is the fleet's, `by_family` (engine family code) overrides it for a family's
    vehicles; `hazards` is None where faults are dealt in turn, as in the demo."""

    kind: str
    physics: Physics = Physics()
    families: tuple[Family, ...] = FAMILIES
    by_family: tuple[tuple[str, Physics], ...] = ()
    driving: Driving = Driving()
    telemetry: Telemetry = Telemetry()
    workshop: Workshop = Workshop()
    hazards: Hazards | None = None

    def physics_of(self, family: Family) -> Physics:
        """Physics of a family's vehicles."""
        return dict(self.by_family).get(family.code, self.physics)


DEMO = World("demo")


def world(seed: int, kind: str = "near") -> World:
    """Draw a world; the same seed and kind give the same world. Raises ValueError for an unknown kind."""
    if kind not in KINDS:
        raise ValueError(f"world must be one of {', '.join(KINDS)}, got {kind!r}")
    if kind == "demo":
        return DEMO
    far = kind == "far"
    rng = np.random.default_rng([seed, 7, int(far)])
    fleet_physics = _physics(rng, far)
    families = _families(rng, far)
    shared = {name: getattr(fleet_physics, name) for name in FLEET_WIDE}
    motorway = draw(rng, (0.45, 0.7) if far else (0.1, 0.3))
    town = draw(rng, (0.2, 0.8)) * (1 - motorway)
    counts = [round(20 * share) for share in (town, 1 - town - motorway, motorway)]
    return World(
        kind,
        fleet_physics,
        families,
        tuple((family.code, replace(_physics(rng, far), **shared)) for family in families),
        replace(
            _section(Driving(), "driving", rng, far),
            bands=(TOWN,) * counts[0] + (COUNTRY,) * counts[1] + (MOTORWAY,) * counts[2],
        ),
        replace(
            _section(Telemetry(), "telemetry", rng, far),
            missing=tuple((name, draw(rng, limits[int(far)])) for name, limits in MISSING.items()),
        ),
        _section(Workshop(), "workshop", rng, far),
        _section(Hazards(), "hazards", rng, far),
    )


def _physics(rng: np.random.Generator, far: bool) -> Physics:
    physics = _section(Physics(), "physics", rng, far, spread=(0.25, 0.6))
    if physics.sensor == "dead_time":
        # The slow sensor of these worlds answers late rather than smeared, and more so on one edge.
        physics = replace(
            physics,
            sensor_dead_s=draw(rng, (0.03, 0.08)),
            slow_dead_s=draw(rng, (0.25, 0.5)),
            slow_gas_lag_s=0.3 * physics.slow_gas_lag_s,
            slow_wide_lag_s=0.4 * physics.slow_wide_lag_s,
            lag_asymmetry=draw(rng, (0.2, 0.35)),
        )
    return physics


def _section(
    default: Any, section: str, rng: np.random.Generator, far: bool, spread: Range = (0.6, 1.0)
) -> Any:
    """`default` with every listed field of `section` drawn; a range field gets a piece (`spread`, share of
    the width) of the range."""
    drawn: dict[str, object] = {}
    for key in [*BOTH, *SHIFTED, *CHOICES]:
        if not key.startswith(section + "."):
            continue
        name = key.removeprefix(section + ".")
        if key in CHOICES:
            options = CHOICES[key][int(far)]
            drawn[name] = options[int(rng.integers(len(options)))]
            continue
        sides = (BOTH[key],) if key in BOTH else SHIFTED[key][1] if far else (SHIFTED[key][0],)
        low, high = sides[int(rng.integers(len(sides)))]
        if isinstance(getattr(default, name), tuple):
            width = (high - low) * draw(rng, spread)
            start = draw(rng, (low, high - width))
            drawn[name] = (start, start + width)
        else:
            drawn[name] = draw(rng, (low, high))
    return replace(default, **drawn)


def _families(rng: np.random.Generator, far: bool) -> tuple[Family, ...]:
    """Seven petrol families and a hybrid, codes and figures invented; both kinds of upstream sensor."""
    letters = rng.permutation(list("ABCFGJMNPRSUWX"))
    families = []
    for place in range(8):
        hybrid = place == 7
        banks = 1 if hybrid or rng.random() < 0.68 else 2
        litres = round(draw(rng, (2.4, 3.8) if banks == 2 else (1.0, 2.4)), 1)
        wide = hybrid or place % 2 == 1
        offered = (("maf", 0.8), ("map", 0.5), ("catalyst", 0.3))
        reports = {name for name, share in offered if rng.random() < share}
        if rng.random() < (0.4 if far else 0.75):
            reports.add("lambda_target")
        if wide:
            reports |= ({"lambda"}, {"pump"}, {"lambda", "pump"})[int(rng.integers(3))]
        families.append(
            Family(
                f"{letters[place]}{round(litres * 10):02d}",
                "hybrid" if hybrid else "petrol",
                banks,
                "wide_range" if wide else "narrowband",
                litres,
                round(950 + 420 * litres + draw(rng, (-150, 250))),
                1 if hybrid else int(rng.integers(2, 7)),
                frozenset(reports),
                pump_scale=draw(rng, (1.8, 3.0) if far else (0.5, 1.3)),
                boost=1.0 if rng.random() < 0.6 else draw(rng, (1.3, 1.7)),
                onboard_tests=bool(rng.random() < 0.6),
            )
        )
    return tuple(families)
