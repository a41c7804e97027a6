"""SQL measures, Python judges: no judging limit changes a table before the findings, every qualifying one
may.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.derive import derive
from pipeline.errors import ConfigError
from pipeline.lake import Lake
from pipeline.limits import Limit, qualify_params, read_limits
from pipeline.settings import Settings
from tests.faults.lakes import fleet, run, write

DEFAULT = read_limits(Settings())


def moved(limit: Limit) -> float:
    """Another value within the bounds."""
    return limit.most if limit.value != limit.most else limit.least


def limits_file(folder: Path, changed: set[tuple[str, str]]) -> Settings:
    """Settings whose own limits.toml differs in the named limits."""
    lines = []
    for section, entries in DEFAULT.items():
        for name, limit in entries.items():
            value = moved(limit) if (section, name) in changed else limit.value
            lines.append(
                f'[{section}.{name}]\nvalue = {value}\nunit = "{limit.unit}"\nleast = {limit.least}\n'
                f'most = {limit.most}\nsource = "a test"\n'
            )
    write(folder / "config" / "limits.toml", "\n".join(lines))
    return Settings(lake=str(folder / "lake"), config_dir=str(folder / "config"), buckets=2)


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Lake:
    """A lake of one short drive."""
    folder = tmp_path_factory.mktemp("border")
    settings, made = fleet(folder)
    rows = "".join(
        f"V1,2026-01-05T08:{second // 60:02d}:{second % 60:02d}Z,1500,50\n" for second in range(0, 120, 5)
    )
    run(settings, made, write(folder / "a.csv", "unit_id,ts,rpm,speed_kmh\n" + rows))
    return made


@pytest.mark.parametrize("name", sorted(DEFAULT["judge"]))
def test_a_judging_limit_is_not_among_what_sql_gets(tmp_path, name):
    assert qualify_params(limits_file(tmp_path, {("judge", name)})) == qualify_params(
        limits_file(tmp_path, set())
    )


@pytest.mark.parametrize("name", sorted(DEFAULT["qualify"]))
def test_a_qualifying_limit_is(tmp_path, name):
    changed = qualify_params(limits_file(tmp_path, {("qualify", name)}))
    assert {
        key for key, value in qualify_params(limits_file(tmp_path, set())).items() if changed[key] != value
    } == {name}


def test_judging_limits_derive_nothing_again_and_qualifying_ones_do(tmp_path, lake):
    def derived(*changed: tuple[str, str]) -> int:
        return derive(limits_file(tmp_path, set(changed)), lake).derived

    partitions = derived()
    assert partitions > 0
    assert derived() == 0
    assert derived(*(("judge", name) for name in DEFAULT["judge"])) == 0
    for name in ("trip_gap_s", "low_v", "pair_step_s"):
        assert derived(("qualify", name)) == partitions
        assert derived() == partitions


@pytest.mark.parametrize("section", ["qualify", "judge"])
def test_a_limit_out_of_its_bounds_is_refused(tmp_path, section):
    settings = limits_file(tmp_path, set())
    name, limit = next(iter(DEFAULT[section].items()))
    path = tmp_path / "config" / "limits.toml"
    text = path.read_text(encoding="utf-8")
    head = f"[{section}.{name}]\nvalue = {limit.value}"
    assert head in text
    write(path, text.replace(head, f"[{section}.{name}]\nvalue = {limit.most + 1}"))
    with pytest.raises(ConfigError, match=rf"\[{section}.{name}\] value .* is outside"):
        read_limits(settings)
