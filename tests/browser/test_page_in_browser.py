"""The page in a real browser: hostile names stay text; it fits 320 px and A4; light and dark."""

from __future__ import annotations

import html
import re
import shutil
import subprocess
import zlib
from pathlib import Path

import pytest

from pipeline import jobs
from pipeline.report.listing import write_outputs
from pipeline.settings import Settings
from tests.browser.report_lake import SCRIPT, WEEK, fill, weeks_frame
from tests.golden.sample import NOW, small_job

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
        fill(folder / "lake", coming=True), Settings(), "issued", WEEK, folder / "out", weeks_frame()
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
    assert said == f"1 {SCRIPT}"


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


ACTS = """
(() => {
  const press = (name, value, event) => {
    const field = shown.getElementById(name);
    field.value = value;
    field.dispatchEvent(new Event(event));
  };
  const visible = () => [...shown.querySelectorAll(".list tbody")].filter((row) => !row.hidden).map((row) => row.dataset.place).join(" ");
  const said = [visible()];
  press("order", "chance", "change"); said.push(visible());
  press("words", "v-0042", "input"); said.push(visible());
  press("words", "", "input");
  press("depot", "no depot given", "change"); said.push(visible() + " / " + shown.getElementById("shown").textContent);
  return said.join(" | ");
})()
"""


def test_order_search_and_depot_work_without_a_server(page: Path, tmp_path: Path) -> None:
    # Chances 0.999, 0.73, 0.5, 0.41, 0.35, 0.004; V-0042 is the first row; row 5 has no depot.
    said = probed(page, tmp_path, 1100, ACTS)
    assert said == "1 2 3 4 5 6 | 4 1 2 3 6 5 | 1 | 5 / 1 of 6 rows shown"


def test_no_error_and_no_request(page: Path, tmp_path: Path) -> None:
    command = [BROWSER, *FLAGS, f"--user-data-dir={tmp_path}", "--enable-logging=stderr", "--dump-dom", page.as_uri()]
    told = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stderr
    assert "CONSOLE" not in told
    assert not re.search(r"(?:src|href)\s*=\s*\"(?!#|data:)", page.read_text(encoding="utf-8"))


NAMED = """
(() => {
  const wrong = [];
  const doc = shown;
  for (const field of doc.querySelectorAll("select, input")) if (!field.labels.length) wrong.push("no label: " + field.id);
  const levels = [...doc.querySelectorAll("h1, h2, h3, h4")].map((head) => +head.tagName[1]);
  levels.forEach((level, i) => { if (i && level > levels[i - 1] + 1) wrong.push("heading skips a level: " + i); });
  if (levels.filter((level) => level === 1).length !== 1) wrong.push("not one first heading");
  const ids = [...doc.querySelectorAll("[id]")].map((node) => node.id);
  if (new Set(ids).size !== ids.length) wrong.push("an id stands twice");
  for (const part of doc.querySelectorAll("section")) if (!doc.getElementById(part.getAttribute("aria-labelledby"))) wrong.push("section without a name");
  for (const plot of doc.querySelectorAll("svg")) if (plot.getAttribute("role") !== "img" || !(plot.getAttribute("aria-label") || plot.getAttribute("aria-labelledby"))) wrong.push("plot without words");
  for (const link of doc.querySelectorAll("a[href^='#']")) if (!doc.getElementById(link.getAttribute("href").slice(1))) wrong.push("link to nowhere");
  if (!doc.documentElement.lang) wrong.push("no language");
  const light = (text) => { const [r, g, b] = text.match(/[\\d.]+/g).map((n) => { const c = n / 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const paper = light(frame.contentWindow.getComputedStyle(doc.body).backgroundColor);
  for (const node of doc.querySelectorAll("p, td, th, dt, dd, li, h2, summary, figcaption")) {
    const ink = light(frame.contentWindow.getComputedStyle(node).color);
    const ratio = (Math.max(ink, paper) + 0.05) / (Math.min(ink, paper) + 0.05);
    if (ratio < 4.5) wrong.push("contrast " + ratio.toFixed(2) + ": " + node.tagName);
  }
  return wrong.slice(0, 5).join("; ") || "sound";
})()
"""


