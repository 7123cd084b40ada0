"""The sheet in a headless Chromium: nothing on the console, nothing fetched, nothing cut off, one page on A4 and on Letter."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pypdf
import pytest
from selenium import webdriver

from analysis.decision.decide import Decision, decide
from analysis.report.html import sheet_html
from tests.decided import decided, whole
from tests.left_out import typical
from tests.rigs import SHORT
from tests.six import engine_of, job_of_six
from tests.ui.chromium import THERE_IS_ONE, TOO_FAINT, TOO_PALE, started

pytestmark = pytest.mark.skipif(not THERE_IS_ONE, reason="no Chromium with chromedriver on this machine")

WIDTHS = {"phone": 390, "A4": 794, "desktop": 1440}
PAPERS = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}


SHEETS = ("good", "late", "inch", "bare", "cylinders")
FULLEST = {"late": "Letter", "cylinders": "A4"}  # and one of the papers each


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with started() as driver:
        yield driver


@cache
def sheet(name: str) -> str:
    decision: Decision = {
        "good": lambda: whole(),
        "late": lambda: whole(4.0),
        "inch": lambda: whole(0.0, "in"),
        "bare": lambda: decided(SHORT),
        "cylinders": lambda: decide(job_of_six(), engine_of((1, 3, 5), c5_intake=4.0)),
    }[name]()
    return sheet_html(decision)


@pytest.fixture(scope="module", params=typical([name for name in SHEETS if name != "inch"], SHEETS))
def page(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("sheet") / f"{request.param}.html"
    file.write_text(sheet(request.param), encoding="utf-8")
    return file


def opened(browser: webdriver.Chrome, page: Path, width: int) -> None:
    metrics: dict[str, Any] = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get_log("browser"), browser.get_log("performance")  # what went before
    browser.get(page.as_uri())


@pytest.mark.parametrize("width", typical([WIDTHS["phone"], WIDTHS["A4"]], WIDTHS.values()), ids=WIDTHS)
def test_it_opens_without_a_word_a_request_or_an_overflow(browser: webdriver.Chrome, page: Path, width: int) -> None:
    opened(browser, page, width)
    assert browser.get_log("browser") == []
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = {m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"}
    assert {url for url in asked if not url.startswith("data:")} == {page.as_uri()}
    wide, high = browser.execute_script("let e = document.documentElement; return [e.scrollWidth, e.scrollHeight]")
    assert wide <= width
    assert high > 300
    # Only a table may be wider than its place, and then it scrolls there.
    cut = browser.execute_script(
        "return [...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1"
        " && !e.closest('.scroll') && !e.closest('svg')).map(e => e.outerHTML.slice(0, 80))"
    )
    assert cut == []


@pytest.mark.parametrize(
    ("page", "paper"),
    [
        pytest.param(name, size, id=f"{name}-{paper}", marks=[] if FULLEST.get(name) == paper else [pytest.mark.thorough])
        for name in SHEETS
        for paper, size in PAPERS.items()
    ],
    indirect=["page"],
)
def test_it_prints_on_one_page_and_several_cylinders_on_two(
    browser: webdriver.Chrome, page: Path, paper: tuple[float, float]
) -> None:
    opened(browser, page, 1000)
    width, height = paper
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"paperWidth": width, "paperHeight": height, "printBackground": False})
    reader = pypdf.PdfReader(io.BytesIO(base64.b64decode(printed["data"])))
    assert len(reader.pages) == (2 if page.stem == "cylinders" else 1)
    assert "safety" in reader.pages[-1].extract_text().lower()


@pytest.mark.parametrize("media", ["screen", "print"])
def test_every_word_can_be_read_and_every_line_seen(browser: webdriver.Chrome, page: Path, media: str) -> None:
    """Contrast of 4.5 for text and 3 for graphics (WCAG 2.2, 1.4.3 and 1.4.11, level AA)."""
    opened(browser, page, 1280)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": media})
    try:
        assert browser.execute_script(TOO_PALE) == []
        assert browser.execute_script(TOO_FAINT) == []
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_headings_tables_and_plots_carry_their_words(browser: webdriver.Chrome, page: Path) -> None:
    opened(browser, page, 1280)
    tree = browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    roles = [(n["role"]["value"], n.get("name", {}).get("value", "")) for n in tree if not n["ignored"] and "role" in n]
    images = [name for role, name in roles if role in ("image", "img")]
    assert images
    assert all(images)
    assert "Valve lift over crank angle" in images
    headings = [name for role, name in roles if role == "heading"]
    assert headings[0].startswith("Tidewater 4")
    assert all(headings)
    assert any(role == "status" for role, _ in roles)
    described = browser.execute_script("return [...document.querySelectorAll('svg.plot desc')].map(d => d.textContent)")
    assert all(len(text) > 30 for text in described)
    # Every cell of the table against the specification has a header of its column and of its row.
    loose = browser.execute_script(
        "return document.querySelectorAll('tbody tr:not(.group) > :first-child:not(th[scope=row])').length"
    )
    assert loose == 0


def test_it_needs_no_script(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text
    assert "http://" not in text.replace("http-equiv", "")
    assert "https://" not in text
