"""The report as a browser lays it out: on a phone rows are cards, on a desk tables; nothing is asked of the network."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from html import unescape
from itertools import pairwise
from pathlib import Path
from typing import Any

import invented_speaker
import pytest
from test_report import comparison, report, state

from stillbox.analysis.drawing.layout import picture_bytes
from stillbox.analysis.drawing.pictures import PicturedState, picture_of_findings
from stillbox.analysis.maths.table import Table
from stillbox.analysis.page.report import render_report
from stillbox.analysis.section import ReportPart, ReportPicture, Section

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="chromium, which lays the report out, is not installed")

LEAST_WORDS_PX = 8.0
"""Smallest words of a picture on a phone."""
MEASURE = """
<script>
const box = (e) => { const r = e.getBoundingClientRect(); return [r.left, r.top, r.width, r.height]; };
const found = {
  inside: document.documentElement.scrollWidth <= window.innerWidth,
  width: window.innerWidth,
  images: [...document.images].map((i) => [i.width, i.parentElement.clientWidth, i.parentElement.scrollWidth]),
  below: [...document.querySelectorAll('figcaption')].map((f) => getComputedStyle(f, '::after').content),
  rows: [...document.querySelectorAll('table.cards tbody tr')].map(box),
  cells: [...document.querySelectorAll('table.cards tbody tr:first-child')].map((r) => [...r.cells].map(box)),
  heads: [...document.querySelectorAll('table.cards td')].map(
    (c) => getComputedStyle(c, '::before').getPropertyValue('content')),
  thead: [...document.querySelectorAll('table.cards thead')].map((h) => getComputedStyle(h).display),
  asked: performance.getEntriesByType('resource').map((r) => r.name),
  advice: [...document.querySelectorAll('.advice')].map((a) => [a.closest('table') === null, ...box(a)]),
};
document.body.setAttribute('data-found', JSON.stringify(found));
</script>
"""


def page() -> str:
    fits = invented_speaker.fit(), invented_speaker.fit(invented_speaker.LINED)
    pictured = [
        PicturedState(name, invented_speaker.curve(fit), invented_speaker.report(fit, name))
        for name, fit in zip(("stock", "lined"), fits, strict=True)
    ]
    drawn = picture_bytes(picture_of_findings("A pair", pictured), "png")
    table = Table(("driver", "fit", "95 % interval"), (("Re", "5.61 ± 0.02 ohm", "5.57 to 5.65"),))
    whole = report(
        comparison=comparison(),
        states=(state(), state("lined", invented_speaker.LINED)),
        pictures=(ReportPicture("Both states", drawn, "png"),),
        others=(Section("Driver", (ReportPart("", table, ("a sentence",)),)),),
    )
    return render_report(whole)


def laid_out(tmp_path: Path, width: int) -> dict[str, Any]:
    """What the browser makes of the page in a window of that width; fails on anything it complains of."""
    file = tmp_path / "page.html"
    file.write_text(page().replace("</body>", MEASURE + "</body>"), encoding="utf-8")
    # A headless window is never narrower than some 500 pixels: a frame has the width of a phone.
    outer = tmp_path / "frame.html"
    outer.write_text(
        f'<iframe src="page.html" style="width:{width}px;height:3000px;border:0"></iframe>'
        "<script>onload = () => document.body.setAttribute('data-found', "
        "frames[0].document.body.getAttribute('data-found'));</script>",
        encoding="utf-8",
    )
    assert BROWSER is not None
    ran = subprocess.run(
        [
            BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--allow-file-access-from-files", "--no-first-run",
            "--enable-logging=stderr", "--host-resolver-rules=MAP * ~NOTFOUND", "--disable-background-networking",
            "--disable-dev-shm-usage", f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=5000",
            f"--window-size={max(width, 600) + 40},3200", "--dump-dom", outer.as_uri(),
        ],
        capture_output=True, text=True, timeout=120, check=False, env={**os.environ, "HOME": str(tmp_path)},
    )  # fmt: skip
    complaints = [line for line in ran.stderr.splitlines() if "CONSOLE" in line]
    assert not complaints, complaints
    match = re.search(r'data-found="([^"]*)"', ran.stdout)
    assert match is not None, ran.stderr[-2000:]
    found: dict[str, Any] = json.loads(unescape(match[1]))
    assert found["width"] == width
    assert [name for name in found["asked"] if not name.startswith("data:")] == []
    return found


def test_on_a_phone_rows_are_cards(tmp_path: Path) -> None:
    found = laid_out(tmp_path, 390)
    assert found["inside"]
    assert set(found["thead"]) == {"none"}
    assert all(head not in ("none", '""') for head in found["heads"])
    for cells in found["cells"]:
        seen = [cell for cell in cells if cell[3] > 0]
        assert all(below[1] >= above[1] + above[3] - 1 for above, below in pairwise(seen))
        assert all(cell[0] + cell[2] <= 390 for cell in seen)
    assert found["below"] and all("move it sideways" in said for said in found["below"])
    for wide, shown, scrolled in found["images"]:
        assert scrolled >= wide > shown  # moved sideways, for its words must be read
        assert 9.0 / 72 / 11.0 * wide >= LEAST_WORDS_PX
    for outside, left, _, width, _ in found["advice"]:
        assert outside and left >= 0 and left + width <= 390


def test_on_a_desk_they_are_tables(tmp_path: Path) -> None:
    found = laid_out(tmp_path, 1200)
    assert found["inside"] and set(found["thead"]) == {"table-header-group"}
    for cells in found["cells"]:
        assert len({cell[1] for cell in cells if cell[3] > 0}) <= 1
    assert all(wide <= shown for wide, shown, _ in found["images"])
    assert set(found["below"]) == {"none"}
    assert all(row[0] for row in found["advice"])