def test_page_can_be_read_by_everybody(page: Path, tmp_path: Path) -> None:
    # WCAG 2.2: 1.1.1 text alternatives, 1.3.1 structure, 1.4.3 contrast of 4.5, 2.4.6 headings, 3.1.1, 3.3.2 labels.
    assert probed(page, tmp_path, 1100, NAMED) == "sound"


def test_no_rule_of_the_open_accessibility_engine_is_broken(page: Path, tmp_path: Path) -> None:
    axe = pytest.importorskip("axe_core_python", reason="needs the extra `browser`: axe-core as a package")
    engine = next(Path(axe.__file__).parent.rglob("axe.min.js")).read_text(encoding="utf-8")
    # The page's own policy lets no other script in; the copy that is tested goes without it.
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page.read_text(encoding="utf-8"))
    copy = tmp_path / "copy.html"
    run = (
        "axe.run().then((found) => { const said = document.createElement('pre'); said.id = 'axe'; said.textContent = "
        "found.violations.map((rule) => rule.id + ': ' + rule.nodes.map((node) => node.target.join(' ')).slice(0, 3).join(', '))"
        ".join('; ') || 'none of ' + (found.passes.length > 20); document.body.append(said); });"
    )
    copy.write_text(text.replace("</body>", f"<script>{engine}</script><script>{run}</script></body>"), encoding="utf-8")
    dom = browse(tmp_path / "profile", copy, "--dump-dom", "--virtual-time-budget=20000")
    said = re.search(r'<pre id="axe">(.*?)</pre>', dom, re.DOTALL)
    assert said is not None and html.unescape(said.group(1)) == "none of true"


KEYS = """
(() => {
  const wrong = [];
  for (const node of shown.querySelectorAll("[tabindex]")) if (+node.tabIndex > 0) wrong.push("own tab order");
  const reached = [];
  for (const node of shown.querySelectorAll("select, input, summary, a[href], pre[tabindex]")) {
    if (node.closest("details:not([open])") && node.tagName !== "SUMMARY") continue;
    node.focus();
    if (shown.activeElement !== node) wrong.push("no focus: " + node.tagName);
    else if (frame.contentWindow.getComputedStyle(node).outlineStyle === "none" && !node.matches(":focus-visible")) wrong.push("no mark");
    reached.push(node.tagName);
  }
  const fold = shown.querySelector("summary");
  if (fold) { const was = fold.parentNode.open; fold.click(); if (fold.parentNode.open === was) wrong.push("does not open"); }
  return (wrong.slice(0, 4).join("; ") || "reached") + " " + ["SELECT", "INPUT", "A", "SUMMARY"].every((tag) => reached.includes(tag));
})()
"""


def test_every_control_is_reached_with_the_keyboard(page: Path, tmp_path: Path) -> None:
    # WCAG 2.2, 2.1.1 keyboard, 2.4.3 focus order, 2.4.7 focus visible.
    assert probed(page, tmp_path, 1100, KEYS) == "reached true"


def test_the_page_of_the_small_sample_opens_without_an_error(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    job = small_job(tmp_path_factory.getbasetemp())
    week = jobs.newest_week(job.settings, job.lake, NOW)
    made = jobs.make_list(job.settings, job.lake, week, tmp_path / "out", series="replayed").outputs.paths["page.html"]
    command = [BROWSER, *FLAGS, f"--user-data-dir={tmp_path / 'profile'}", "--enable-logging=stderr", "--dump-dom"]
    told = subprocess.run([*command, made.as_uri()], capture_output=True, text=True, timeout=120, check=True)
    assert "CONSOLE" not in told.stderr and "rows shown" in told.stdout
    for width in (320, 1100):
        assert int(probed(made, tmp_path, width, "shown.documentElement.scrollWidth")) == width
    assert probed(made, tmp_path, 1100, NAMED) == "sound"
    assert probed(made, tmp_path, 1100, "shown.querySelectorAll('details pre').length > 0") == "true"
