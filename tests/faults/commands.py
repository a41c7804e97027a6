"""The command line in processes of its own, in a private mount namespace where a test needs one."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.settings import PROJECT

ENVIRONMENT = os.environ | {"PYTHONPATH": str(PROJECT)}


def settings_file(folder: Path, lake: Path) -> Path:
    """Settings of a small fleet whose lake is ``lake``."""
    path = folder / f"{lake.parent.name}_{lake.name}.toml"
    path.write_text(f'lake = "{lake}"\nbuckets = 2\n', encoding="utf-8")
    return path


def command(config: Path, *words: str) -> list[str]:
    """The words of one command."""
    return [sys.executable, "-m", "pipeline.cli", "--config", str(config), *words]


def completed(config: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """One command run to its end."""
    return subprocess.run(
        command(config, *words), env=ENVIRONMENT, capture_output=True, text=True, timeout=120, check=False
    )


def may_mount() -> bool:
    """Whether this user may mount a file system in a namespace of its own."""
    if shutil.which("unshare") is None:
        return False
    tried = _unshared("mount -t tmpfs -o size=64k none /mnt")
    return tried.returncode == 0


def mounted(*lines: str) -> subprocess.CompletedProcess[str]:
    """Shell lines in a mount namespace that ends with them."""
    return _unshared("\n".join(lines))


def shell(words: list[str]) -> str:
    """Words as one shell line that says how it ended."""
    return f"{shlex.join(words)}; echo ended with $?; echo ended >&2"


def codes(told: subprocess.CompletedProcess[str]) -> list[int]:
    """Exit codes of the lines made by :func:`shell`."""
    marks = [line.removeprefix("ended with ") for line in told.stdout.splitlines() if line.startswith("ended with ")]
    return [int(mark) for mark in marks]


def check_told(said: str) -> None:
    """What a user reads: one error that says what to do, no traceback."""
    assert "Traceback" not in said
    # On a full disk a thread of the store's own library may say its word on stderr before ours.
    assert "\nlightoff: " in f"\n{said}"
    assert "check rights and space, then run again" in said


def _unshared(lines: str) -> subprocess.CompletedProcess[str]:
    own = ["unshare", "-m"] if os.geteuid() == 0 else ["unshare", "-rm"]
    return subprocess.run(
        [*own, "sh", "-c", lines], env=ENVIRONMENT, capture_output=True, text=True, timeout=240, check=False
    )


needs_mount = pytest.mark.skipif(not may_mount(), reason="may not mount in a namespace of its own")
