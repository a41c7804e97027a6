"""Active codes: given codes as read, and clears -> how each stands."""

from __future__ import annotations

import polars as pl

from tests.sql.given import at, rows, run

STEP = "65_active_codes"


def codes(*read: tuple[float, str, str], unit_id: str = "V1") -> pl.DataFrame:
    return rows(
        "codes",
        [
            {"unit_id": unit_id, "ts": at(second), "code": code, "state": state}
            | {"export_id": "e", "line": index + 2, "arrived_at": at(0)}
            for index, (second, code, state) in enumerate(read)
        ],
    )


def standing(*read: tuple[float, str, str]) -> dict[str, dict]:
    return {row["code"]: row for row in run(STEP, codes=codes(*read)).iter_rows(named=True)}


def test_nothing_makes_nothing():
    assert run(STEP).height == 0


def test_a_pending_code_is_not_confirmed():
    made = standing((0, "P0420", "pending"), (9, "P0420", "pending"))["P0420"]
    assert (made["confirmed"], made["cleared"], made["readings"]) == (False, False, 2)
    assert (made["first_seen_at"], made["last_seen_at"]) == (at(0), at(9))


def test_the_last_report_as_pending_stands_beside():
    made = standing((0, "P0420", "pending"), (3, "P0420", "pending"), (9, "P0420", "confirmed"), (1, "P0133", "confirmed"))
    assert (made["P0420"]["pending_at"], made["P0133"]["pending_at"]) == (at(3), None)


def test_confirmed_and_permanent_codes_are_confirmed():
    made = standing((0, "P0420", "pending"), (1, "P0420", "confirmed"), (2, "P0133", "permanent"))
    assert [made[code]["confirmed"] for code in ("P0420", "P0133")] == [True, True]


def test_a_clear_ends_what_stood_before_it():
    made = standing((0, "P0420", "confirmed"), (5, "", "cleared"))["P0420"]
    assert (made["cleared"], made["confirmed"]) == (True, False)
    assert made["last_seen_at"] == at(0)


def test_a_code_that_comes_back_counts_from_its_return():
    made = standing((0, "P0420", "confirmed"), (5, "", "cleared"), (9, "P0420", "pending"))["P0420"]
    assert (made["cleared"], made["confirmed"]) == (False, False)
    assert made["first_seen_at"] == at(9)


def test_a_permanent_code_after_a_clear_speaks_of_what_was_before_it():
    # 13 CCR 1968.2(d): a permanent code (SAE J1979 service $0A) survives a clear until its monitor has run and passed.
    before = ((0, "P2A00", "confirmed"), (0, "P2A00", "permanent"), (5, "", "cleared"))
    made = standing(*before, (9, "P2A00", "permanent"), (12, "P2A00", "permanent"))["P2A00"]
    assert (made["cleared"], made["confirmed"], made["first_seen_at"], made["readings"]) == (True, False, at(0), 4)
    # Nor does it confirm a pending one, or keep it from passing: one trip found the fault.
    made = standing(*before, (9, "P2A00", "permanent"), (12, "P2A00", "pending"), (15, "P2A00", "permanent"))["P2A00"]
    assert (made["cleared"], made["confirmed"], made["first_seen_at"], made["last_seen_at"]) == (False, False, at(12), at(12))
    made = standing(*before, (9, "P2A00", "permanent"), (12, "P2A00", "confirmed"), (15, "P2A00", "permanent"))["P2A00"]
    assert (made["cleared"], made["confirmed"], made["first_seen_at"]) == (False, True, at(12))


def test_a_permanent_code_that_nobody_cleared_is_confirmed():
    # Permanent codes are stored when the code is confirmed; without a clear nothing says that this one is left over.
    assert standing((9, "P2A00", "permanent"))["P2A00"]["confirmed"]
    other = pl.concat([codes((9, "P2A00", "permanent")), codes((5, "", "cleared"), unit_id="V2")])
    assert run(STEP, codes=other)["confirmed"].to_list() == [True]


def test_the_last_clear_counts():
    made = standing(
        (0, "", "cleared"), (1, "P0420", "confirmed"), (5, "", "cleared"), (9, "P0133", "confirmed")
    )
    assert (made["P0420"]["cleared"], made["P0133"]["cleared"]) == (True, False)


def test_a_clear_is_no_code():
    assert standing((0, "", "cleared")) == {}


def test_a_clear_of_another_vehicle_changes_nothing():
    both = pl.concat([codes((0, "P0420", "confirmed")), codes((5, "", "cleared"), unit_id="V2")])
    made = run(STEP, codes=both)
    assert made.select("unit_id", "cleared").rows() == [("V1", False)]
