"""The second screen in a real Chromium: phone and tablet, light and dark, every step, tones, and the link cut.

The page's own clock is put in the test's hand, so that nothing waits for real seconds to pass.
"""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.snapshot import Snapshot
from acquire.procedure.messages import ERROR, Message
from acquire.procedure.session import Place
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, ZERO
from acquire.screen.address import bound
from acquire.screen.server import ScreenServer
from acquire.simulator.scenarios import SCENARIOS
from analysis.live.contacts import Contacts
from tests.left_out import thorough
from tests.ui.chromium import THERE_IS_ONE, TOO_PALE, started
from tests.ui.test_pictures import STEPS, standing_at
from tests.walked import Clock, Walk

pytestmark = pytest.mark.skipif(not THERE_IS_ONE, reason="no Chromium with chromedriver on this machine")

SIZES = {"phone": (390, 844), "small phone": (320, 568), "phone on its side": (844, 390), "tablet": (1180, 820)}
SWEEPING = Place(SWEEP, "exhaust")
PATIENCE_S = 30  # against a hang only
NO_LINK_MS, BEAT_MS = 2000, 500  # what was asked for

# The page's clock and its timer, in the test's hand; how many tones it has sounded; what its policy has refused.
OURS = """
window.now = 1000; window.sounded = 0; window.refused = [];
performance.now = () => window.now;
window.setInterval = (what, ms) => { window.tick = what; window.every = ms; };
const sound = AudioContext.prototype.createOscillator;
AudioContext.prototype.createOscillator = function () { window.sounded += 1; return sound.call(this); };
document.addEventListener('securitypolicyviolation', (event) => window.refused.push(event.violatedDirective));
"""


