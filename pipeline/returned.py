"""Returned cards: what the technician found -> ``returned_cards`` and the work orders that labels are made from."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.errors import ExportError
from pipeline.exports.rejects import FAULTS, Rejects
from pipeline.exports.sheets import SheetRow, cell_text, read_sheet
from pipeline.exports.vins import masked
from pipeline.lake import Lake
from pipeline.report.card import card_id
from pipeline.report.cardfiles import FILLED_COLUMNS, SHEET_COLUMNS
from pipeline.tables import table

YES = frozenset({"yes", "y", "found", "true", "1", "x"})
NO = frozenset({"no", "n", "not found", "false", "0", "none"})
MOST_KM = 3_000_000.0
_TELLING = ("found", "cause", "readings_taken", "part_fitted", "odometer_km", "closed_on")
_TABLES = ("returned_cards", "work_orders", "quarantine", "exports")
KIND = "returned_cards"
_POSITION = re.compile(r"\b(?:B[12]S[12]|CAT[12])\b")


@dataclass
class Returned:
    """What became of one sheet; ``faults`` are (line, column, what is wrong and what to do)."""

    file: str
    taken: int = 0
    repeated: int = 0
    corrected: int = 0
    still_open: int = 0
    read_before: bool = False
    faults: list[tuple[int, str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def needs_a_look(self) -> bool:
        """Whether a person has to do something."""
        return bool(self.faults or self.notes)


class _Fault(Exception):
    """A row that cannot be taken."""

    def __init__(self, column: str, value: str, reason: str) -> None:
        super().__init__(reason)
        self.column, self.value, self.reason = column, value, reason


def is_card_sheet(path: Path) -> bool:
    """Whether a file is a sheet of returned cards, by its header; another file may be an export of work orders.

    Raises:
        ExportError: an XLSX file cannot be read.
    """
    try:
        header, _ = read_sheet(path)
    except ExportError:
        if path.suffix.lower() == ".xlsx":
            raise
        return False
    return {"card", "found"} <= set(header)


def take_cards(lake: Lake, path: Path, arrived_at: datetime, correct: bool = False, zone: str = "UTC") -> Returned:
    """Read one filled sheet into the lake; the caller holds :meth:`Lake.lock`.

    A row is taken where the card is one of an issued list, whether that part was at fault is said, and what was done
    fits to it. A row that says what the lake says already is counted as repeated. A row that says something else of a
    card returned before is a contradiction: it is refused and reported, unless ``correct`` is given; then it takes
    the place of the old one, which is noted in quarantine. Every filled row is taken, repeated, or refused with its
    reason; tables are written together or not at all. Of a sheet read before only the rows that were refused are looked
    at again: a day that was still to come then may have passed.

    Args:
        zone: the fleet's time zone, in which today is told.

    Raises:
        ExportError: the file cannot be read, or is no sheet of cards.
        LakeError: the lake cannot be written.
    """
    header, rows = read_sheet(path)
    missing = [name for name in ("card", "unit_id", "component", *FILLED_COLUMNS) if name not in header]
    if missing:
        raise ExportError(
            str(path), f"lacks the columns {', '.join(missing)}; use the sheet that lies beside the cards, its header "
            f"is {', '.join(SHEET_COLUMNS)}",
        )
    file = masked(path.as_posix())
    export_id = hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    made = Returned(file)
    filled = [row for row in rows if any(row.cells.get(name) for name in FILLED_COLUMNS)]
    made.still_open = len(rows) - len(filled)
    # A sheet that was handed to `ingest` by mistake stands in the ledger, too, as refused: it has not been read.
    ledger = lake.read("exports", where=(pl.col("export_id") == export_id) & (pl.col("kind") == KIND))
    before = None if correct or ledger.is_empty() else ledger.row(0, named=True)
    if before is not None:
        refused = set(lake.read("quarantine", where=_refused(export_id))["line"])
        if not refused:
            made.read_before = True
            return made
        made.repeated = sum(row.line not in refused for row in filled)
        filled = [row for row in filled if row.line in refused]
    known = _issued_cards(lake)
    rejects = Rejects(export_id, file)
    arrived_at = arrived_at.astimezone(UTC)
    standing = {row["card"]: row for row in lake.read("returned_cards").iter_rows(named=True)}
    taken: dict[str, dict] = {}
    replaced: list[dict] = []
    for row in filled:
        try:
            finding = _finding(row, known, arrived_at.astimezone(ZoneInfo(zone)).date())
            said = taken.get(finding["card"]) or standing.get(finding["card"])
            if said is None:
                made.taken += 1
            elif all(said[name] == finding[name] for name in _TELLING):
                made.repeated += 1
                continue
            elif correct and finding["card"] not in taken:
                made.corrected += 1
                replaced.append(said)
            else:
                raise _contradiction(said, finding, correct)
        except _Fault as fault:
            made.faults.append((row.line, fault.column, fault.reason))
            _refuse(rejects, row.line, fault)
        else:
            taken[finding["card"]] = finding | {"export_id": export_id, "line": row.line, "arrived_at": arrived_at}
    made.notes += _against_orders(lake, taken.values())
    if not filled or (not taken and (correct or before is not None)):
        return made
    _write(lake, made, path, export_id, arrived_at, taken, replaced, rejects, before)
    return made


def _write(
    lake: Lake, made: Returned, path: Path, export_id: str, arrived_at: datetime, taken: dict[str, dict],
    replaced: list[dict], rejects: Rejects, before: dict | None,
) -> None:
    """``before`` is what the ledger says of the sheet where only its refused rows were read again."""
    cards = pl.DataFrame(list(taken.values()), schema=table("returned_cards").schema)
    orders = _orders(cards)
    aside = [rejects.frame(), *(_corrected(old, made.file) for old in replaced)]
    kept, repeated = made.taken + made.corrected, made.repeated
    if before is not None:
        kept, repeated = kept + before["kept"], repeated - before["kept"]
    ledger = {
        "export_id": export_id, "file": made.file, "kind": KIND, "bytes": path.stat().st_size,
        "rows_in": kept + repeated + rejects.rows, "kept": kept, "quarantined": rejects.rows, "duplicates": repeated,
        "signals": "", "dropped": "", "arrived_at": arrived_at,
    }
    with lake.transaction(*_TABLES):
        for name, new in (("returned_cards", cards), ("work_orders", orders)):
            key = list(table(name).key)
            others = lake.read(name).join(new, on=key, how="anti")
            lake.overwrite(name, pl.concat([others, new]))
        # A sheet read once more is refused anew where it still is wrong.
        standing = lake.read("quarantine").filter(~_refused(export_id))
        new = pl.concat(aside).join(standing, on=list(table("quarantine").key), how="anti")
        lake.overwrite("quarantine", pl.concat([standing, new]))
        row = pl.DataFrame([ledger], schema=table("exports").schema)
        others = lake.read("exports").filter(pl.col("export_id") != export_id)
        lake.overwrite("exports", pl.concat([others, row]))


def _refused(export_id: str) -> pl.Expr:
    """Rows of ``quarantine`` that stand for a refused row of one sheet."""
    return (pl.col("export_id") == export_id) & (pl.col("scope") == "row")


def _refuse(rejects: Rejects, line: int, fault: _Fault) -> None:
    row = {"line": line, "column": fault.column, "value": fault.value, "reason": fault.reason}
    rejects.add_rows(pl.DataFrame([row], FAULTS))


def _corrected(old: dict, file: str) -> pl.DataFrame:
    """What a card said before it was corrected, for quarantine."""
    noted = Rejects(old["export_id"], file)
    told = "; ".join(f"{name} {old[name]}" for name in _TELLING if old[name] is not None)
    row = {"line": old["line"], "column": "found", "value": told, "reason": f"corrected by {file}"}
    noted.add_cells(pl.DataFrame([row], FAULTS))
    return noted.frame()


def keep_cards(lake: Lake, week_start: date) -> None:
    """Note the cards of the issued list of ``week_start`` that stands, for good: a list made again may drop their rows.

    Raises:
        LakeError: the lake cannot be written.
    """
    standing = _cards_of_list(lake, pl.col("week_start") == week_start)
    noted = set(lake.read("issued_cards", where=pl.col("week_start") == week_start)["card"])
    new = [(card, *row) for card, row in standing.items() if card not in noted]
    if new:
        lake.append("issued_cards", pl.DataFrame(new, schema=table("issued_cards").schema, orient="row"))


def _issued_cards(lake: Lake) -> dict[str, tuple[str, str, date]]:
    """Card -> vehicle, part and week of every card that was ever issued.

    The lists that stand are looked at, too: an older version noted no cards.
    """
    noted = lake.read("issued_cards").select("card", "unit_id", "component", "week_start")
    return _cards_of_list(lake, pl.lit(True)) | {card: (unit, part, week) for card, unit, part, week in noted.iter_rows()}


def _cards_of_list(lake: Lake, wanted: pl.Expr) -> dict[str, tuple[str, str, date]]:
    """Card -> vehicle, part and week of the rows of issued lists, as they stand."""
    listed = lake.scan("ranked").filter((pl.col("series") == "issued") & pl.col("list_rank").is_not_null() & wanted)
    rows = lake.collect(listed.select("week_start", "unit_id", "component"))
    return {card_id(week, unit, part): (unit, part, week) for week, unit, part in rows.iter_rows()}


def _finding(row: SheetRow, known: dict[str, tuple[str, str, date]], today: date) -> dict:
    """One row checked: the columns of ``returned_cards`` without provenance."""
    cells = row.cells
    card = cells.get("card", "")
    if card not in known:
        raise _Fault("card", card, "no issued list has this card; copy the number from the card")
    unit, component, week = known[card]
    # The card's number says whose row it is; what stands beside it must agree as far as a sheet can bring it back.
    for name, right in (("unit_id", unit), ("component", component)):
        if cells.get(name, "") != cell_text(right):
            raise _Fault(name, cells.get(name, ""), f"the card belongs to {right}; correct the row")
    said = cells.get("found", "").lower()
    if said not in YES | NO:
        raise _Fault(
            "found", said,
            "write yes (this part, its plug, wires or heater was at fault) or no (it was sound, whatever else was at fault); "
            "the row of a part that was not looked at stays empty",
        )
    found, cause, part = said in YES, cells.get("cause", ""), cells.get("part_fitted", "")
    if found and not cause and not part:
        raise _Fault("cause", "", "this part was at fault, but neither the cause nor a part fitted is named; fill one of both")
    _check_part(component, found, part)
    return {
        "card": card, "unit_id": unit, "component": component, "week_start": week, "found": found,
        "cause": masked(cause) or None, "readings_taken": masked(cells.get("readings_taken", "")) or None,
        "part_fitted": masked(part) or None, "odometer_km": _km(cells.get("odometer_km", "")),
        "closed_on": _day(cells.get("day", ""), week, today),
    }


def _check_part(component: str, found: bool, part: str) -> None:
    """Refuse what would make another part that was renewed an exchange of this one.

    An exchange begins a part's history anew and quiets its codes, so it is taken of a sound part only where its name is
    written: a sensor that was renewed for a trial is another one now.
    """
    named = set(_POSITION.findall(part.upper()))
    if named and component not in named:
        raise _Fault(
            "part_fitted", part, f"names {', '.join(sorted(named))}, the card is about {component}; write another part that was "
            "renewed into cause, and leave part_fitted empty unless this one was renewed, too",
        )
    if part and not found and not named:
        raise _Fault(
            "part_fitted", part, "no says that this part was sound; write another part that was renewed into cause and leave "
            f"part_fitted empty, or write {component} before the number if this part was renewed all the same",
        )


def _km(text: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(" ", "").replace("\u00a0", ""))
    except ValueError:
        value = float("nan")
    if not 0 <= value <= MOST_KM:
        raise _Fault("odometer_km", text, "write the kilometres as a plain number, such as 123456")
    return value


def _day(text: str, week: date, today: date) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise _Fault("day", text, "write the day of the finding as 2026-04-29") from error
    if not week <= day <= today:
        raise _Fault("day", text, f"the card was issued on {week} and today is {today}; correct the day")
    return day


def _contradiction(before: dict, finding: dict, correct: bool) -> _Fault:
    differ = [name for name in _TELLING if before[name] != finding[name]]
    told = "; ".join(f"{name} was {before[name]!s}, is {finding[name]!s}" for name in differ)
    what = "keep one of both rows" if correct else "if the new one is right, read the sheet with --correct"
    return _Fault(differ[0], str(finding[differ[0]]), f"the card was returned before and says something else ({told}); {what}")


def _orders(cards: pl.DataFrame) -> pl.DataFrame:
    """The work order that a card stands for: a part fitted is a replacement, a cause without one a repair."""
    made = cards.select(
        "unit_id", "closed_on", "odometer_km", "component", "cause", "export_id", "line", "arrived_at",
        order_id=pl.format("card {}", "card"),
        action=pl.when(pl.col("part_fitted").is_not_null()).then(pl.lit("replaced"))
        .when("found").then(pl.lit("repaired")).otherwise(pl.lit("inspected")),
        finding=pl.when("found").then(pl.lit("confirmed")).otherwise(pl.lit("no_fault_found")),
        parts_cost=pl.lit(None, pl.Float64), labour_h=pl.lit(None, pl.Float64),
    )
    return table("work_orders").conform(made.select(list(table("work_orders").columns)))


def _against_orders(lake: Lake, taken: Iterable[dict]) -> list[str]:
    """Cards that the workshop's own orders of the same days contradict, in words; both stay as they are."""
    orders = lake.read("work_orders").filter(~pl.col("order_id").str.starts_with("card "))
    notes = []
    for card in taken:
        near = orders.filter(
            (pl.col("unit_id") == card["unit_id"]) & (pl.col("component") == card["component"])
            & ((pl.col("closed_on") - card["closed_on"]).dt.total_days().abs() <= 14)
            & (pl.col("finding") == ("no_fault_found" if card["found"] else "confirmed"))
        )
        notes += [
            f"card {card['card']} says {'at fault' if card['found'] else 'sound'}, order {order} says {finding}; both are "
            "kept, correct the wrong one" for order, finding in near.select("order_id", "finding").iter_rows()
        ]
    return notes
