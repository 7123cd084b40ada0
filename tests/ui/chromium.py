"""A headless Chromium, where there is one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
THERE_IS_ONE = bool(CHROMIUM and DRIVER)


# As WCAG 2.2 reckons contrast, with the colors that are really drawn.
_CONTRAST = """
const lum = (c) => { const [r, g, b] = c.map(v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
  return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
const color = (text) => (text.match(/[\\d.]+/g) || [255, 255, 255]).map(Number);
const ratio = (one, other) => { const [a, b] = [lum(one), lum(other)].sort((x, y) => x - y); return (b + 0.05) / (a + 0.05); };
"""
# Text whose contrast with what lies behind it is below 4.5.
TOO_PALE = (
    _CONTRAST
    + """
const behind = (e) => { for (; e; e = e.parentElement) { const c = color(getComputedStyle(e).backgroundColor);
  if (c.length < 4 || c[3] > 0) return c.slice(0, 3); } return [255, 255, 255]; };
return [...document.querySelectorAll('body *')].filter(e => e.checkVisibility() && !e.closest('svg')
  && [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
  .map(e => [ratio(color(getComputedStyle(e).color).slice(0, 3), behind(e)), e.textContent]).filter(([ratio]) => ratio < 4.5);
"""
)
# In a picture on paper: words below 4.5, on white and on any area, and lines, dots and edges of areas below 3. What only helps
# the eye along may be fainter: the grid, and places that a pointer finds.
TOO_FAINT = (
    _CONTRAST
    + """
const grounds = [[255, 255, 255], ...[...document.querySelectorAll('svg .area')].map(e => color(getComputedStyle(e).fill))];
const words = [...document.querySelectorAll('svg text')].map(e => [e, color(getComputedStyle(e).fill), grounds, 4.5]);
const shapes = [...document.querySelectorAll('svg :is(polyline, polygon, line, circle):not(.grid, .readout)')]
  .map(e => [e, color(getComputedStyle(e).stroke), grounds.slice(0, 1), 3]);
return [...words, ...shapes].flatMap(([e, drawn, on, least]) => on.map(ground => ratio(drawn.slice(0, 3), ground))
  .filter(found => found < least).map(found => [found, e.outerHTML.slice(0, 60)]));
"""
)


@contextmanager
def started() -> Iterator[webdriver.Chrome]:
    """One, with what it logs and what it asks for kept."""
    options = Options()
    options.binary_location = str(CHROMIUM)
    for argument in ("--headless=new", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars"):
        options.add_argument(argument)
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(DRIVER)))
    try:
        yield driver
    finally:
        driver.quit()
