"""Settings of a fleet: one frozen object read from ``lightoff.toml``, with defaults for the sample lake."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, SettingsConfigDict, SettingsError

from pipeline.errors import ConfigError

PROJECT = Path(__file__).resolve().parents[1]
CONFIG = Path(__file__).resolve().parent / "config"
CLUSTER = r"^(local(:[1-9]\d{0,2})?|(tcp|tls)://[^\s/@]+:\d{1,5})$"  # where shards may be derived beside this process


class Settings(BaseSettings):
    """What a fleet may set. Unknown keys are refused; ``LIGHTOFF_<NAME>`` in the environment is a default."""

    model_config = SettingsConfigDict(frozen=True, extra="forbid", env_prefix="LIGHTOFF_")

    lake: str = Field("lake", min_length=1, description="folder or object-store URI of the tables")
    exports: list[str] = Field(
        [str(PROJECT / "sample_lake" / "exports")],
        description="files or folders that ingest reads when no path is named",
    )
    out: str = Field("out", description="folder the lists and pages are written to")
    config_dir: str = Field(
        "", description="folder whose limits.toml, indicators.csv, blame.toml or costs.toml replace the embedded ones"
    )
    layouts: str = Field("", description="folder of the layouts (*.toml) of files that are not in canonical form")
    time_zone: str = Field("UTC", description="zone in which the fleet's days and weeks begin")
    first_day: date = Field(
        date(2005, 1, 1), description="readings before this day are those of a clock that was reset; kept out"
    )
    buckets: int = Field(16, ge=1, le=4096, description="hash buckets of the readings; fixed once a lake exists")
    threads: int = Field(2, ge=1, le=256, description="threads of the query engine")
    memory_limit_mb: int = Field(2000, ge=200, description="memory the query engine may use, in MB")
    dask: str = Field(
        "", pattern=CLUSTER + "|^$",
        description="Dask cluster that derives: tcp://HOST:PORT, or local for as many processes as `threads`; none if empty",
    )
    shard_readings: int = Field(
        750_000,
        ge=10_000,
        description="most readings a thread derives at once; more are cut into day ranges, of one day at least",
    )
    bays_per_depot: int = Field(8, ge=0, description="vehicles a depot can take in a week for this list")
    bays: dict[str, Annotated[int, Field(ge=0)]] = Field(
        {}, description="bays of single depots that differ from bays_per_depot"
    )
    card_vehicles: int = Field(
        100, ge=0, description="vehicles, from the top of a list, for which a technician's card is written"
    )
    history_weeks: int = Field(26, ge=4, le=104, description="weeks of indicators a list looks back on")

    nightly_cron: str = Field("30 2 * * *", description="when the night run begins, in the fleet's zone (cron, 5 fields)")
    weekly_cron: str = Field("0 5 * * 1", description="when the weekly list is made")
    training_cron: str = Field("0 7 1 * *", description="when a challenger is trained")
    housekeep_cron: str = Field("0 3 * * 0", description="when the lake is tidied")
    out_url: str = Field(
        "", pattern=r"^([a-z][a-z0-9+.\-]*://.+)?$",
        description="address under which `out` can be opened, for links in the record of a flow; file:// if empty",
    )
    keep_versions_days: int = Field(
        90, ge=7, description="days for which past versions of the tables are kept, so that lists can be made again"
    )
    keep_readings_days: int = Field(
        0,
        ge=0,
        description="days, back from the newest list, for which raw readings stay whole; older ones are thinned to the "
        "stretches that cards show, and indicators stay for ever. 0 keeps all; at least a week more than history_weeks",
    )
    alert_command: list[str] = Field(
        [], description="program and arguments called when a run fails; the alert is its input, as JSON"
    )
    alert_webhook: str = Field("", pattern=r"^(https?://.+)?$", description="address that an alert is posted to, as JSON")

    @field_validator("nightly_cron", "weekly_cron", "training_cron", "housekeep_cron")
    @classmethod
    def _five_fields(cls, value: str) -> str:
        if len(value.split()) != 5 or re.search(r"[^0-9A-Za-z*/,\-\s]", value):
            raise ValueError(f"{value!r} is no cron line: minute, hour, day of month, month, day of week, as '30 2 * * *'")
        return value

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:  # OSError: "Europe" is a folder of zones
            raise ValueError(f"{value!r} is not a time zone; give an IANA name such as 'Europe/Vienna'") from error
        return value

    @field_validator("config_dir")
    @classmethod
    def _folder(cls, value: str) -> str:
        if value and not Path(value).is_dir():
            raise ValueError(f"{value!r} is no folder; the facts of the fleet would be left out")
        return value

    @model_validator(mode="after")
    def _readings_as_long_as_lists_need(self) -> Settings:
        least = 7 * (self.history_weeks + 1)
        if 0 < self.keep_readings_days < least:
            raise ValueError(
                f"keep_readings_days is {self.keep_readings_days}, but lists look back {self.history_weeks} weeks "
                f"(history_weeks) and readings come late: set {least} or more, or 0 to keep all"
            )
        return self

    def config_file(self, name: str) -> Path:
        """Path of a facts file: the fleet's own where ``config_dir`` has one, else the embedded one."""
        own = Path(self.config_dir) / name if self.config_dir else None
        return own if own is not None and own.is_file() else CONFIG / name


def read_settings(path: Path | None) -> Settings:
    """Settings from a TOML file, or the defaults where ``path`` is None.

    Raises:
        ConfigError: the file is missing, is not TOML, or has an unknown or impossible value; or the environment has one.
    """
    if path is None:
        values: dict = {}
    else:
        try:
            values = tomllib.loads(path.read_text(encoding="utf-8"))
        except FileNotFoundError as error:
            raise ConfigError(f"{path}: no such file; leave --config out to use the defaults") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ConfigError(f"{path}: not a TOML file: {error}") from error
        except OSError as error:
            raise ConfigError(f"{path}: cannot be read: {error}") from error
        for key in ("lake", "out", "config_dir", "layouts"):
            if isinstance(values.get(key), str) and values[key]:
                values[key] = _beside(path, values[key])
        if isinstance(values.get("exports"), list):
            values["exports"] = [_beside(path, item) for item in values["exports"]]
    try:
        return Settings(**values)
    except ValidationError as error:
        lines = [
            f"{'.'.join(str(part) for part in item['loc']) or 'settings'}: {item['msg']}" for item in error.errors()
        ]
        raise ConfigError(f"{path or 'settings'}: " + "; ".join(lines)) from error
    except SettingsError as error:
        raise ConfigError(_no_json(str(error))) from error


def _no_json(said: str) -> str:
    """Which list or table of the environment is no JSON, and how to write it; ``said`` names the field in quotes."""
    name = next((name for name in Settings.model_fields if f'"{name}"' in said), None)
    if name is None:
        return f"settings of the environment: {said}"
    table = isinstance(Settings.model_fields[name].default, dict)
    example = '{"North": 4}' if table else '["first", "second"]'
    return f"LIGHTOFF_{name.upper()} in the environment is no JSON; write it as LIGHTOFF_{name.upper()}='{example}'"


def _beside(path: Path, value: object) -> object:
    """Relative paths in a settings file are relative to that file; URIs and other types pass."""
    if not isinstance(value, str) or "://" in value or Path(value).is_absolute():
        return value
    return str(path.resolve().parent / value)
