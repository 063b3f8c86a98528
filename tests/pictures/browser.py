"""Pages opened in headless Chromium: what it measures, what it complains of, how many sheets it prints."""

from __future__ import annotations

import html
import json
import re
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
WHY_SKIPPED = "NO CHROMIUM HERE: pages are not opened in a browser (Debian: apt-get install chromium)"

# Runs in the page around the frames, not in the report: for each width, what a reader of that width would see.
MEASURE = """
function clashes(svg) {
  const boxes = [...svg.querySelectorAll("text")].map(t => [t.textContent, t.getBoundingClientRect()])
    .filter(([, b]) => b.width > 0);
  const found = [];
  for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
    const [a, b] = [boxes[i][1], boxes[j][1]];
    const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
    const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
    const small = Math.min(a.height, b.height);
    // boxes hold the room of ascenders and descenders too: letters meet only when a third of a line is shared
    if (wide > 0.5 && high > small / 3) found.push(boxes[i][0] + " on " + boxes[j][0]);
  }
  return [boxes.length, found];
}
function contrast(color) {
  const parts = color.match(/[\\d.]+/g).slice(0, 3).map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  return 1.05 / (0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2] + 0.05);
}
onload = () => {
  const told = [...document.querySelectorAll("iframe")].map(frame => {
    const page = frame.contentDocument, root = page.documentElement;
    const svgs = [...page.querySelectorAll("figure svg[role=img]")].map(clashes).filter(([count]) => count > 0);
    const texts = [...page.body.querySelectorAll("*")]
      .filter(e => !e.closest("svg") && [...e.childNodes].some(n => n.nodeType == 3 && n.data.trim()));
    return {width: frame.clientWidth, room: root.clientWidth, scroll: root.scrollWidth,
      texts: svgs.map(s => s[0]), clashes: svgs.flatMap(s => s[1]),
      loaded: frame.contentWindow.performance.getEntriesByType("resource").map(e => e.name),
      contrast: Math.min(...texts.map(e => contrast(frame.contentWindow.getComputedStyle(e).color))),
      smallest: Math.min(...texts.map(e => parseFloat(frame.contentWindow.getComputedStyle(e).fontSize)))};
  });
  document.getElementById("told").textContent = JSON.stringify(told);
};
"""


@dataclass(frozen=True)
class Look:
    """What the browser saw of pages side by side, and what it complained of."""

    frames: list[dict[str, Any]]
    complaints: list[str]


def run_chromium(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run headless Chromium with its profile in a folder of its own."""
    assert CHROMIUM is not None
    common = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run"]
    return subprocess.run(
        [CHROMIUM, *common, f"--user-data-dir={folder / 'profile'}", *arguments],
        capture_output=True, encoding="utf-8", errors="replace", timeout=300, check=False,
    )  # fmt: skip


def look(folder: Path, pages: list[tuple[str, int]]) -> Look:
    """Open pages in frames of given widths [px], all at once."""
    frames = "".join(
        f'<iframe style="border:0;width:{width}px;height:900px" srcdoc="{html.escape(page)}"></iframe>'
        for page, width in pages
    )
    wrapper = folder / "look.html"
    wrapper.write_text(
        f'<!DOCTYPE html><meta charset="utf-8"><script>{MEASURE}</script>{frames}<pre id="told"></pre>',
        encoding="utf-8",
    )
    done = run_chromium(folder, "--enable-logging=stderr", "--virtual-time-budget=4000", "--dump-dom", wrapper.as_uri())
    told = re.search(r'<pre id="told">(.+?)</pre>', done.stdout, re.DOTALL)
    assert told is not None, done.stderr[-2000:]
    complaints = [line.partition("CONSOLE")[2] for line in done.stderr.splitlines() if "CONSOLE" in line]
    return Look(json.loads(html.unescape(told[1])), complaints)


def printed_pages(folder: Path, page: str, paper: str) -> int:
    """Return on how many sheets of a paper (``A4``, ``letter``) a page prints."""
    source, target = folder / "print.html", folder / "print.pdf"
    source.write_text(page.replace("@page {", f"@page {{ size: {paper};"), encoding="utf-8")
    run_chromium(folder, "--no-pdf-header-footer", f"--print-to-pdf={target}", source.as_uri())
    return len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))
