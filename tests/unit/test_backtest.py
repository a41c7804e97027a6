"""Backtest on a small lake: nothing known later judges, and every figure is that of the lists as written."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.assess import REPLAYED, assess
from pipeline.backtest import LAMP, LIGHTOFF, LIMITS, MILEAGE, WARM_UP_WEEKS, Outcome, orders_of, prove, truth_of
from pipeline.errors import ConfigError
from pipeline.facts import read_indicators
from pipeline.lake import Lake
from pipeline.prognosis import LIMITS_ALONE, OWN_MODEL, starter_model
from pipeline.settings import CONFIG, Settings
from models.classifier import chances, train
from models.features import KEYS, features
from models.store import save
from tests.browser.report_lake import rows_of
from tests.golden.sample import NOW, SMALL_FROM, TRUTH, Job, command, fill, fleet, small_exports, small_readings, write_exports
from tests.models.made_features import made

POLICIES = (LIGHTOFF, LAMP, MILEAGE, LIMITS)
FIGURES = {
    "precision_at_10", "precision_at_20", "recall_with_lead", "median_lead_days", "false_alarms_per_100_unit_weeks",
    "wrong_component_rate", "confounder_rate", "average_precision", "brier", "expected_calibration_error", "money_saved",
    "prevalence", "listed_rows",
}
OF_OURS_ALONE = {"recall_seen_coming", "coming_rows", "coming_begun_rate"}
MID = date(2026, 3, 23)


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Path, str]:
    """The small fleet replayed once: its job, the folder of the lists, and what the command said."""
    base = tmp_path_factory.mktemp("replayed")
    job = fleet(base, small_exports(tmp_path_factory.getbasetemp()), buckets=1)
    fill(job)
    result = command(job, "backtest", "--out", str(base / "lists"), "--truth", str(TRUTH))
    assert result.exit_code == 0, result.output
    return job, base / "lists", result.output


def weeks_of(folder: Path) -> list[date]:
    """Judged weeks: the first two warm up, and the 28 days of the last four are not over."""
    mondays = sorted(date.fromisoformat(path.name) for path in folder.iterdir() if path.is_dir())
    return [day for day in mondays[WARM_UP_WEEKS:] if day <= mondays[-1] - timedelta(days=28)]


def test_a_folder_a_week_and_the_proof_beside_them(replayed: tuple[Job, Path, str]):
    _, folder, said = replayed
    proof = json.loads((folder / "proof.json").read_text(encoding="utf-8"))
    assert set(proof["figures"]) == set(POLICIES)
    for policy in POLICIES:
        assert FIGURES <= set(proof["figures"][policy]), policy
        assert (set(proof["figures"][policy]) >= OF_OURS_ALONE) == (policy == LIGHTOFF), policy
    assert proof["first"] == weeks_of(folder)[0].isoformat() and proof["last"] == weeks_of(folder)[-1].isoformat()
    for name in ("proof.md", "proof.html"):
        text = (folder / name).read_text(encoding="utf-8")
        assert all(policy in text for policy in POLICIES)
    assert (folder / "proof.html").read_text(encoding="utf-8").count("<svg") == 4
    assert "false alarms per 100 vehicle-weeks" in said


def test_figures_are_those_of_the_lists_as_written(replayed: tuple[Job, Path, str]):
    """Slow loops over list.csv and the truth, against the proof."""
    _, folder, _ = replayed
    figures = json.loads((folder / "proof.json").read_text(encoding="utf-8"))["figures"][LIGHTOFF]
    truth = [
        row | {n: date.fromisoformat(row[n]) if row[n] else None for n in ("failed_on", "repaired_on")}
        for row in pl.read_csv(TRUTH / "components.csv", infer_schema=False).iter_rows(named=True) if row["failed_on"]
    ]

    def sick(week: date, unit: str, component: str | None = None) -> bool:
        return any(
            r["unit_id"] == unit and component in (None, r["component"])
            and r["failed_on"] < week + timedelta(days=28) and not (r["repaired_on"] and r["repaired_on"] < week)
            for r in truth
        )

    others = pl.read_csv(TRUTH / "confounders.csv", try_parse_dates=True).to_dicts()
    faults = pl.read_csv(TRUTH / "components.csv", try_parse_dates=True).to_dicts()
    shares, listed, wrong, false, blamed, sound = [], 0, 0, 0, 0, 0
    for week in weeks_of(folder):
        rows = pl.read_csv(folder / week.isoformat() / "list.csv", infer_schema=False).sort(pl.col("rank").cast(int))
        right = [sick(week, r["unit_id"], r["component"]) for r in rows.iter_rows(named=True)]
        listed += len(right)
        false += right.count(False)
        wrong += sum(not ok and sick(week, r["unit_id"]) for ok, r in zip(right, rows.iter_rows(named=True), strict=True))
        if right:
            shares.append(sum(right[:10]) / len(right[:10]))
        for place, r in enumerate(rows.iter_rows(named=True)):
            other = any(c["unit_id"] == r["unit_id"] and c["from_on"] <= week and (not c["to_on"] or c["to_on"] >= week) for c in others)
            worn = right[place] or any(
                f["unit_id"] == r["unit_id"] and f["component"] == r["component"] and f["onset_on"] <= week
                and not (f["repaired_on"] and f["repaired_on"] < week) for f in faults
            )
            blamed += other and not sick(week, r["unit_id"])
            sound += other and not sick(week, r["unit_id"]) and not worn
    assert listed > 0
    assert figures["confounder_rate"]["value"] == pytest.approx(blamed / listed)
    assert figures["confounder_of_sound_rate"]["value"] == pytest.approx(sound / listed)
    assert figures["listed_rows"]["value"] == listed
    assert figures["precision_at_10"]["value"] == pytest.approx(sum(shares) / len(shares))
    assert figures["wrong_component_rate"]["value"] == pytest.approx(wrong / listed)
    base = figures["false_alarms_per_100_unit_weeks"]
    assert base["value"] == pytest.approx(100 * false / base["n"])


def test_what_was_seen_coming_is_that_of_the_files(replayed: tuple[Job, Path, str]):
    """Slow loops over list.csv and coming.csv and the truth, against the proof."""
    _, folder, _ = replayed
    figures = json.loads((folder / "proof.json").read_text(encoding="utf-8"))["figures"][LIGHTOFF]
    weeks = weeks_of(folder)
    files = {
        week: {
            name: [(r["unit_id"], r["component"]) for r in pl.read_csv(folder / str(week) / name, infer_schema=False).iter_rows(named=True)]
            for name in ("list.csv", "coming.csv")
        }
        for week in weeks
    }
    truth = pl.read_csv(TRUTH / "components.csv", try_parse_dates=True)
    span = (weeks[0] + timedelta(days=7), weeks[-1] + timedelta(days=7))
    failures = [r for r in truth.iter_rows(named=True) if r["failed_on"] and span[0] <= r["failed_on"] < span[1]]
    seen = 0
    for failure in failures:
        part = (failure["unit_id"], failure["component"])
        days = [week for week, made in files.items() if part in made["list.csv"] + made["coming.csv"]]
        seen += any(7 <= (failure["failed_on"] - week).days < 28 for week in days)
    assert figures["recall_seen_coming"]["n"] == len(failures)
    assert figures["recall_seen_coming"]["value"] == pytest.approx(seen / len(failures))
    coming = [(week, *part) for week, made in files.items() for part in made["coming.csv"]]
    assert figures["coming_rows"]["value"] == len(coming) > 0

    def bad(week: date, unit: str, component: str) -> bool:
        return any(
            r["unit_id"] == unit and r["component"] == component and not (r["repaired_on"] and r["repaired_on"] < week)
            and (r["onset_on"] <= week or (r["failed_on"] and r["failed_on"] < week + timedelta(days=28)))
            for r in truth.iter_rows(named=True)
        )

    assert figures["coming_begun_rate"]["value"] == pytest.approx(sum(bad(*row) for row in coming) / len(coming))


def test_mileage_takes_as_many_rows_as_the_list_and_the_lamp_only_confirmed_codes(replayed: tuple[Job, Path, str]):
    job, folder, _ = replayed
    figures = json.loads((folder / "proof.json").read_text(encoding="utf-8"))["figures"]
    assert figures[MILEAGE]["listed_rows"]["value"] == figures[LIGHTOFF]["listed_rows"]["value"]
    weeks = pl.col("week_start").is_in(pl.Series(weeks_of(folder)).implode())
    evidence = job.lake.read("evidence", where=pl.col("series") == REPLAYED).filter(weeks)
    lit = evidence.filter(pl.col("code_confirmed").fill_null(False) & (pl.col("status") != "not_judged"))
    assert figures[LAMP]["listed_rows"]["value"] == lit.height
    assert figures[LAMP]["brier"]["value"] is None  # an order of its own is no probability


def test_a_backtest_does_not_know_a_model_that_was_trained_later(tmp_path: Path, replayed: tuple[Job, Path, str]):
    job, folder, _ = replayed
    save(train(*made(units=80), "learnt later"), job.lake.root / OWN_MODEL, "")
    try:
        command(job, "backtest", "--out", str(tmp_path), "--from", "2026-03-09", "--to", "2026-03-23")
    finally:
        for path in (job.lake.root / OWN_MODEL).iterdir():
            path.unlink()
    for week in ("2026-03-09", "2026-03-23"):
        assert (tmp_path / week / "scores.csv").read_bytes() == (folder / week / "scores.csv").read_bytes()
        assert "learnt later" not in (tmp_path / week / "scores.csv").read_text(encoding="utf-8")
        judges = pl.read_csv(tmp_path / week / "scores.csv")["judged_by"].drop_nulls().unique()
        assert set(judges) <= {LIMITS_ALONE.name, starter_model().name}


def test_a_shuffled_future_gives_the_same_scores(tmp_path: Path):
    """Two fleets, the same until a Monday; after it every signal of one is shuffled among its rows."""
    readings = small_readings()
    midnight = datetime(MID.year, MID.month, MID.day, tzinfo=UTC)
    values = [name for name in readings.columns if name not in ("unit_id", "ts")]
    later = readings.filter(pl.col("ts") >= midnight).with_columns(pl.col(n).shuffle(seed=5) for n in values)
    spoilt = pl.concat([readings.filter(pl.col("ts") < midnight), later])
    assert SMALL_FROM < midnight and later.height > 1000
    model = train(*made(units=80), "any")
    found = []
    for name, given in (("plain", readings), ("spoilt", spoilt)):
        job = fleet(tmp_path / name, write_exports(tmp_path / f"{name}_exports", given), buckets=1)
        fill(job, NOW)
        # A Monday in a zone east of Greenwich begins earlier: only the week before it is surely the same.
        week = MID - timedelta(days=7)
        assess(job.settings, job.lake, week, REPLAYED, model)
        where = (pl.col("series") == REPLAYED) & (pl.col("week_start") == week)
        frame = features(job.lake.read("trends", where=where), job.lake.read("evidence", where=where),
                         read_indicators(job.settings)).sort(KEYS)
        found.append((frame, job.lake.read("scores", where=where).sort("unit_id", "component"), chances(model, frame)))
    assert found[0][0].height > 0
    assert_frame_equal(found[0][0], found[1][0])
    assert_frame_equal(found[0][1], found[1][1])


def test_truth_and_orders_as_outcome(replayed: tuple[Job, Path, str], tmp_path: Path):
    job, _, _ = replayed
    truth = truth_of(TRUTH)
    assert truth.events["failed_on"].null_count() == 0
    onset = pl.read_csv(TRUTH / "components.csv", try_parse_dates=True).filter(pl.col("failed_on").is_not_null())
    early = ((onset["failed_on"] - onset["onset_on"]).dt.total_days() >= 14).sum()
    assert truth.events["foreseeable"].sum() == early
    orders = orders_of(job.settings, job.lake)
    assert orders.events.height > 0 and orders.source.startswith("later work orders and codes (")
    with pytest.raises(ConfigError, match="no truth of a simulated fleet"):
        truth_of(tmp_path)


def test_a_truth_may_quote_its_empty_cells(tmp_path: Path):
    for name in ("components", "confounders"):
        lines = (TRUTH / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        quoted = [",".join(cell or '""' for cell in line.split(",")) for line in lines]
        assert any('""' in line for line in quoted)
        (tmp_path / f"{name}.csv").write_text("\n".join(quoted) + "\n", encoding="utf-8")
    made, plain = truth_of(tmp_path), truth_of(TRUTH)
    assert made.events.equals(plain.events) and made.others.equals(plain.others)


def test_too_short_a_span_says_so(tmp_path: Path, replayed: tuple[Job, Path, str]):
    result = command(replayed[0], "backtest", "--out", str(tmp_path), "--from", "2026-03-09", "--to", "2026-03-16")
    assert "too few lists to hold them against what failed" in result.output


FIRST = date(2026, 1, 5)
FAILED = {"A": (FIRST + timedelta(days=28), FIRST + timedelta(days=56))}  # CAT1: failed, repaired


def made_lists(folder: Path, *listed: tuple[int, str, str]) -> tuple[Settings, Lake]:
    """A lake with twelve weekly lists of vehicles A (family F1) to C; ``listed`` are week, unit and component."""
    part = {"CAT1": "catalyst", "B1S1": "upstream", "B1S2": "downstream"}
    base = {"series": REPLAYED, "depot": "N", "kind": "narrowband", "status": "judged", "probability": 0.3, "probability_7d": 0.1}
    words = dict.fromkeys(("mode", "why", "rule_out_first", "reason", "judged_by", "action"), "")
    rows = []
    for week in range(12):
        for unit in "ABC":
            for component in part:
                place = [row for row in listed if row[0] == week]
                at = place.index((week, unit, component)) + 1 if (week, unit, component) in place else None
                rows.append(words | base | {
                    "week_start": FIRST + timedelta(weeks=week), "unit_id": unit, "component": component, "part": part[component],
                    "engine_family": "F1" if unit == "A" else "", "rank": 1, "list_rank": at,
                })
    lake = Lake(str(folder / "lake"))
    lake.append("ranked", rows_of("ranked", rows))
    lake.append("evidence", rows_of("evidence", [row | {"held_by": "", "limits_probability": 0.3} for row in rows]))
    costs = (CONFIG / "costs.toml").read_text(encoding="utf-8") + "\n[family.F1.catalyst]\nbreakdown = 2000.0\n"
    (folder / "config").mkdir()
    (folder / "config" / "costs.toml").write_text(costs, encoding="utf-8")
    return Settings(lake=str(folder / "lake"), config_dir=str(folder / "config")), lake


def truth_of_a() -> Outcome:
    failed, repaired = FAILED["A"]
    events = pl.DataFrame({"unit_id": ["A"], "component": ["CAT1"], "failed_on": [failed], "repaired_on": [repaired], "foreseeable": [True]})
    others = pl.DataFrame(schema={"unit_id": pl.String, "from_on": pl.Date, "to_on": pl.Date})
    return Outcome(events, others, "made")


def test_money_saved_is_that_of_the_family_and_pays_a_bay_once_a_visit(tmp_path: Path):
    # A's catalyst fails two weeks after its list and is repaired four weeks later: four weeks spared, at a breakdown of 2000
    # and a chance of 0.5 a week 2000 * (1 - 1/16) = 1875. Its sound sensor rides along: an inspection, 45. Of B two sound
    # parts in one visit: 2 * 45 + 25. C is called twice for nothing, with a pause: 2 * (45 + 25).
    settings, lake = made_lists(
        tmp_path, (2, "A", "CAT1"), (2, "A", "B1S1"), (3, "B", "B1S1"), (3, "B", "B1S2"), (3, "C", "B1S1"), (5, "C", "B1S1")
    )
    proof = prove(settings, lake, REPLAYED, FIRST, FIRST + timedelta(weeks=11), truth_of_a(), resamples=0)
    assert proof.figures[LIGHTOFF]["money_saved"]["value"] == pytest.approx(1875 - 45 - 115 - 140)


def test_weeks_without_a_list_do_not_charge_one_visit_twice(tmp_path: Path):
    # Nothing came in for two weeks and no list was made: C, called for nothing before and after, is one visit, 45 + 25. A's
    # catalyst, a visit too early before them, is met again as a failure after them: 45 + 25 lost, then 1875 as above.
    settings, lake = made_lists(tmp_path, (2, "C", "B1S1"), (5, "C", "B1S1"), (2, "A", "CAT1"), (5, "A", "CAT1"))
    missing = [FIRST + timedelta(weeks=week) for week in (3, 4)]
    for name in ("ranked", "evidence"):
        lake.overwrite(name, lake.read(name).filter(~pl.col("week_start").is_in(missing)))
    outcome = truth_of_a()
    late = outcome.events.with_columns(pl.col("failed_on", "repaired_on") + timedelta(weeks=3))
    made = prove(settings, lake, REPLAYED, FIRST, FIRST + timedelta(weeks=11), Outcome(late, outcome.others, "made"), resamples=0)
    assert made.figures[LIGHTOFF]["money_saved"]["value"] == pytest.approx(1875 - 70 - 70)


def test_all_policies_are_held_against_the_same_failures(tmp_path: Path):
    # Only the first judged list holds a row; the lamp never lit. The failure of day 28 had lists before it for all of them.
    settings, lake = made_lists(tmp_path, (2, "B", "B1S1"))
    figures = prove(settings, lake, REPLAYED, FIRST, FIRST + timedelta(weeks=11), truth_of_a(), resamples=0).figures
    assert {name: made["recall_with_lead"]["n"] for name, made in figures.items()} == dict.fromkeys(POLICIES, 1)
    assert figures[LIGHTOFF]["recall_with_lead"]["value"] == figures[LAMP]["recall_with_lead"]["value"] == 0.0
    ours = figures[LIGHTOFF]
    assert ours["recall_of_slow_faults"] == ours["recall_seen_coming"] == {"value": 0.0, "low": None, "high": None, "n": 1}


def test_work_orders_need_their_delay_before_silence_means_nothing_failed(tmp_path: Path):
    # Twelve lists: two warm up, 28 days of outlook and 35 until an order is closed leave the third alone.
    settings, lake = made_lists(tmp_path, (2, "B", "B1S1"))
    last = FIRST + timedelta(weeks=11)
    proof = prove(settings, lake, REPLAYED, FIRST, last, orders_of(settings, lake), resamples=0)
    assert proof.first == proof.last == last - timedelta(days=63)
    with pytest.raises(ConfigError, match="63 days of outlook"):
        prove(settings, lake, REPLAYED, FIRST, last - timedelta(days=7), orders_of(settings, lake), resamples=0)