class Bench:
    """A server on a loop of its own, and between it and the browser a link that can be cut."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.clock = Clock()
        self.server = ScreenServer(bound("127.0.0.1"), self.clock)
        self.writers: set[asyncio.StreamWriter] = set()
        self.cut = False
        self._thread = threading.Thread(target=self.loop.run_until_complete, args=(self._whole(),))
        self._ready: Future[tuple[asyncio.Event, int]] = Future()
        self._thread.start()
        self._end, port = self._ready.result(PATIENCE_S)
        self.address = f"http://127.0.0.1:{port}/{self.server.address.split('/', 3)[3]}"

    async def _whole(self) -> None:
        serving = asyncio.create_task(self.server.serve())
        relay = await asyncio.start_server(self._relay, "127.0.0.1", 0)
        end = asyncio.Event()
        self._ready.set_result((end, relay.sockets[0].getsockname()[1]))
        await end.wait()
        relay.close()
        serving.cancel()
        with suppress(asyncio.CancelledError):
            await serving
        self.drop()

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.cut:
            writer.transport.abort()
            return
        port = int(self.server.address.split(":")[2].split("/")[0])
        there, back = await asyncio.open_connection("127.0.0.1", port)
        self.writers |= {writer, back}
        with suppress(OSError):
            await asyncio.gather(self._pump(reader, back), self._pump(there, writer))
        self.writers -= {writer, back}

    async def _pump(self, source: asyncio.StreamReader, to: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while data := await source.read(1 << 16):
                to.write(data)
        to.transport.abort()

    def drop(self) -> None:
        for writer in list(self.writers):
            writer.transport.abort()

    def do(self, what: Callable[[], None]) -> None:
        """On the loop, and wait for it."""
        done: Future[None] = Future()

        def run() -> None:
            what()
            done.set_result(None)

        self.loop.call_soon_threadsafe(run)
        done.result(PATIENCE_S)

    def show(self, picture: Snapshot) -> None:
        self.do(lambda: self.server.show(picture))

    def close(self) -> None:
        self.do(self._end.set)
        self._thread.join(PATIENCE_S)
        self.loop.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with started() as driver:
        driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": OURS})
        yield driver


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.close()


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> dict[Place, Snapshot]:
    """Every step as the pictures of the live screen show it."""
    found = {}
    for place, blocks in STEPS.items():
        walk = Walk(tmp_path_factory.mktemp("bench") / "job", SCENARIOS["workshop"])
        standing_at(walk, place, blocks)
        found[place] = snapshot_of(walk.station)
        walk.station.close()
    return found


class Page:
    """The page in the browser, opened through the link."""

    def __init__(self, browser: webdriver.Chrome, bench: Bench) -> None:
        self.browser, self.bench = browser, bench

    def open(self, size: tuple[int, int] = SIZES["phone"], scheme: str = "dark") -> Page:
        width, height = size
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": min(size) < 600}
        self.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        self.browser.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        )
        self.browser.get("about:blank")  # the page before lets go of its link
        self.until(lambda: not self.bench.server.viewers or self._knock())
        self.browser.get_log("browser"), self.browser.get_log("performance")
        self.browser.get(self.bench.address)
        self.until(lambda: len(self.bench.server.viewers) == 1)
        return self

    def _knock(self) -> bool:
        self.bench.clock.now += 1.0
        return False

    def shows(self, picture: Snapshot) -> Page:
        """Until the page has drawn it."""
        drawn = "return document.body.dataset.picture || ''"
        before = self.js(drawn)
        self.bench.clock.now += 0.3
        self.bench.show(picture)
        self.until(lambda: self.js(drawn) != before)
        if picture.curve is not None:
            self.until(lambda: self.js("return !document.getElementById('lift').hidden"))
        return self

    def js(self, script: str, *arguments: Any) -> Any:
        return self.browser.execute_script(script, *arguments)

    def until(self, what: Callable[[], bool]) -> None:
        WebDriverWait(self.browser, PATIENCE_S, poll_frequency=0.02).until(lambda _: what())

    def text(self, name: str) -> str:
        return str(self.browser.find_element(By.ID, name).text)

    def after(self, ms: float) -> bool:
        """Let its clock go on, and say whether it is drawn as dead."""
        self.js("window.now += arguments[0]; window.tick()", ms)
        return bool(self.js("return document.body.classList.contains('dead')"))


@pytest.fixture
def page(browser: webdriver.Chrome, bench: Bench) -> Iterator[Page]:
    bench.cut = False
    yield Page(browser, bench)
    browser.get("about:blank")


TYPICAL = (("small phone", "dark"), ("tablet", "light"))  # the narrowest, by night, and the one that has room, by day


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        pytest.param(size, scheme, id=f"{name}-{scheme}", marks=[] if (name, scheme) in TYPICAL else [pytest.mark.thorough])
        for name, size in SIZES.items()
        for scheme in ("light", "dark")
    ],
)
def test_every_step_fits_and_can_be_read(page: Page, pictures: dict[Place, Snapshot], size: tuple[int, int], scheme: str) -> None:
    page.open(size, scheme)
    for place, picture in pictures.items():
        page.shows(picture)
        assert page.text("title") == place.title
        assert not page.js("return document.body.classList.contains('dead')")
        wide = page.js("return document.documentElement.scrollWidth")
        assert wide <= size[0], f"{place} is {wide} wide"
        cut = page.js(
            "return [...document.querySelectorAll('body *')].filter(e => e.checkVisibility() && !e.closest('svg')"
            " && e.getBoundingClientRect().right > innerWidth + 1).map(e => e.outerHTML.slice(0, 90))"
        )
        assert cut == [], place
        assert page.js(TOO_PALE) == [], place
    assert page.browser.get_log("browser") == [], "nothing went wrong, and nothing was refused"
    assert page.js("return window.refused") == []
    messages = [json.loads(entry["message"])["message"] for entry in page.browser.get_log("performance")]
    asked = {m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"}
    assert all(url.startswith((page.bench.address, "data:")) for url in asked), "nothing comes from elsewhere"


@pytest.mark.parametrize(("size", "share"), [("small phone", 0.92), ("tablet", 0.45), *thorough(("phone", 0.92))])
def test_angle_and_lift_fill_the_width(page: Page, pictures: dict[Place, Snapshot], size: str, share: float) -> None:
    page.open(SIZES[size]).shows(replace(pictures[SWEEPING], deg=-123.4, lift_mm=-10.123))
    readings = page.js(
        "return [...document.querySelectorAll('.value')].map(v => [v.querySelector('.number').getBoundingClientRect().left,"
        " v.querySelector('.word').getBoundingClientRect().right, v.textContent, v.parentElement.getBoundingClientRect().width])"
    )
    assert [text for *_, text, _ in readings] == ["123.4BTDC", "-10.123mm"]
    angle, lift = ((right - left) / SIZES[size][0] for left, right, *_ in readings)
    assert share * 0.85 <= angle <= 1
    assert share * 0.85 <= lift <= 1


def test_direction_next_move_and_counts_stand_on_the_first_page(page: Page, pictures: dict[Place, Snapshot]) -> None:
    page.open().shows(pictures[SWEEPING])
    for name in ("readings", "banner", "do", "needs", "lift"):
        assert page.js("return document.getElementById(arguments[0]).getBoundingClientRect().bottom <= innerHeight + 1", name), (
            name
        )
    assert "FORWARD" in page.text("banner")
    assert page.text("do").startswith("Keep turning in the direction of rotation.")
    assert "whole passes" in page.text("needs")
    assert page.js("return document.getElementById('trace').getAttribute('d').length") > 500


def test_a_screen_reader_finds_its_way(page: Page, pictures: dict[Place, Snapshot]) -> None:
    page.open().shows(pictures[SWEEPING])
    tree = page.browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    roles = [(n["role"]["value"], n.get("name", {}).get("value", "")) for n in tree if not n["ignored"] and "role" in n]
    assert any(role == "heading" and "Sweep, exhaust" in name for role, name in roles)
    assert ("button", "Sound is off") in roles
    assert any(role in ("image", "img") and name == "Valve lift over crank angle" for role, name in roles)
    assert any(role == "status" for role, _ in roles)
    assert all(name for role, name in roles if role == "progressindicator")


def test_the_cautions_are_shown_and_nothing_on_the_page_can_be_entered(page: Page, pictures: dict[Place, Snapshot]) -> None:
    page.open().shows(pictures[Place(CAUTIONS)])
    assert "Turn by hand only" in page.text("panel")
    assert "press Enter on the live screen" in page.text("needs")
    assert page.js("return document.querySelectorAll('input, textarea, select, form, a, [contenteditable]').length") == 0
    assert page.js("return [...document.querySelectorAll('button')].map(b => b.id)") == ["sound"]


@pytest.mark.parametrize("place", [Place(DONE), *thorough((Place(RESULT, "exhaust"),))], ids=["done", "result"])
def test_the_result_says_what_to_change_in_its_largest_words(page: Page, pictures: dict[Place, Snapshot], place: Place) -> None:
    page.open().shows(pictures[place])
    sizes = page.js(
        "return [...document.querySelectorAll('main p')].map(p => [parseFloat(getComputedStyle(p).fontSize), p.textContent])"
    )
    largest = max(size for size, _ in sizes)
    assert any("advance it by 4 crank degrees" in text for size, text in sizes if size == largest)


def test_messages_are_text(page: Page, pictures: dict[Place, Snapshot]) -> None:
    said = Message(ERROR, "<img src=x onerror=alert(1)> the cable was pulled")
    page.open().shows(replace(pictures[SWEEPING], messages=(said,)))
    assert page.text("messages") == said.text
    assert page.js("return document.querySelectorAll('img').length") == 0


def test_one_tap_and_it_sounds_at_contacts_slack_and_the_end_of_a_step(page: Page, pictures: dict[Place, Snapshot]) -> None:
    stop = pictures[Place(STOP)]
    first, second = replace(stop, contacts=Contacts((100,), ())), replace(stop, contacts=Contacts((100,), (900,)))
    page.open().shows(first).shows(second)
    assert page.js("return window.sounded") == 0, "no tone before it is asked for"
    box = page.js("const r = document.getElementById('sound').getBoundingClientRect(); return [r.width, r.height]")
    assert min(box) >= 44
    page.browser.find_element(By.ID, "sound").click()
    page.until(lambda: page.text("sound") == "Sound is on")

    def sounds(picture: Snapshot) -> int:
        before = page.js("return window.sounded")
        page.shows(picture)
        return int(page.js("return window.sounded") - before)

    assert sounds(first) == 0
    assert sounds(second) == 1
    assert sounds(replace(second, deg=1.5)) == 0
    assert sounds(pictures[Place(STOP_OUT)]) == 3
    assert sounds(replace(pictures[SWEEPING], back_up=True)) == 3
    assert sounds(pictures[SWEEPING]) == 2
    page.browser.find_element(By.ID, "sound").click()
    page.until(lambda: page.text("sound") == "Sound is off")
    assert sounds(pictures[Place(RIG)]) == 0


def test_a_page_that_hears_nothing_is_dead_within_two_seconds(page: Page, pictures: dict[Place, Snapshot]) -> None:
    page.open()
    assert page.js("return document.body.classList.contains('dead')"), "before the first picture"
    page.shows(pictures[SWEEPING])
    assert not page.after(BEAT_MS + 250), "a beat that is late is no lost link"
    assert not page.after(BEAT_MS)
    page.shows(pictures[Place(ZERO, "exhaust")])
    assert not page.after(1000)
    every = page.js("return window.every")
    assert page.after(NO_LINK_MS - 1000 - every), "with the timer's own lateness before two seconds are over"
    assert "NO LINK to the live screen" in page.text("dead")
    assert "line-through" in page.js("return getComputedStyle(document.querySelector('.number')).textDecorationLine")
    assert page.js(TOO_PALE) == []


def test_a_beat_keeps_it_alive_where_nothing_moves(page: Page, pictures: dict[Place, Snapshot]) -> None:
    page.open().shows(pictures[SWEEPING])
    for _ in range(5):
        assert not page.after(1000)
        page.bench.clock.now += BEAT_MS / 1000
        page.bench.show(pictures[SWEEPING])
        page.until(lambda: bool(page.js("return heard === window.now")))


def test_the_link_is_cut_and_comes_back(page: Page, pictures: dict[Place, Snapshot]) -> None:
    page.open().shows(pictures[SWEEPING])
    page.bench.cut = True
    page.bench.do(page.bench.drop)
    assert page.after(NO_LINK_MS)
    assert page.text("dead").startswith("NO LINK to the live screen. What stands here is 2 s old.")
    page.bench.cut = False
    page.js("window.now += 5000; window.tick()")  # it tries again by itself
    page.until(lambda: bool(page.bench.server.viewers) or page._knock())
    page.shows(replace(pictures[SWEEPING], deg=77.7))
    assert not page.js("return document.body.classList.contains('dead')")
    assert "77.7" in page.text("readings")
