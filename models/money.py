"""Expected cost of acting now against waiting one more weekly list, and the choice within the bays there are.

All amounts are in the fleet's own currency (``Costs.currency`` is a label, nothing is converted).

Derivation, for one judged part. Let

    p28  probability that the part fails within 28 days or has failed already,
    p7   the same within 7 days, that is before the next list can act; p7 <= p28,
    P    planned repair: part + labour_h * labour rate + bay,
    F    visit without a fault: inspection + bay (the technician tests first, so no part is fitted),
    D    what a failure adds in one week in which nobody acts: the chance that it comes to a breakdown in that week
         times its cost, a week of extra fuel, and for an upstream sensor the chance a week of ruining the catalyst
         times the catalyst's part and labour.

Acting now meets a true fault with p28 and pays P, else F:

    act  = p28 * P + (1 - p28) * F

Waiting one list, then acting on what is known by then. With p7 the part fails first: repair and damage,
P + D. With p28 - p7 it is caught by the next list for P. With 1 - p28 nothing is paid:

    wait = p7 * (P + D) + (p28 - p7) * P = p28 * P + p7 * D

    saving = wait - act = p7 * D - (1 - p28) * F

The repair itself cancels: a part that is going is paid for either way, now or some weeks later. So the saving
is D on a certain failure, -F on a healthy part, and 0 on one sure to last the week and sure to go after it.
It rises with p7 and with p28; the price of the part itself plays no role. With p7 = p28 = p acting pays above
p = F / (F + D).
Left out: the life lost by changing a part up to 28 days early.

Looking back (:func:`saved_by_acting`), a part that failed at f would have been repaired at r without the list, and
is repaired at t with it. With q the chance a week of a breakdown while a failed part is driven, each week between
max(f, t) and r costs fuel and consequences, and the breakdown itself comes in one of them with

    (1 - q)^(weeks from f to max(f, t)) - (1 - q)^(weeks from f to r)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from math import isfinite
from typing import TypeVar

import numpy as np
import polars as pl

Amount = TypeVar("Amount", float, np.ndarray, pl.Expr)

KINDS = ("upstream", "downstream", "catalyst")
_DECIMALS = 6  # rounding before ranking, so that the order of a sum cannot decide a tie


@dataclass(frozen=True)
class KindCosts:
    """Costs of one kind of part: part and breakdown in currency, labour_h in hours, fuel in currency a week.

    ``breakdown`` is what an unplanned failure costs on top of the planned repair: roadside help, hire, lost
    trips, a failed emission inspection; how soon after a failure it comes is ``breakdown_probability_per_week``.
    """

    part: float
    labour_h: float
    breakdown: float
    extra_fuel_per_week: float

    def __post_init__(self) -> None:
        _check_amounts(self)


@dataclass(frozen=True)
class Costs:
    """Planning values of a fleet. Rate in currency an hour; inspection and bay in currency a visit.

    ``families`` are kinds of part whose costs differ in one engine family: family -> kind -> costs.
    ``inspection`` is a visit that finds no fault, without the bay. ``bay_cost`` is what any visit costs
    whatever is done: booking, bay, lift, road test, the vehicle's absence; several jobs on one vehicle pay it
    once. ``catalyst_damage_probability_per_week`` (0..1) is for driving on with a failed upstream sensor,
    ``breakdown_probability_per_week`` (0..1) for driving on with any failed part; 1 means at once.
    Raises ValueError on a negative or infinite amount, or if a visit without a fault would be free.
    """

    upstream: KindCosts
    downstream: KindCosts
    catalyst: KindCosts
    labour_rate_per_h: float
    inspection: float
    bay_cost: float
    catalyst_damage_probability_per_week: float
    currency: str
    breakdown_probability_per_week: float = 1.0
    families: Mapping[str, Mapping[str, KindCosts]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _check_amounts(self)
        for name in ("catalyst_damage_probability_per_week", "breakdown_probability_per_week"):
            if getattr(self, name) > 1:
                raise ValueError(f"{name} must lie in 0..1, got {getattr(self, name)}")
        if self.inspection + self.bay_cost <= 0:
            raise ValueError("inspection + bay_cost must be above 0: a visit without a fault is never free")

    def of(self, kind: str, family: str = "") -> KindCosts:
        """Costs of a kind of part, those of the engine family where it has its own."""
        return self.families.get(family, {}).get(kind) or getattr(self, kind)

    def planned(self, kind: str, family: str = "") -> float:
        """Part and labour of a planned repair, without the bay."""
        costs = self.of(kind, family)
        return costs.part + costs.labour_h * self.labour_rate_per_h

    def damage(self, kind: str, family: str = "") -> float:
        """What a failure adds in a week in which nobody acts: chance of a breakdown, fuel and, upstream, the catalyst."""
        return self.breakdown_probability_per_week * self.of(kind, family).breakdown + self.weekly(kind, family)

    def weekly(self, kind: str, family: str = "") -> float:
        """What a week of driving with a failed part costs whether it breaks down or not: fuel, chance of the catalyst."""
        consequence = self.catalyst_damage_probability_per_week * self.planned("catalyst", family)
        return self.of(kind, family).extra_fuel_per_week + (consequence if kind == "upstream" else 0.0)


def saved_by_acting(costs: Costs, kind: str, until_acting: float, until_repair: float, family: str = "") -> float:
    """What acting on a part that failed has saved, in currency (derived above); 0 where it came no earlier.

    until_acting, until_repair : days from the failure to the repair with the list and without it; negative before it.
    family : engine family, whose own costs count where it has any.
    """
    begin, end = max(0.0, until_acting) / 7, until_repair / 7
    if end <= begin:
        return 0.0
    spared = 1 - costs.breakdown_probability_per_week
    return (end - begin) * costs.weekly(kind, family) + (spared**begin - spared**end) * costs.of(kind, family).breakdown


def cost_of_waiting(p_next: Amount, p_horizon: Amount, planned: Amount, damage: Amount) -> Amount:
    """Expected cost of acting one list later: ``p_horizon * planned + p_next * damage`` (derived above).

    Works on numbers, arrays and polars expressions alike.
    p_next, p_horizon : probability of failing within 7 and 28 days, 0..1.
    planned (P, with bay), damage (D) : currency.
    """
    return p_horizon * planned + p_next * damage


def cost_of_acting(p_true_fault: Amount, planned: Amount, no_fault: Amount) -> Amount:
    """Expected cost of acting now: ``p * planned + (1 - p) * no_fault`` (derived above).

    Works on numbers, arrays and polars expressions alike.
    p_true_fault : p28. planned (P), no_fault (F) : currency, both with bay.
    """
    return p_true_fault * planned + (1 - p_true_fault) * no_fault


def expected_saving(frame: pl.DataFrame, costs: Costs) -> pl.DataFrame:
    """The frame with wait_cost, act_cost, expected_saving and ride_along_saving added, all in currency.

    frame : one row a judged part: unit_id, depot, component, kind (upstream, downstream, catalyst), p28, p7; with
        engine_family where costs differ by it; with p28_low, p28_high, p7_low and p7_high where saving_low and
        saving_high are wanted as well (the saving rises with both probabilities, so their ends give its ends).
    expected_saving : wait_cost - act_cost of the part alone, the whole visit on its account.
    ride_along_saving : the same if the vehicle is in the bay anyway, so ``bay_cost`` is already paid.
    Raises ValueError on a missing column, a null, a part named twice, an unknown kind, a probability outside
    0..1, or p7 above p28.
    """
    _check_parts(frame, ["unit_id", "depot", "component", "kind", "p28", "p7"])
    _no_rows(frame.filter(~pl.col("kind").is_in(KINDS)), f"kind must be one of {KINDS}")
    for name in ("p28", "p7"):
        _no_rows(frame.filter(~pl.col(name).is_between(0, 1)), f"{name} must lie in 0..1")
    _no_rows(frame.filter(pl.col("p7") > pl.col("p28")), "p7 must not be above p28")

    family = pl.col("engine_family").fill_null("") if "engine_family" in frame.columns else pl.lit("")

    def priced(amount: Callable[[str, str], float]) -> pl.Expr:
        price = pl.col("kind").replace_strict({k: amount(k, "") for k in KINDS}, return_dtype=pl.Float64)
        for name, kinds in costs.families.items():
            # A dearer catalyst makes a failed upstream sensor dearer too: every kind of the family is priced anew.
            own = {k: amount(k, name) for k in KINDS} if kinds else {}
            if own:
                price = pl.when(family == name).then(
                    pl.col("kind").replace_strict(own, return_dtype=pl.Float64)
                ).otherwise(price)
        return price

    planned = priced(costs.planned) + costs.bay_cost
    damage = priced(costs.damage)
    no_fault = costs.inspection + costs.bay_cost

    def saving(suffix: str) -> pl.Expr:
        # the difference with the repair cancelled on paper, not in floating point
        return pl.col(f"p7{suffix}") * damage - (1 - pl.col(f"p28{suffix}")) * no_fault

    return frame.with_columns(
        wait_cost=cost_of_waiting(pl.col("p7"), pl.col("p28"), planned, damage),
        act_cost=cost_of_acting(pl.col("p28"), planned, no_fault),
        expected_saving=saving(""),
        **{f"saving{end}": saving(end) for end in ("_low", "_high") if f"p28{end}" in frame.columns},
    ).with_columns(ride_along_saving=pl.col("expected_saving") + costs.bay_cost)


def choose(frame: pl.DataFrame, bays_per_depot: Mapping[str, int]) -> pl.DataFrame:
    """The frame in list order, with rank, chosen, job_saving and bundle_saving added.

    frame : result of `expected_saving`; one row a judged part.
    bays_per_depot : visits each depot has before the next list, 0 or more, for every depot in the frame.

    A vehicle takes one bay. Its best part pays the visit; another part rides along if that alone saves money
    (``ride_along_saving`` above 0), even where a visit of its own would not pay. A vehicle is a candidate if
    its parts together save money, and each depot takes its best candidates: as every vehicle takes exactly
    one bay, no other choice saves more. ``chosen`` marks the parts so taken.

    job_saving : currency; what the part is credited with, its own visit or riding along.
    bundle_saving : currency; sum over the parts of the vehicle that pay, null where there is none. Above 0
        and not chosen means that the bays were full, or that this part would not pay even riding along.
    rank : 1, 2, ... over all rows: chosen ones first, vehicles by bundle_saving, the jobs of one vehicle
        together; then the rest by expected_saving. Ties: higher p28, then unit_id, then component. The order
        of the rows plays no part.
    Raises ValueError on a missing column, a null, a saving that is no number, a part named twice, a vehicle
    in two depots, a depot without bays stated, or bays that are not a whole number of 0 or more.
    """
    _check_parts(frame, ["unit_id", "depot", "component", "p28", "expected_saving", "ride_along_saving"])
    _no_rows(frame.filter(~pl.col("expected_saving").is_finite()), "expected_saving must be finite")
    _check_bays(frame, bays_per_depot)
    jobs = (
        frame.with_columns(saving=pl.col("expected_saving").round(_DECIMALS))
        .sort("unit_id", "saving", "p28", "component", descending=[False, True, True, False])
        .with_columns(
            place=pl.int_range(pl.len()).over("unit_id"),
            pays=pl.col("ride_along_saving").round(_DECIMALS) > 0,
        )
        .with_columns(
            job_saving=pl.when(pl.col("pays") & (pl.col("place") > 0))
            .then("ride_along_saving").otherwise("expected_saving")
        )
    )
    vehicles = (
        jobs.filter("pays")
        .group_by("depot", "unit_id", maintain_order=True)
        .agg(bundle_saving=pl.col("job_saving").sum().round(_DECIMALS), best_p28=pl.col("p28").max())
        .sort("bundle_saving", "best_p28", "unit_id", descending=[True, True, False])
        .with_columns(
            bays=pl.col("depot").replace_strict(dict(bays_per_depot), return_dtype=pl.Int64),
            ahead=pl.int_range(pl.len()).over("depot"),
        )
        .with_columns(taken=(pl.col("bundle_saving") > 0) & (pl.col("ahead") < pl.col("bays")))
    )
    return (
        jobs.join(vehicles.drop("depot", "bays", "ahead"), on="unit_id", how="left")
        .with_columns(chosen=pl.col("pays") & pl.col("taken").fill_null(False))
        .with_columns(
            by_money=pl.when("chosen").then("bundle_saving").otherwise("saving"),
            by_p28=pl.when("chosen").then("best_p28").otherwise("p28"),
        )
        .sort(
            "chosen", "by_money", "by_p28", "unit_id", "place",
            descending=[True, True, True, False, False],
        )
        .with_columns(rank=pl.int_range(1, pl.len() + 1, dtype=pl.Int64))
        .select(*frame.columns, "rank", "chosen", "job_saving", "bundle_saving")
    )


def _check_amounts(costs: KindCosts | Costs) -> None:
    for entry in fields(costs):
        value = getattr(costs, entry.name)
        if isinstance(value, KindCosts | str | Mapping):
            continue
        if not (isfinite(value) and value >= 0):
            raise ValueError(f"{entry.name} must be a finite amount of 0 or more, got {value}")


def _check_parts(frame: pl.DataFrame, columns: list[str]) -> None:
    missing = [c for c in columns if c not in frame.columns]
    if missing:
        raise ValueError(f"columns {missing} are missing, got {frame.columns}")
    _no_rows(frame.filter(pl.any_horizontal(pl.col(columns).is_null())), f"null in one of {columns}")
    _no_rows(frame.filter(pl.struct("unit_id", "component").is_duplicated()), "the same part twice")


def _check_bays(frame: pl.DataFrame, bays_per_depot: Mapping[str, int]) -> None:
    for depot, bays in bays_per_depot.items():
        if not isinstance(bays, int) or bays < 0:
            raise ValueError(f"bays_per_depot must be whole numbers of 0 or more, got {bays!r} for {depot!r}")
    unknown = sorted(set(frame["depot"]) - set(bays_per_depot))
    if unknown:
        raise ValueError(f"bays_per_depot must state the bays of every depot, got none for {unknown}")
    _no_rows(frame.filter(pl.col("depot").n_unique().over("unit_id") > 1), "a vehicle in two depots")


def _no_rows(offenders: pl.DataFrame, message: str) -> None:
    if offenders.height:
        raise ValueError(f"{message}; {offenders.height} rows, first: {offenders.row(0, named=True)}")
