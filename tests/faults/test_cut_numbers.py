"""Files that end without a line end: a number cut off is never kept, whatever comes first, and what is whole is."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import pytest
from polars.testing import assert_frame_equal

from pipeline.exports.lastcell import LEAST_ALIKE, NO_END, may_be_cut
from tests.faults.lakes import content, contents, fleet, one, reasons, rejects, run, write

HEADER = "unit_id,ts,rpm,o2_b1s1_v\n"
TEXTS = {
    "wide": HEADER + "V1,2026-01-05T08:00:00Z,800,0.45\nV1,2026-01-05T08:00:01Z,820,0.115\n",
    "long": "unit_id,ts,signal,value\nV1,2026-01-05T08:00:00Z,rpm,800\nV1,2026-01-05T08:00:01Z,rpm,1820\n",
    "instant last": "unit_id,rpm,ts\nV1,800,2026-01-05T08:00:00Z\nV1,820,2026-01-05T08:00:01.25Z\n",
    "unit last": "ts,rpm,unit_id\n2026-01-05T08:00:00Z,800,V1\n2026-01-05T08:00:01Z,820,V123\n",
    "test results": "unit_id,ts,obdmid,tid,uasid,value,min,max\nV1,2026-01-05T08:00:00Z,1,128,11,100,0,900\n"
    "V1,2026-01-05T08:00:01Z,1,128,11,100,0,1900\n",
    "answers": "unit_id,ts,response\nV1,2026-01-05T08:00:00Z,41 0C 1A F8\nV1,2026-01-05T08:00:01Z,41 0C 1A F8 05 7B\n",
}


def cuts(text: str) -> range:
    """Every place inside the last line, and right after it."""
    return range(text.rstrip("\n").rindex("\n") + 2, len(text))


@pytest.mark.parametrize("name", TEXTS)
def test_wherever_a_file_is_cut_the_whole_one_wins_in_any_order(tmp_path: Path, name: str) -> None:
    text = TEXTS[name]
    plain = fleet(tmp_path / "plain")
    run(*plain, write(tmp_path / "whole.csv", text))
    wanted = contents(plain[1])
    assert any(frame.height == 2 for frame in wanted.values())
    for at in cuts(text):
        part = write(tmp_path / f"cut_{at}.csv", text[:at])
        for number, files in enumerate(permutations((part, tmp_path / "whole.csv"))):
            settings, lake = fleet(tmp_path / f"{at}_{number}")
            for path in files:
                run(settings, lake, path)
            for table, frame in contents(lake).items():
                assert_frame_equal(frame, wanted[table])


@pytest.mark.parametrize("name", [name for name in TEXTS if name != "answers"])
def test_nothing_of_a_last_line_that_may_be_cut_is_kept(tmp_path: Path, name: str) -> None:
    settings, lake = fleet(tmp_path)
    told = one(run(settings, lake, write(tmp_path / "cut.csv", TEXTS[name][:-2])))
    assert (told["rows_in"], told["kept"], told["quarantined"]) == (2, 1, 1)
    assert "nobody can tell whether its last value is whole" in reasons(lake)
    assert [line for line, scope, _, _ in rejects(lake) if scope == "row"] == [3]


def column(*cells: str) -> bytes:
    return "\n".join(f"V1,{cell}" for cell in cells).encode()


def cut_in(text: bytes) -> bool:
    """What is said of it whole, and of its last line after the others."""
    whole = may_be_cut(b"", text, ",", ".")
    above, end, last = text.rpartition(b"\n")
    assert may_be_cut(b"part of a line\n" + above + end, last, ",", ".") is whole
    return whole


def test_a_number_with_as_many_decimals_as_all_above_it_is_whole() -> None:
    above = [f"{number / 1000:.3f}" for number in range(LEAST_ALIKE)]
    assert not cut_in(column(*above, "0.115"))
    assert not cut_in(column(*above, "-10.115"))
    assert cut_in(column(*above, "0.11"))
    assert cut_in(column(*above, "0."))
    assert cut_in(column(*above, "0"))
    assert cut_in(column(*above[1:], "0.115"))  # too few to tell
    assert cut_in(column(*above, "0.45", "0.115"))  # written with as many decimals as it takes
    assert cut_in(column(*above, "12", "0.115"))
    assert not cut_in(column(*above, "", "0.115"))
    semicolons = column(*above, "0.115").replace(b",", b";").replace(b".", b",")
    assert not may_be_cut(b"", semicolons, ";", ",") and may_be_cut(b"", semicolons[:-1], ";", ",")


def test_an_empty_or_a_closed_cell_is_whole() -> None:
    assert not cut_in(column("800", ""))
    assert not cut_in(column("800", '"820"'))
    assert cut_in(column("800", '"'))
    assert cut_in(column("800", "820"))


def test_exports_that_never_end_in_a_line_end_lose_nothing_where_it_can_be_told(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    lines = [f"V1,2026-01-05T08:00:{second:02}Z,800,{second / 1000 + 0.1:.3f}\n" for second in range(30)]
    told = one(run(settings, lake, write(tmp_path / "a.csv", HEADER + "".join(lines)[:-1])))
    assert (told["kept"], told["quarantined"], told["notes"]) == (30, 0, NO_END)
    assert content(lake, "readings")["o2_b1s1_v"][-1] == pytest.approx(0.129)


def test_a_column_that_is_not_read_may_be_cut(tmp_path: Path) -> None:
    settings, lake = fleet(tmp_path)
    text = "unit_id,ts,rpm,driver\nV1,2026-01-05T08:00:00Z,800,A. Per"
    told = one(run(settings, lake, write(tmp_path / "a.csv", text)))
    assert (told["kept"], told["quarantined"]) == (1, 0)
