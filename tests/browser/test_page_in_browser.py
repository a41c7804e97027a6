"""The page in a real browser: hostile names stay text; it fits 320 px and A4; light and dark."""

from __future__ import annotations

import html
import re
import shutil
import subprocess
import zlib
from pathlib import Path

import pytest

from pipeline.report.listing import write_outputs
from pipeline.settings import Settings
from tests.browser.report_lake import SCRIPT, WEEK, fill, weeks_frame

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chrome"))), None)
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
]
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        BROWSER is None, reason="no chromium on the path; install it to see the page rendered"
    ),
]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("page")
    return write_outputs(
        fill(folder / "lake"), Settings(), "issued", WEEK, folder / "out", weeks_frame()
    ).paths["page.html"]


def browse(profile: Path, target: Path, *flags: str) -> str:
    command = [BROWSER, *FLAGS, f"--user-data-dir={profile}", *flags, target.as_uri()]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout


def probed(page: Path, folder: Path, width: int, script: str) -> str:
    """What ``script`` says of the page shown in a frame of that width; ``shown`` is the page's document."""
    wrapper = folder / "wrapper.html"
    wrapper.write_text(
        '<!DOCTYPE html><meta charset="utf-8"><body>'
        f'<iframe id="frame" style="width:{width}px;height:900px;border:0" '
        f'srcdoc="{html.escape(page.read_text(encoding="utf-8"))}"></iframe><pre id="said"></pre><script>'
        "const frame = document.getElementById('frame'); frame.onload = () => {"
        "const shown = frame.contentDocument;"
        f"document.getElementById('said').textContent = String({script});}};</script>",
        encoding="utf-8",
    )
    dom = browse(folder / "profile", wrapper, "--dump-dom", "--virtual-time-budget=5000")
    return html.unescape(re.search(r'<pre id="said">(.*?)</pre>', dom, re.DOTALL).group(1))


@pytest.mark.parametrize("width", [320, 1100])
def test_nothing_sticks_out_sideways(page: Path, tmp_path: Path, width: int) -> None:
    assert int(probed(page, tmp_path, width, "shown.documentElement.scrollWidth")) == width


def test_a_script_in_a_name_is_text(page: Path, tmp_path: Path) -> None:
    said = probed(
        page,
        tmp_path,
        1100,
        "shown.scripts.length + ' ' + shown.querySelectorAll('.list .unit')[1].textContent",
    )
    assert said == f"0 {SCRIPT}"


def test_every_row_is_read_as_a_table_row_also_when_stacked(page: Path, tmp_path: Path) -> None:
    said = probed(
        page, tmp_path, 320, "shown.querySelectorAll('table:not([role=table]), td:not([role=cell])').length"
    )
    assert said == "0"


def colours(png: Path) -> tuple[int, int, int]:
    """First pixel of an 8-bit PNG, which is background."""
    data = png.read_bytes()
    packed = b"".join(
        data[match.end() : match.end() + int.from_bytes(data[match.start() - 4 : match.start()], "big")]
        for match in re.finditer(rb"IDAT", data)
    )
    return tuple(zlib.decompress(packed)[1:4])


def test_light_and_dark_follow_the_reader(page: Path, tmp_path: Path) -> None:
    means = {}
    for name, flag in (("light", "preferredColorScheme=1"), ("dark", "preferredColorScheme=0")):
        picture = tmp_path / f"{name}.png"
        browse(
            tmp_path / name,
            page,
            f"--blink-settings={flag}",
            f"--screenshot={picture}",
            "--window-size=900,600",
        )
        means[name] = sum(colours(picture)) / 3
    assert means["light"] > 230
    assert means["dark"] < 50


def test_prints_on_a4(page: Path, tmp_path: Path) -> None:
    pdf = tmp_path / "page.pdf"
    browse(tmp_path / "profile", page, "--no-pdf-header-footer", f"--print-to-pdf={pdf}")
    boxes = re.findall(rb"/MediaBox\s*\[([^\]]+)\]", pdf.read_bytes())
    assert boxes
    width, height = (float(part) for part in boxes[0].split()[2:])
    # A4 is 210 x 297 mm (ISO 216); a point is 1/72 inch.
    assert width == pytest.approx(210 / 25.4 * 72, abs=1)
    assert height == pytest.approx(297 / 25.4 * 72, abs=1)
