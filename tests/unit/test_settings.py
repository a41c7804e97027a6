"""Settings: defaults, a file, the environment, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from pipeline.errors import ConfigError
from pipeline.settings import CONFIG, Settings, read_settings


def written(folder: Path, text: str) -> Path:
    path = folder / "lightoff.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refused(path: Path) -> str:
    with pytest.raises(ConfigError) as error:
        read_settings(path)
    assert error.value.exit_code == 2 and str(error.value).startswith(f"{path}: ")
    return str(error.value).removeprefix(f"{path}: ")


def test_defaults_read_the_sample() -> None:
    settings = read_settings(None)
    (exports,) = settings.exports
    assert (Path(exports) / "readings").is_dir()
    assert (settings.time_zone, settings.lake, settings.out) == ("UTC", "lake", "out")


def test_every_setting_is_described() -> None:
    assert [name for name, field in Settings.model_fields.items() if not field.description] == []


def test_relative_paths_lie_beside_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "fleet" / "own").mkdir(parents=True)
    text = 'lake = "data/lake"\nout = "../lists"\nconfig_dir = "own"\nexports = ["in", "/abs/in", "s3://bucket/in"]\n'
    path = written(tmp_path / "fleet", text)
    monkeypatch.chdir(tmp_path)
    for given in (path, path.relative_to(tmp_path)):
        settings = read_settings(given)
        assert Path(settings.lake) == tmp_path / "fleet" / "data" / "lake"
        assert Path(settings.out).resolve() == tmp_path / "lists"
        assert Path(settings.config_dir) == tmp_path / "fleet" / "own"
        assert settings.exports == [str(tmp_path / "fleet" / "in"), "/abs/in", "s3://bucket/in"]


def test_file_may_leave_everything_out(tmp_path: Path) -> None:
    assert read_settings(written(tmp_path, "")) == Settings()


def test_environment_is_a_default_and_the_file_goes_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LIGHTOFF_TIME_ZONE", "Asia/Tokyo")
    monkeypatch.setenv("LIGHTOFF_BUCKETS", "8")
    assert read_settings(None).time_zone == "Asia/Tokyo"
    settings = read_settings(written(tmp_path, 'time_zone = "Europe/Vienna"\n'))
    assert (settings.time_zone, settings.buckets) == ("Europe/Vienna", 8)


def test_bad_environment_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LIGHTOFF_THREADS", "many")
    with pytest.raises(ConfigError, match="settings: threads: Input should be a valid integer"):
        read_settings(None)


@pytest.mark.parametrize(
    ("name", "text", "wanted"),
    [
        ("exports", "exports", """LIGHTOFF_EXPORTS='["first", "second"]'"""),
        ("bays", '{"a"', """LIGHTOFF_BAYS='{"North": 4}'"""),
        ("alert_command", "mail me", """LIGHTOFF_ALERT_COMMAND='["first", "second"]'"""),
    ],
)
def test_a_list_or_table_of_the_environment_that_is_no_json_is_named(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, name: str, text: str, wanted: str
) -> None:
    monkeypatch.setenv(f"LIGHTOFF_{name.upper()}", text)
    for path in (None, written(tmp_path, "")):
        with pytest.raises(ConfigError) as error:
            read_settings(path)
        said = str(error.value)
        assert error.value.exit_code == 2
        assert said == f"LIGHTOFF_{name.upper()} in the environment is no JSON; write it as {wanted}"


def test_a_list_or_table_of_the_environment_is_json(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LIGHTOFF_EXPORTS", '["first", "second"]')
    monkeypatch.setenv("LIGHTOFF_BAYS", '{"North": 4}')
    settings = read_settings(None)
    assert (settings.exports, settings.bays) == (["first", "second"], {"North": 4})


def test_settings_do_not_change() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        Settings().lake = "elsewhere"


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ('lak = "x"\n', "lak: Extra inputs are not permitted"),
        ("buckets = 0\n", "buckets: Input should be greater than or equal to 1"),
        ("buckets = 4097\n", "buckets: Input should be less than or equal to 4096"),
        ("threads = 2.5\n", "threads: Input should be a valid integer"),
        ("history_weeks = 3\n", "history_weeks: Input should be greater than or equal to 4"),
        ("bays_per_depot = -1\n", "bays_per_depot: Input should be greater than or equal to 0"),
        ('[bays]\nNorth = "two"\n', "bays.North: Input should be a valid integer"),
        ('time_zone = "Moon/Crater"\n', "'Moon/Crater' is not a time zone; give an IANA name"),
        ('time_zone = "../etc"\n', "is not a time zone"),
        ('time_zone = "Europe"\n', "time_zone: Value error, 'Europe' is not a time zone; give an IANA name"),  # a folder of zones
        ('exports = "in"\n', "exports: Input should be a valid list"),
        ("exports = [3]\n", "exports.0: Input should be a valid string"),
        ("[bays]\nNorth = -1\n", "bays.North: Input should be greater than or equal to 0"),
        ('lake = ""\n', "lake: String should have at least 1 character"),
        ('config_dir = "nowhere"\n', "nowhere' is no folder; the facts of the fleet would be left out"),
        ("lake = 3\n", "lake: Input should be a valid string"),
        ("lake = \n", "not a TOML file"),
    ],
)
def test_bad_setting_is_named(tmp_path: Path, text: str, entry: str) -> None:
    assert entry in refused(written(tmp_path, text))


def test_every_bad_setting_is_named_at_once(tmp_path: Path) -> None:
    said = refused(written(tmp_path, 'lak = "x"\nbuckets = 0\n'))
    assert "lak: " in said and "buckets: " in said


def test_missing_file_is_said(tmp_path: Path) -> None:
    assert refused(tmp_path / "none.toml") == "no such file; leave --config out to use the defaults"


def test_folder_in_place_of_a_file_is_said(tmp_path: Path) -> None:
    assert "cannot be read" in refused(tmp_path)


def test_other_encodings_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "lightoff.toml"
    path.write_bytes('lake = "Grün"\n'.encode("latin-1"))
    assert "not a TOML file" in refused(path)


def test_facts_of_the_fleet_go_before_the_embedded_ones(tmp_path: Path) -> None:
    (tmp_path / "costs.toml").write_text("", encoding="utf-8")
    settings = Settings(config_dir=str(tmp_path))
    assert settings.config_file("costs.toml") == tmp_path / "costs.toml"
    assert settings.config_file("limits.toml") == CONFIG / "limits.toml"
    assert Settings().config_file("costs.toml") == CONFIG / "costs.toml"
