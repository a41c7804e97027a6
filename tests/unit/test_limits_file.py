"""limits.toml: every limit within its bounds, with its unit and its source, and used."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline.errors import ConfigError
from pipeline.limits import qualify_params, read_limits
from pipeline.query import SQL, step
from pipeline.settings import CONFIG, Settings
from pipeline.signals import signals

WHOLE = (CONFIG / "limits.toml").read_text(encoding="utf-8")
NAME, REST = "[qualify.trip_gap_s]\n", WHOLE.split("[qualify.trip_gap_s]\n")[1].split("\n\n", 1)[1]
BODY = 'value = 300\nunit = "s"\nleast = 30\nmost = 3600\nsource = "here"\n'


def whole(body: str = BODY) -> str:
    """The embedded file with this body in place of its first limit."""
    return f"{NAME}{body}\n{REST}"


def written(folder: Path, text: str) -> Settings:
    (folder / "limits.toml").write_text(text, encoding="utf-8")
    return Settings(config_dir=str(folder))


def refused(folder: Path, text: str) -> str:
    settings = written(folder, text)
    with pytest.raises(ConfigError) as error:
        read_limits(settings)
    assert str(error.value).startswith(f"{folder / 'limits.toml'}: ") and error.value.exit_code == 2
    return str(error.value)


def test_embedded_limits_are_sound() -> None:
    limits = read_limits(Settings())
    assert set(limits) == {"qualify", "judge"}
    for section in limits.values():
        for limit in section.values():
            assert limit.least < limit.most and limit.unit and limit.source


def test_every_qualifying_limit_is_used_by_a_step_and_every_step_finds_its_limits() -> None:
    params = qualify_params(Settings())
    used = {param for path in sorted(SQL.glob("*.sql")) for param in step(path.stem).params}
    assert used <= set(params)
    assert set(read_limits(Settings())["qualify"]) <= used


def test_staleness_of_every_signal_is_a_param() -> None:
    params = qualify_params(Settings())
    assert {name: params[f"{name}_staleness_s"] for name in signals()} == {
        name: signal.staleness_s for name, signal in signals().items()
    }


def test_own_limit_is_taken(tmp_path: Path) -> None:
    settings = written(tmp_path, whole(BODY.replace("300", "120")))
    limit = read_limits(settings)["qualify"]["trip_gap_s"]
    assert (limit.value, limit.unit, limit.least, limit.most, limit.source) == (
        120.0,
        "s",
        30.0,
        3600.0,
        "here",
    )
    assert qualify_params(settings)["trip_gap_s"] == 120.0


@pytest.mark.parametrize("value", ["30", "3600"])
def test_bounds_themselves_may_be_set(tmp_path: Path, value: str) -> None:
    settings = written(tmp_path, whole(BODY.replace("300", value, 1)))
    assert read_limits(settings)["qualify"]["trip_gap_s"].value == float(value)


@pytest.mark.parametrize(
    ("change", "entry"),
    [
        (lambda text: text.replace("value = 300", "value = 29.9"), "value 29.9 s is outside 30 to 3600 s"),
        (lambda text: text.replace("value = 300", "value = 3601"), "value 3601 s is outside 30 to 3600 s"),
        (lambda text: text.replace("value = 300", "value = -inf"), "value -inf s is outside 30 to 3600 s"),
        (lambda text: text.replace("value = 300", "value = nan"), "value nan s is outside 30 to 3600 s"),
        (lambda text: text.replace('unit = "s"\n', ""), "must have exactly least, most, source, unit, value"),
        (lambda text: text.replace("least = 30", "least = 1"), "unit and bounds are fixed: s, 30 to 3600"),
        (lambda text: text.replace("most = 3600", "most = 90000"), "unit and bounds are fixed: s, 30 to 3600"),
        (lambda text: text + "note = 1\n", "must have exactly least, most, source, unit, value"),
    ],
)
def test_bad_limit_is_named(tmp_path: Path, change: Callable[[str], str], entry: str) -> None:
    said = refused(tmp_path, whole(change(BODY)))
    assert "[qualify.trip_gap_s] " in said and entry in said


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ("", "[judge.list_probability] is missing"),
        (
            whole().replace("trip_gap_s", "trip_gep_s"),
            "[qualify.trip_gap_s] is missing; [qualify.trip_gep_s] is not known",
        ),
        (
            whole().replace("[judge.list_probability]", "[jugde.list_probability]"),
            "[jugde.list_probability] is not known",
        ),
        (whole(BODY.replace("300", '"300"', 1)), "[qualify.trip_gap_s] value must be a number"),
        (whole(BODY.replace("= 30\n", "= true\n", 1)), "[qualify.trip_gap_s] least must be a number"),
        ("qualify = 3\n", "[qualify] must be a table of limits, not 3"),
        ("[qualify]\ntrip_gap_s = 3\n", "[qualify.trip_gap_s] must have exactly"),
    ],
)
def test_bad_file_is_named(tmp_path: Path, text: str, entry: str) -> None:
    assert entry in refused(tmp_path, text)


def test_every_bad_limit_is_named_at_once(tmp_path: Path) -> None:
    text = whole(BODY.replace("value = 300", "value = 3601"))
    before = "[judge.finding_strength]\nvalue = 1.0"
    assert before in text
    said = refused(tmp_path, text.replace(before, "[judge.finding_strength]\nvalue = 99"))
    assert "[qualify.trip_gap_s]" in said and "[judge.finding_strength]" in said


def test_file_that_is_no_toml_is_refused(tmp_path: Path) -> None:
    assert "line 1" in refused(tmp_path, "value = = 3\n")
