"""One vehicle's life over the weeks: driving days, codes, workshop visits, repairs and what was written
down."""

from __future__ import annotations

import numpy as np

from sample_lake.diagnostics import CIRCUIT_CODES, CodeMemory, Rule, confounder_rules, fault_rules
from sample_lake.faults import Confounder, Fault
from sample_lake.fleet import Unit, draw
from sample_lake.habits import Workshop
from sample_lake.history import CAUSES, ROUTINE, History, Order
from sample_lake.physics import Physics

DRIVING_CHANCE = (0.9, 0.9, 0.9, 0.9, 0.9, 0.4, 0.12)
DRIVING_DAYS = sum(DRIVING_CHANCE)


def _bank_of(code: str) -> int:
    return int(code in {"P0150", "P0151", "P0152", "P0154"})


def _costs(component: str, rng: np.random.Generator) -> tuple[float, float]:
    if component.startswith("CAT"):
        return round(draw(rng, (620, 1450)), 2), round(draw(rng, (1.4, 3.0)), 1)
    if component == "OTHER":
        return round(draw(rng, (15, 260)), 2), round(draw(rng, (0.5, 2.5)), 1)
    return round(draw(rng, (75, 210)), 2), round(draw(rng, (0.5, 1.2)), 1)


class _Life:
    def __init__(
        self,
        unit: Unit,
        causes: list[Fault | Confounder],
        days: int,
        physics: Physics,
        rng: np.random.Generator,
        habits: Workshop,
    ) -> None:
        self.unit, self.causes, self.days, self.physics, self.rng = unit, causes, days, physics, rng
        self.habits = habits
        self.rules: list[Rule] = []
        for cause in causes:
            self.rules += (
                fault_rules(cause, rng) if isinstance(cause, Fault) else confounder_rules(cause, rng)
            )
        self.memory = CodeMemory()
        self.history = History()
        self.visit_day: float | None = None
        self.visits = 0
        self.clears_itself = draw(rng, (3, 16)) if rng.random() < habits.clears_itself_share else None

    def run(self, first_weekday: int) -> History:
        for day in range(self.days):
            if self.rng.random() > DRIVING_CHANCE[(first_weekday + day) % 7]:
                continue
            failing = {
                rule.code
                for rule in self.rules
                if rule.cause.severity(day) >= rule.severity and self.rng.random() < self.habits.test_chance
            }
            was_lit = bool(self.memory.confirmed)
            self.memory.drive(day, failing, draw(self.rng, (0.30, 0.72)))
            if self.memory.confirmed and not was_lit:
                self._lamp_lit(day)
            if self.visit_day is not None and day >= self.visit_day:
                self._visit(day)
                self.visit_day = None
            elif (
                self.clears_itself is not None
                and self.memory.confirmed
                and (day - min(self.memory.confirmed.values()) > self.clears_itself)
            ):
                self._clear(day + 0.8)
                self.clears_itself = None
            elif self.habits.complaint_per_week and not self.memory.confirmed:
                self._complaint(day)
        self._close_lit(np.inf)
        self.history.codes = self.memory.rows
        self._routine()
        return self.history

    def _lamp_lit(self, day: int) -> None:
        if self.visit_day is None and self.rng.random() > self.physics.repair_never_share:
            self.visit_day = day + 7 * draw(self.rng, self.physics.repair_wait_weeks)

    def _close_lit(self, moment: float) -> None:
        if self.memory.confirmed:
            self.history.lit.append((min(self.memory.confirmed.values()), moment))
            for code, since in self.memory.confirmed.items():
                if code in CIRCUIT_CODES:
                    self.history.circuit[_bank_of(code)].append((since, moment))

    def _clear(self, moment: float) -> None:
        self._close_lit(moment)
        self.memory.clear(moment)
        self.history.clears.append(moment)

    def _visit(self, day: int) -> None:
        rng = self.rng
        lit = set(self.memory.confirmed)
        seen = [rule.cause for rule in self.rules if rule.code in lit and rule.cause.present(day)]
        if not seen:
            return
        self._treat(seen[0], day + 0.75)

    def _complaint(self, day: int) -> None:
        """A bad part that lights no lamp is noticed by the driver or at a service."""
        bad = [c for c in self.causes if isinstance(c, Fault) and c.severity(day) >= 1]
        if bad and self.rng.random() < self.habits.complaint_per_week / DRIVING_DAYS:
            self._treat(bad[0], day + 0.75)

    def _treat(self, cause: Fault | Confounder, moment: float) -> None:
        rng, habits = self.rng, self.habits
        if habits.nothing_found_share and rng.random() < habits.nothing_found_share:
            part = cause.component if isinstance(cause, Fault) else self._wrong_part(cause)
            self._order(moment, part, "inspected", "no_fault_found", "")
            self._clear(moment)
            return
        self.visits += 1
        wrong = rng.random() < self.physics.wrong_part_share * (0.4 if self.visits > 1 else 1.0)
        if wrong:
            part = self._wrong_part(cause)
            closed = "no_fault_found" if rng.random() < habits.wrong_closed_share else "unknown"
            self._order(moment, part, "replaced", closed, "")
            self._renew(part, moment)
        elif isinstance(cause, Fault):
            cause.repaired_day = moment
            known = rng.random() < 1 - habits.unknown_share
            self._order(
                moment,
                cause.component,
                "replaced",
                "confirmed" if known else "unknown",
                CAUSES[cause.mode] if known else "",
            )
            if habits.pair_share and cause.place != "catalyst" and rng.random() < habits.pair_share:
                partner = cause.component[:3] + ("2" if cause.place == "upstream" else "1")
                self._order(moment, partner, "replaced", "unknown", "")
                self._renew(partner, moment)
        else:
            cause.to_day = moment
            self._order(moment, "OTHER", "repaired", "confirmed", CAUSES[cause.kind])
        self._clear(moment)

    def _renew(self, part: str, moment: float) -> None:
        """A new part ends a fault that has begun; one yet to come is no longer due."""
        for other in self.causes:
            if isinstance(other, Fault) and other.component == part:
                other.repaired_day = min(other.repaired_day, moment)

    def _wrong_part(self, cause: Fault | Confounder) -> str:
        if isinstance(cause, Confounder):
            return f"B{max(cause.bank, 0) + 1}S1"
        bank = cause.bank + 1
        others = {
            "upstream": (f"CAT{bank}", f"B{bank}S2"),
            "downstream": (f"CAT{bank}", f"B{bank}S1"),
            "catalyst": (f"B{bank}S2", f"B{bank}S1"),
        }[cause.place]
        return others[int(self.rng.integers(2))]

    def _order(self, moment: float, component: str, action: str, finding: str, cause: str) -> None:
        if self.habits.missing_order_share and self.rng.random() < self.habits.missing_order_share:
            return
        on_time = self.rng.random() < 1 - self.habits.late_paper_share
        late = self.rng.integers(0, 3) if on_time else self.rng.integers(5, 22)
        parts, labour = _costs(component, self.rng)
        self.history.orders.append(
            Order(
                self.unit, moment, int(moment) + int(late), component, action, finding, cause, parts, labour
            )
        )

    def _routine(self) -> None:
        rng = self.rng
        for _ in range(rng.poisson(self.days / 130)):
            text, cost, labour = ROUTINE[int(rng.integers(len(ROUTINE)))]
            day = int(rng.integers(self.days))
            self.history.orders.append(
                Order(
                    self.unit,
                    day + 0.5,
                    day + int(rng.integers(0, 4)),
                    "OTHER",
                    "replaced",
                    "confirmed",
                    text,
                    round(cost * draw(rng, (0.8, 1.3)), 2),
                    labour,
                )
            )
        sick = {cause.component for cause in self.causes if isinstance(cause, Fault)}
        well = [f"B{bank + 1}S{spot}" for bank in range(self.unit.family.banks) for spot in (1, 2)]
        well = [part for part in well if part not in sick]
        if self.unit.in_scope and well and rng.random() < self.days / 900:
            day = int(rng.integers(self.days))
            self.history.orders.append(
                Order(
                    self.unit,
                    day + 0.5,
                    day + 1,
                    well[int(rng.integers(len(well)))],
                    "inspected",
                    "no_fault_found",
                    "",
                    0.0,
                    0.5,
                )
            )


def live(
    unit: Unit,
    causes: list[Fault | Confounder],
    days: int,
    first_weekday: int,
    physics: Physics,
    rng: np.random.Generator,
    habits: Workshop = Workshop(),
) -> History:
    """Run one vehicle's weeks.

    Sets `repaired_day` and `to_day` of the causes that the workshop puts right.
    """
    return _Life(unit, causes, days, physics, rng, habits).run(first_weekday)
