"""What a person sees in a real browser: the report on a desk and on a phone, drawings at true size.

True size on a screen is 96 px to the inch (W3C, CSS Values and Units, section 6.2): 100 mm is
377.953 px. Without a browser on the machine these are skipped; `.ci/run` installs one.
"""

import json
import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
BROWSER = next(filter(None, map(shutil.which, NAMES)), None)
QUIET = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
PX_PER_MM = 96 / 25.4

pytestmark = pytest.mark.skipif(BROWSER is None, reason="no browser on this machine")


def ask(page: Path, question: str, width: int, folder: Path) -> dict:
    """The value of a script's expression in the loaded page, in a window of that width."""
    answer = (
        "<script>addEventListener('load', () => {const p = document.createElement('pre');"
        f"p.id = 'answer'; p.textContent = JSON.stringify({question}); document.body.append(p)}})"
        "</script>"
    )
    copy = folder / "page.html"
    copy.write_text(page.read_text(encoding="utf-8") + answer, encoding="utf-8")
    profile = f"--user-data-dir={folder / 'profile'}"
    window = f"--window-size={width},900"
    done = subprocess.run(
        [str(BROWSER), *QUIET, profile, window, "--dump-dom", copy.as_uri()],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    found = re.search(r'id="answer">(.*?)</pre>', done.stdout, re.DOTALL)
    assert found, "the page did not load"
    return json.loads(unescape(found.group(1)))


@pytest.mark.parametrize("width", [1200, 500])
def test_the_report_fits_a_desk_and_a_phone_and_asks_nothing_of_the_network(demo, tmp_path, width):
    report = demo / "tide-warden-breastplate" / "report.html"
    seen = ask(
        report,
        "{wide: document.documentElement.scrollWidth, room: innerWidth,"
        " loaded: performance.getEntriesByType('resource').map(e => e.name),"
        " heads: [...document.querySelectorAll('h1, h2')].map(e => e.textContent),"
        " drawn: [...document.querySelectorAll('svg')]"
        "   .filter(e => e.getBoundingClientRect().height > 20).length}",
        width,
        tmp_path,
    )
    assert seen["wide"] <= seen["room"]
    assert seen["loaded"] == []
    assert seen["heads"][0] == "Tide warden, breastplate"
    assert any("base" in head for head in seen["heads"])
    assert seen["drawn"] >= 10, "views of the cast, scales and stretch charts of two plies"


def test_the_check_square_of_a_drawing_is_100_mm_on_the_screen(demo, tmp_path):
    svg = (demo / "tide-warden-greave" / "base.svg").read_text(encoding="utf-8")
    page = tmp_path / "drawing.html"
    page.write_text("<body>" + svg[svg.index("<svg") :] + "</body>", encoding="utf-8")
    seen = ask(
        page,
        "[...document.querySelectorAll('#TEST path, #TEST rect, #TEST polygon')]"
        ".map(e => e.getBoundingClientRect()).map(b => [b.width, b.height])",
        1200,
        tmp_path,
    )
    sizes = [side / PX_PER_MM for side in max(seen, key=lambda b: b[0] * b[1])]
    assert sizes == pytest.approx([100.0, 100.0], abs=0.05)
