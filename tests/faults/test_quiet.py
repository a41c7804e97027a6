"""Nothing is sent anywhere: commands and flows run where there is no network, and never ask for one.

A network namespace of its own has loopback and no way out. The kernel counts in it whoever asks for a way out
(``OutNoRoutes``: a connection, a datagram, a name that is looked up), also in threads, libraries and child processes, and
also where the program passes over the error. Controls show that it does.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.settings import PROJECT
from tests.golden.sample import fleet, small_exports

# Brings loopback up (SIOCSIFFLAGS, IFF_UP | IFF_RUNNING), runs the program, tells what the kernel counted.
_INSIDE = """
import fcntl, json, os, socket, struct, subprocess, sys
with socket.socket() as one:
    fcntl.ioctl(one, 0x8914, struct.pack("16sh14x", b"lo", 0x41))
def counted():
    found = {}
    for name in ("snmp", "snmp6"):
        lines = [line.split() for line in open(f"/proc/net/{name}")]
        if name == "snmp6":
            found |= {key: int(value) for key, value in lines}
        else:
            for head, row in zip(lines[::2], lines[1::2]):
                found |= {head[0][:-1] + key: int(value) for key, value in zip(head[1:], row[1:])}
    return found
before = counted()
code = subprocess.run(sys.argv[2:]).returncode
after = counted()
json.dump({"code": code, **{key: after[key] - before.get(key, 0) for key in after}}, open(sys.argv[1], "w"))
"""
_NAMED = "import socket\ntry: socket.getaddrinfo('example.invalid', 443)\nexcept OSError: pass"
_CONTROLS = {
    "a connection": "import socket\ntry: socket.create_connection(('192.0.2.1', 443), 2)\nexcept OSError: pass",
    "a datagram": "import socket\ntry: socket.socket(type=socket.SOCK_DGRAM).sendto(b'x', ('192.0.2.1', 9))\n"
    "except OSError: pass",
    "a datagram of a child": "import subprocess, sys\nsubprocess.run([sys.executable, '-c', \"import socket\\n"
    "try: socket.socket(type=socket.SOCK_DGRAM).connect(('192.0.2.1', 9))\\nexcept OSError: pass\"])",
}


def _permitted() -> bool:
    if shutil.which("unshare") is None:
        return False
    tried = subprocess.run(["unshare", "-rn", "true"], capture_output=True, check=False)
    return tried.returncode == 0 and Path("/proc/net/snmp").exists()


pytestmark = pytest.mark.skipif(not _permitted(), reason="needs leave to make a network namespace: unshare -rn")


def counts(folder: Path, *words: str) -> dict[str, int]:
    """What the kernel counted while a program ran without a network."""
    kept, home = folder / "counts.json", folder / "home"
    home.mkdir(exist_ok=True)
    quiet = {"PYTHONPATH": str(PROJECT), "HOME": str(home), "PREFECT_HOME": str(home / "prefect")}
    passed = {name: value for name, value in os.environ.items() if not name.startswith(("PREFECT_", "DO_NOT_TRACK"))}
    done = subprocess.run(
        ["unshare", "-rn", sys.executable, "-c", _INSIDE, str(kept), *words],
        env=passed | quiet, cwd=folder, capture_output=True, text=True, check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(kept.read_text())
    assert found["code"] in (0, 3), f"{done.stdout[-2000:]}{done.stderr[-2000:]}"
    return found


def asked(found: dict[str, int]) -> dict[str, int]:
    """What speaks of somebody who wanted out: no way found, or a datagram sent (a name server may be on loopback)."""
    wanted = ("IpOutNoRoutes", "Ip6OutNoRoutes", "UdpOutDatagrams", "Udp6OutDatagrams", "UdpNoPorts")
    return {name: found[name] for name in wanted if found.get(name)}


@pytest.mark.parametrize("what", _CONTROLS)
def test_the_kernel_counts_who_asks_for_a_way_out(what: str, tmp_path: Path) -> None:
    assert asked(counts(tmp_path, sys.executable, "-c", _CONTROLS[what]))


def test_a_name_that_is_looked_up_is_counted(tmp_path: Path) -> None:
    assert asked(counts(tmp_path, sys.executable, "-c", _NAMED))


def test_talk_on_loopback_is_not_counted(tmp_path: Path) -> None:
    served = (
        "import socket\nnear = socket.create_server(('127.0.0.1', 0))\n"
        "far = socket.create_connection(near.getsockname())\nfar.sendall(b'x')\n"
    )
    found = counts(tmp_path, sys.executable, "-c", served)
    assert not asked(found) and found["TcpActiveOpens"] == 1


@pytest.mark.slow
@pytest.mark.parametrize(
    "words", [("weekly",), ("nightly",), ("housekeep",), ("schedule", "--print"), ("runs",)], ids=lambda words: words[0]
)
def test_commands_ask_for_no_network(
    words: tuple[str, ...], tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    job = fleet(tmp_path, small_exports(tmp_path_factory.getbasetemp()), buckets=1)
    program = "from pipeline.cli import main; main()"
    found = counts(tmp_path, sys.executable, "-c", program, "--config", str(job.config), *words)
    assert asked(found) == {}
    assert found["TcpActiveOpens"] == 0  # not even a server on loopback
    assert (Path(job.settings.out).exists()) == (words[0] == "weekly")


@pytest.mark.slow
def test_a_flow_asks_for_no_network_but_its_own_server(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    job = fleet(tmp_path, small_exports(tmp_path_factory.getbasetemp()), buckets=1)
    program = f"from pipeline.flows import weekly_flow; print(weekly_flow({str(job.config)!r}))"
    found = counts(tmp_path, sys.executable, "-c", program)
    assert asked(found) == {}
    assert found["TcpActiveOpens"] > 0  # the private server on loopback
    assert (job.folder / "list.csv").is_file()
