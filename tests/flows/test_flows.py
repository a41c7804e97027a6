"""The weekly flow makes the list that the plain job makes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from pipeline import jobs
from tests.golden.sample import Job, fleet, small_exports, small_job

# A private server on this machine, quiet, with nothing sent anywhere; read when prefect is first imported.
QUIET = {
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
    "PREFECT_LOGGING_LEVEL": "WARNING",
    "PREFECT_LOGGING_TO_API_ENABLED": "false",
    "PREFECT_SERVER_LOGGING_LEVEL": "ERROR",
}


@pytest.fixture(scope="module")
def quiet_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for name, value in (QUIET | {"PREFECT_HOME": str(tmp_path_factory.mktemp("prefect"))}).items():
            patch.setenv(name, value)
        from prefect.testing.utilities import prefect_test_harness

        with prefect_test_harness(server_startup_timeout=120):
            yield


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return small_job(tmp_path_factory.getbasetemp())


@pytest.mark.slow
def test_weekly_flow_makes_the_list_of_the_plain_job(
    quiet_server: None, small: Job, tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    from pipeline.flows import weekly_flow

    mine = fleet(tmp_path / "flow", small_exports(tmp_path_factory.getbasetemp()), buckets=1)
    made = Path(weekly_flow(str(mine.config)))
    assert made.name == "list.csv" and made.parent.parent == Path(mine.settings.out)
    plain = jobs.make_list(
        small.settings, small.lake, date.fromisoformat(made.parent.name), tmp_path / "plain"
    )
    assert plain.ranked.listed > 0
    for name, path in plain.outputs.paths.items():
        if name != "page.html":  # the page also says when the exports came
            assert (made.parent / name).read_bytes() == path.read_bytes(), name
    assert not (Path(mine.settings.lake) / "_lock.json").exists()


@pytest.mark.slow
def test_only_what_can_pass_is_tried_again(quiet_server: None) -> None:
    from prefect import flow, task

    from pipeline.errors import ConfigError, LakeError
    from pipeline.flows import _can_pass

    tried: list[str] = []

    @task(retries=2, retry_delay_seconds=0, retry_condition_fn=_can_pass)
    def fails(error: Exception) -> None:
        tried.append(type(error).__name__)
        raise error

    @flow
    def night(error: Exception) -> None:
        fails(error)

    for error in (LakeError("the store is slow"), OSError("connection reset"), ConfigError("a wrong limit")):
        with pytest.raises(type(error)):
            night(error)
    assert tried == ["LakeError"] * 3 + ["OSError"] * 3 + ["ConfigError"]


@pytest.mark.slow
def test_a_nightly_flow_notes_its_run_and_raises_the_alarm(quiet_server: None, tmp_path: Path) -> None:
    import json
    import sys

    from pipeline.flows import nightly_flow
    from pipeline.lake import Lake

    kept = tmp_path / "alert.json"
    config = tmp_path / "lightoff.toml"
    program = json.dumps([sys.executable, "-c", f"import sys; open({str(kept)!r}, 'w').write(sys.stdin.read())"])
    config.write_text(f'lake = "lake"\nexports = ["nothing-here"]\nalert_command = {program}\n')
    from pipeline.errors import ExportError

    with pytest.raises(ExportError):
        nightly_flow(str(config))
    assert json.loads(kept.read_text())["subject"] == "lightoff nightly flow failed"
    runs = Lake(str(tmp_path / "lake")).read("runs")
    assert runs.select("command", "outcome").rows() == [("nightly flow", "failed")]


@pytest.mark.slow
def test_the_housekeeping_flow_thins_and_notes_it(quiet_server: None, small: Job, tmp_path: Path) -> None:
    import json
    import shutil

    from pipeline.flows import housekeep_flow
    from pipeline.lake import Lake

    shutil.copytree(small.lake.root, tmp_path / "lake")
    config = tmp_path / "lightoff.toml"
    kept = f"buckets = {small.settings.buckets}\nhistory_weeks = 4\nkeep_readings_days = 35\n"
    config.write_text(f'lake = "lake"\n{kept}')
    housekeep_flow(str(config))
    lake = Lake(str(tmp_path / "lake"))
    run = lake.read("runs").filter(command="housekeep flow").row(0, named=True)
    assert run["outcome"] == "done"
    thinned = lake.read("thinned")
    assert json.loads(run["counts"]) == {
        "thinned_from": thinned["rows_before"].sum(), "thinned_to": thinned["rows_after"].sum()
    }
    assert thinned.height and lake.read("readings_thin").height == thinned["rows_after"].sum()
