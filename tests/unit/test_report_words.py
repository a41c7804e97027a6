"""Words for people: parts, actions, values and foreign text."""

from __future__ import annotations

import re
from datetime import date

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.words import action_words, component_words, mode_words
from pipeline.errors import ConfigError
from pipeline.report.words import (
    counted_reasons,
    money,
    number,
    percent,
    plain,
    read_indicators,
    to_text,
    window,
)
from pipeline.settings import Settings

PARTS = ["B1S1", "B1S2", "B2S1", "B2S2", "CAT1", "CAT2"]
MODES = ["", "weak", "slow", "stuck", "biased", "erratic", "gain", "heater", "storage"]


@pytest.mark.parametrize(
    ("component", "words"),
    [
        ("B1S1", "upstream oxygen sensor, bank 1 (B1S1)"),
        ("B2S2", "downstream oxygen sensor, bank 2 (B2S2)"),
        ("CAT1", "catalyst, bank 1 (CAT1)"),
        ("BANK2", "fuelling, bank 2 (BANK2)"),
        ("UNIT", "whole vehicle"),
        ("", "whole vehicle"),
    ],
)
def test_component_in_words(component: str, words: str) -> None:
    assert component_words(component) == words


@pytest.mark.parametrize("component", ["B3S1", "B1S3", "b1s1", "B1S1 ", "CAT3", "OTHER"])
def test_unknown_component_is_named(component: str) -> None:
    with pytest.raises(ValueError, match=re.escape(repr(component))):
        component_words(component)


@pytest.mark.parametrize("component", PARTS)
@pytest.mark.parametrize("mode", MODES)
def test_action_inspects_or_confirms_first_and_never_asks_for_a_new_part(component: str, mode: str) -> None:
    words = action_words(component, mode)
    assert re.match(r"(Inspect|Confirm)\b", words)
    assert not re.search(r"replac|renew|change the|fit a|swap", words, re.IGNORECASE)
    assert f"bank {component[-1] if component.startswith('CAT') else component[1]}" in words
    assert len(words) <= 120


def test_wiring_heater_and_leaks_come_before_the_part() -> None:
    assert action_words("B1S1", "stuck").startswith(
        "Inspect connector and wiring of the upstream sensor of bank 1"
    )
    assert action_words("B2S2", "heater").startswith("Inspect fuse, wiring and heater of the downstream")
    assert action_words("CAT2", "storage").startswith(
        "Inspect for leaks and misfire, then confirm the catalyst"
    )


def test_what_is_inspected_first_may_be_told_apart_from_the_mode() -> None:
    # Common practice: flat at 0.45 V with a circuit code is an open circuit, heater or earth before it is the sensor.
    assert action_words("B1S1", "weak", "stuck") == (
        "Inspect connector and wiring of the upstream sensor of bank 1 (weak signal); have the part ready"
    )
    assert action_words("B2S2", "", "stuck") == (
        "Inspect connector and wiring of the downstream sensor of bank 2 before anything is ordered: its signals show no single "
        "failure mode"
    )
    assert action_words("B1S1", "weak", "") == action_words("B1S1", "weak")
    with pytest.raises(ValueError, match="inspect_as must be one of stuck, heater, storage or empty, got 'weak'"):
        action_words("B1S1", "slow", "weak")


@pytest.mark.parametrize("component", ["", "UNIT", "BANK1", "OTHER"])
def test_action_needs_a_part(component: str) -> None:
    with pytest.raises(ValueError, match="component must be"):
        action_words(component, "slow")


def test_unknown_mode_is_named() -> None:
    with pytest.raises(ValueError, match="'rusty'"):
        action_words("B1S1", "rusty")


def test_every_mode_that_indicators_may_report_has_words() -> None:
    modes = pl.read_csv(Settings().config_file("indicators.csv"), infer_schema=False)
    of_parts = modes.filter(pl.col("component").is_in(["upstream", "downstream", "catalyst"]))
    assert all(mode_words(mode) for mode in of_parts["mode"])


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (None, "not given"),
        (0.0, "under 1 %"),
        (0.01, "1 %"),
        (0.7312, "73 %"),
        (0.99, "99 %"),
        (1.0, "over 99 %"),
    ],
)
def test_percent(probability: float | None, words: str) -> None:
    assert percent(probability) == words


def test_money_groups_thousands_and_names_the_currency() -> None:
    assert money(-1234567.4, "EUR") == "-1\u00a0234\u00a0567\u00a0EUR"
    assert money(None) == "not given"


def test_window_and_number() -> None:
    assert window(date(2026, 3, 2), date(2026, 3, 9)) == "2026-03-02 to 2026-03-09"
    assert window(None, date(2026, 3, 9)) == "until 2026-03-09"
    assert window(date(2026, 3, 2), None) == "from 2026-03-02"
    assert window(None, None) == "no date"
    assert [number(v) for v in (0.12345, 12345.6, None)] == ["0.123", "12346", "not known"]
    assert number(0.5, "V") == "0.5 V"


def test_control_and_direction_marks_are_written_out() -> None:
    assert plain("a\x1b[31m\u202eb\nc\u2028d\u2066") == "a\\x1b[31m\\u202eb\\nc\\u2028d\\u2066"
    assert plain("Grün 車両 7") == "Grün 車両 7"


@given(st.text())
def test_plain_text_is_one_line_and_printable_in_utf8(text: str) -> None:
    shown = plain(text)
    shown.encode("utf-8")
    assert len(shown.splitlines()) <= 1
    assert "\x1b" not in shown


def test_reasons_are_counted_by_vehicle_and_ordered() -> None:
    rows = pl.DataFrame(
        {
            "unit_id": ["b", "a", "a", "c", "d"],
            "reason": ["slow rate", "slow rate", "slow rate", "", "no\nsignal"],
        }
    )
    first, *rest = counted_reasons(rows, examples=1)
    assert (first.text, first.parts, first.vehicles, first.examples, first.others) == (
        "slow rate",
        3,
        2,
        ["a"],
        1,
    )
    assert [reason.text for reason in rest] == ["no reason recorded", "no\\nsignal"]


def test_terminal_text_leaves_markup_and_emoji_codes_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")
    assert to_text("[bold]x[/bold] :wrench: 12.5") == "[bold]x[/bold] :wrench: 12.5\n"


def test_indicator_words_name_the_column_that_lacks(tmp_path) -> None:
    assert read_indicators(Settings())["up_swing_v"].unit == "V"
    (tmp_path / "indicators.csv").write_text("indicator,unit\nup_swing_v,V\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="lacks column quantity, worse"):
        read_indicators(Settings(config_dir=str(tmp_path)))
