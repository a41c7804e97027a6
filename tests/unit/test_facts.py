"""Facts as data: the embedded files are sound, and a bad file is named with the entry at fault."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from models.blame import PARTS
from pipeline import facts
from pipeline.errors import ConfigError
from pipeline.settings import CONFIG, Settings

INDICATORS = "indicators.csv"


def own(folder: Path, name: str, change: Callable[[str], str]) -> Settings:
    """Settings whose folder holds a changed copy of an embedded file."""
    text = (CONFIG / name).read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text
    (folder / name).write_text(changed, encoding="utf-8")
    return Settings(config_dir=str(folder))


def said(refused: pytest.ExceptionInfo[ConfigError], path: Path) -> str:
    """The message after the path it must begin with."""
    message = str(refused.value)
    assert message.startswith(f"{path}: ")
    assert refused.value.exit_code == 2
    return message.removeprefix(f"{path}: ")


def replaced(old: str, new: str, count: int = 1) -> Callable[[str], str]:
    return lambda text: text.replace(old, new, count)


def without_table(name: str) -> Callable[[str], str]:
    """Drop one table of a TOML file, from its header to the next."""

    def change(text: str) -> str:
        head, rest = text.split(f"[{name}]\n", 1)
        following = rest.find("\n[")
        return head + (rest[following:] if following >= 0 else "")

    return change


# -- what is shipped ------------------------------------------------------------------------------------------


def test_embedded_indicators_are_sound() -> None:
    frame = facts.read_indicators(Settings())
    judged = frame.filter(pl.col("use") == "judge")
    assert judged.height > 10 and frame["indicator"].is_unique().all()
    assert judged.filter(pl.col("release") >= 1).is_empty()
    # Of what is told against the own past the limit is a share of it.
    own = pl.col("compare").is_in(["own_past", "own_and_peers"])
    assert judged.filter(own & (pl.col("limit") <= 0)).is_empty()
    down, up = (judged.filter(~own & (pl.col("worse") == worse)) for worse in ("down", "up"))
    assert down.filter(pl.col("limit") >= pl.col("healthy")).is_empty()
    assert up.filter(pl.col("limit") <= pl.col("healthy")).is_empty()
    assert judged.filter(pl.col("mode").is_null() | pl.col("unit").is_null()).is_empty()


def test_embedded_codes_are_sound() -> None:
    codes = facts.read_codes(Settings())
    assert codes["code"].is_unique().all()
    assert codes.filter(~pl.col("code").str.contains(r"^[PBCU][0-3][0-9A-F]{3}$")).is_empty()
    assert codes.select("role", "title", "source").null_count().row(0) == (0, 0, 0)


def test_blame_speaks_of_roles_and_indicators_that_exist() -> None:
    named, holds, calls = facts.read_blame(Settings())
    roles = set(facts.read_codes(Settings())["role"])
    worked_out = {f"{part}_margin{of}" for part in PARTS for of in ("", "_gone")} | {"catalyst_age_days", "warmest_coolant_degc", "codes_exported", "depot_between_share"}
    indicators = set(facts.read_indicators(Settings())["indicator"]) | worked_out
    assert {role for fact in named.values() for role in fact.get("roles", ())} <= roles
    assert {fact["indicator"] for fact in named.values() if "indicator" in fact} <= indicators
    cleared = {name for hold in holds for name in (hold.cleared_by, *hold.doubted_by) if name}
    used = cleared | {row.fact for row in [*holds, *calls] if row.fact} | {
        other
        for fact in named.values()
        for key in ("all", "any", "none", "every_bank", "other_bank")
        for other in fact.get(key, ())
    }
    assert set(named) == used and holds and calls


def test_holds_speak_of_modes_that_exist() -> None:
    named, holds, calls = facts.read_blame(Settings())
    modes = {
        "",
        *facts.read_indicators(Settings())["mode"].drop_nulls(),
    }  # empty: no finding, as with a code alone
    assert {mode for row in [*holds, *calls] for mode in row.modes} <= modes
    assert {call.as_mode for call in calls} <= modes
    assert {mode for fact in named.values() for mode in fact.get("modes", ())} <= modes


def test_every_part_and_mode_has_a_call() -> None:
    _, _, calls = facts.read_blame(Settings())
    indicators = facts.read_indicators(Settings()).filter(pl.col("use") == "judge")
    for part, mode in indicators.select("component", "mode").unique().iter_rows():
        if part in ("upstream", "downstream", "catalyst"):
            assert any(part in c.parts and (not c.modes or mode in c.modes) and not c.fact for c in calls), (part, mode)


def test_embedded_costs_are_sound() -> None:
    costs = facts.read_costs(Settings())
    assert costs.currency == "EUR" and costs.catalyst.part > costs.upstream.part > 0


def test_own_folder_replaces_only_what_it_holds(tmp_path: Path) -> None:
    settings = own(tmp_path, "costs.toml", replaced('currency = "EUR"', 'currency = "CHF"'))
    assert facts.read_costs(settings).currency == "CHF"
    assert facts.read_indicators(settings).equals(facts.read_indicators(Settings()))


# -- what is refused ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "entry"),
    [
        (lambda text: "", "empty"),
        (replaced("indicator,component", "indicator,part"), "the columns must be indicator, component, kind"),
        (replaced(",0.40,", ",abc,"), "could not parse `abc` as dtype `f64` at column 'limit'"),
        (
            replaced("up_swing_v,upstream", "up_swing_v,front"),
            "component of 'up_swing_v' must be one of upstream,",
        ),
        (
            replaced("upstream,narrowband", "upstream,zirconia"),
            "kind of 'up_swing_v' must be one of narrowband,",
        ),
        (
            replaced(",V,down,", ",V,below,"),
            "worse of 'up_swing_v' must be one of up, down, out, not 'below'",
        ),
        (replaced(",both,judge,", ",all,judge,"), "compare of 'up_swing_v' must be one of"),
        (replaced(",both,judge,", ",both,ignore,"), "use of 'up_swing_v' must be one of judge, context"),
        (
            replaced("down,0.70,0.40,", "down,,0.40,"),
            "'up_swing_v' is judged but has no healthy value or limit",
        ),
        (
            replaced("down,0.70,0.40,", "down,0.70,,"),
            "'up_swing_v' is judged but has no healthy value or limit",
        ),
        (replaced("up_p95_v", "up_swing_v"), "'up_swing_v' stands twice"),
        (
            replaced("down,0.70,0.40,", "down,0.40,0.40,"),
            "'up_swing_v' has a limit equal to its healthy value",
        ),
        (replaced("0.70,0.40,0.5,", "0.70,0.40,1.0,"), "release of 'up_swing_v' must lie below 1"),
        (lambda text: text + "x_v,upstream,any,weak,q,V,up,1,2,0.5,1,1,both,judge,\n", "'x_v' has no source"),
        # An empty cell is neither of the words, nor a number: the indicator would be judged by nothing, or at any sampling.
        (replaced(",both,judge,", ",both,,"), "'up_swing_v' has no use"),
        (replaced(",both,judge,", ",,judge,"), "'up_swing_v' has no compare"),
        (replaced(",V,down,0.70", ",V,,0.70"), "'up_swing_v' has no worse"),
        (replaced("0.70,0.40,0.5,60,60,", "0.70,0.40,,60,60,"), "'up_swing_v' has no release"),
        (replaced("0.70,0.40,0.5,60,60,", "0.70,0.40,0.5,,60,"), "'up_swing_v' has no least_samples"),
        (replaced("0.70,0.40,0.5,60,60,", "0.70,0.40,0.5,60,,"), "'up_swing_v' has no slowest_s"),
        # A limit on the good side of healthy is never reached.
        (replaced("down,0.70,0.40,", "down,0.40,0.70,"), "limit of 'up_swing_v' lies on the good side of its healthy value"),
        (replaced("ratio,out,0.004,0.03,", "ratio,out,0.03,0.004,"), "limit of 'wide_offset' lies on the good side of"),
        (
            replaced(",V,down,,0.3,0.5", ",V,down,,-0.3,0.5"),
            "limit of 'up_swing_v_own' is a share of its own past and must lie above 0",
        ),
    ],
)
def test_bad_indicators_are_named(tmp_path: Path, change: Callable[[str], str], entry: str) -> None:
    settings = own(tmp_path, INDICATORS, change)
    with pytest.raises(ConfigError) as refused:
        facts.read_indicators(settings)
    assert entry in said(refused, tmp_path / INDICATORS)


def test_every_bad_indicator_is_named_at_once(tmp_path: Path) -> None:
    settings = own(
        tmp_path,
        INDICATORS,
        lambda text: text.replace("up_swing_v,upstream", "up_swing_v,front").replace(
            "up_p95_v,upstream", "up_p95_v,rear"
        ),
    )
    with pytest.raises(ConfigError) as refused:
        facts.read_indicators(settings)
    assert "'up_swing_v'" in str(refused.value) and "'up_p95_v'" in str(refused.value)


@pytest.mark.parametrize(
    ("change", "entry"),
    [
        (lambda text: "", "empty"),
        (replaced("code,component,role", "code,role,component"), "the columns must be code,"),
        (replaced("P0036", "P0030"), "'P0030' stands twice"),
        (replaced("P0036", "p0036"), "'p0036' is not written as a code, such as P0420"),
        (replaced("P0030,B1S1", "P0030,B9S9"), "component of 'P0030' is 'B9S9'"),
        (replaced("P0030,B1S1,heater", "P0030,B1S1,"), "'P0030' has an empty cell"),
    ],
)
def test_bad_codes_are_named(tmp_path: Path, change: Callable[[str], str], entry: str) -> None:
    settings = own(tmp_path, "codes.csv", change)
    with pytest.raises(ConfigError) as refused:
        facts.read_codes(settings)
    assert entry in said(refused, tmp_path / "codes.csv")


HOLD = '\n[[hold]]\nfact = "nobody"\nparts = ["upstream"]\nwhy = "w"\ncause = "c"\nrule_out = "r"\ntest = "t"\nclear = ""\nsource = "s"\n'


@pytest.mark.parametrize(
    ("change", "entry"),
    [
        (replaced('scope = "', 'scope = "whole_'), "scope must be 'unit' or 'bank'"),
        (
            replaced('parts = ["', 'parts = ["front_'),
            "[[hold]] 1: parts must be of upstream, downstream, catalyst",
        ),
        (lambda text: text + HOLD, "no fact 'nobody'"),
        (lambda text: text + "\n[[hold]]\nwhen = 3\n", "unknown ['when'], missing ['cause'"),
        (lambda text: text + '\n[fact.odd]\nscope = "unit"\nlevel = 3\n', "[fact.odd] has unknown ['level']"),
        (lambda text: text + '\n[fact.odd]\nscope = "unit"\n', "[fact.odd] says nothing"),
        (lambda text: text + '\n[fact.odd]\nscope = "unit"\nall = ["later"]\n', "[fact.odd] uses 'later'"),
        (
            lambda text: text + '\n[fact.odd]\nscope = "unit"\nindicator = "x"\n',
            "[fact.odd] needs above, below, beyond, rose, fell, over_peers or under_peers",
        ),
        (lambda text: text + "\n[fact.", "at end of document"),
        (lambda text: text + HOLD.replace("[[hold]]", "[[hodl]]"), "[hodl] is not known"),
        (lambda text: "[fact]\na = 3\n", "facts are written as tables"),
        (lambda text: "hold = 3\n", "holds are written as tables"),
    ],
)
def test_bad_order_of_blame_is_named(tmp_path: Path, change: Callable[[str], str], entry: str) -> None:
    settings = own(tmp_path, "blame.toml", change)
    with pytest.raises(ConfigError) as refused:
        facts.read_blame(settings)
    assert entry in said(refused, tmp_path / "blame.toml")


@pytest.mark.parametrize(
    ("change", "entry"),
    [
        (replaced("part = 140.0", "part = -140.0"), "part must be a finite amount of 0 or more, got -140.0"),
        (
            replaced("inspection = 45.0", "inspection = nan"),
            "inspection must be a finite amount of 0 or more, got nan",
        ),
        (
            replaced("per_week = 0.01", "per_week = 2"),
            "catalyst_damage_probability_per_week must lie in 0..1",
        ),
        (replaced("part = 140.0", "price = 140.0"), "upstream.part is missing; upstream.price is not known"),
        (replaced("part = 140.0", 'part = "140"'), "upstream.part must be a number, not '140'"),
        (replaced("part = 140.0", "part = true"), "upstream.part must be a number, not True"),
        (replaced('currency = "EUR"', "currency = 3"), "currency must be text, not 3"),
        (replaced('currency = "EUR"\n', ""), "currency is missing"),
        (lambda text: "tax = 1\n" + text, "tax is not known"),
        (without_table("catalyst"), "catalyst is missing"),
        (lambda text: "catalyst = 3\n" + without_table("catalyst")(text), "catalyst must be a table, not 3"),
        (replaced("part = 140.0", "part = "), "line"),
    ],
)
def test_bad_costs_are_named(tmp_path: Path, change: Callable[[str], str], entry: str) -> None:
    settings = own(tmp_path, "costs.toml", change)
    with pytest.raises(ConfigError) as refused:
        facts.read_costs(settings)
    assert entry in said(refused, tmp_path / "costs.toml")


@pytest.mark.parametrize(
    ("name", "read"), [("blame.toml", facts.read_blame), ("costs.toml", facts.read_costs)]
)
def test_text_in_another_encoding_is_refused(
    tmp_path: Path, name: str, read: Callable[[Settings], object]
) -> None:
    (tmp_path / name).write_bytes((CONFIG / name).read_text(encoding="utf-8").encode("utf-16"))
    with pytest.raises(ConfigError) as refused:
        read(Settings(config_dir=str(tmp_path)))
    assert "utf-8" in said(refused, tmp_path / name)


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("chance_from", "from", "the columns must be"),
        ("\n0.0,", "\n0.1,", "the first chance_from must be 0"),
    ],
)
def test_a_wrong_reliability_is_refused(tmp_path: Path, old: str, new: str, problem: str):
    settings = own(tmp_path, "reliability.csv", replaced(old, new))
    with pytest.raises(ConfigError, match=problem):
        facts.read_reliability(settings)


def test_a_share_outside_its_interval_is_refused(tmp_path: Path):
    (tmp_path / "reliability.csv").write_text("chance_from,said,observed,low,high,n\n0.0,0.1,0.3,0.1,0.2,9\n", encoding="utf-8")
    with pytest.raises(ConfigError, match="low <= observed <= high"):
        facts.read_reliability(Settings(config_dir=str(tmp_path)))
