"""The readout page and the overlay in a real Chromium, fed by a real byte stream over TCP."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from tests.live.bench import Feed, Running, frame, instrument, running
from tests.workbench.house import AXE, browser, needs_chromium, serious_findings

pytestmark = [needs_chromium, pytest.mark.slow]
PERIOD_S = 0.1


class Player:
    """Sends a frame every tenth of a second, as `what` says, until stopped."""

    def __init__(self, feed: Feed) -> None:
        self.feed, self.count, self.on = feed, 0, True
        self.what: Callable[[int], bytes] = lambda i: frame(f"{6 + (i % 50) / 100:.2f}", unit=1, hold=i % 20 > 9)
        self._thread = threading.Thread(target=self._play, daemon=True)
        self._thread.start()

    def _play(self) -> None:
        self.feed.joined.wait(20)
        while self.on:
            # The server may have gone first; so may a link that is being closed.
            with contextlib.suppress(OSError, AssertionError):
                self.feed.send(self.what(self.count))
            self.count += 1
            time.sleep(PERIOD_S)

    def stop(self) -> None:
        """Stop sending; the line stays open."""
        self.on = False
        self._thread.join(5)


@contextmanager
def played(**options: object) -> Iterator[tuple[Running, Player]]:
    """A service that reads a playing line."""
    feed = Feed()
    player = Player(feed)
    try:
        with running(feed.url, **options) as server:
            yield server, player
    finally:
        player.stop()
        feed.close()


def test_readings_arrive_the_trend_draws_and_a_lost_source_is_shown() -> None:
    """Digits, unit and flags live; when frames stop, the page says so within three periods (and its least second)."""
    with played() as (server, player), browser() as (page_, trouble):
        page: Any = page_
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=ok]")
        assert page.inner_text("live-reading .value").startswith("6.")
        assert page.inner_text("live-reading .unit") == "mg/L"
        page.wait_for_selector("live-reading .flags li:has-text('HOLD')")
        page.wait_for_function("() => Number(document.querySelector('trend-line').dataset.points) >= 5")
        pixels = page.evaluate("""() => { const c = document.querySelector('trend-line canvas');
            const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0;
            for (let i = 3; i < d.length; i += 4) n += d[i] > 0; return n; }""")
        assert pixels > 500
        page.wait_for_function("() => document.querySelector('reading-extremes .n').textContent > 3")
        page.evaluate("""() => { window.lostAt = 0; new MutationObserver(() => { if (!window.lostAt
            && document.querySelector('live-reading').dataset.state === 'stale') window.lostAt = performance.now(); })
            .observe(document.querySelector('live-reading'), {attributes: true}); window.lastAt = 0;
            window.watch = setInterval(() => {}, 1000); }""")
        player.stop()
        stopped = page.evaluate("performance.now()")
        page.wait_for_selector("live-reading[data-state=stale]")
        assert "no signal" in page.inner_text("live-reading .trust")
        # Three periods are 0.3 s; the page waits 0.9 s at least, and looks five times a second.
        assert page.evaluate("window.lostAt") - stopped < 2500
        assert trouble == []


def test_unproven_damaged_and_strange_readings_are_told_by_words_and_shape() -> None:
    """An unknown unit code is unproven; a wrong check is said; neither is ever shown as proven."""
    with played() as (server, player), browser() as (page_, trouble):
        page: Any = page_
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=ok]")
        player.what = lambda i: frame("7.77", unit=9)
        page.wait_for_selector("live-reading[data-state=unproven]")
        assert page.inner_text("live-reading .unit") == "?"
        assert "no label has settled" in page.inner_text("live-reading .trust")
        player.what = lambda i: frame("7.77")[:-1] + b"\x00"
        page.wait_for_selector("live-reading[data-state='bad check'], live-reading[data-state=stale]")
        player.what = lambda i: frame("OL")
        page.wait_for_selector("live-reading[data-state=overload]")
        assert trouble == []


def test_a_name_with_script_in_it_stays_text() -> None:
    """Nothing of a description reaches the page unescaped."""
    from tapwright.live.service import Member, Plan
    from tapwright.live.source import source_of

    feed = Feed()
    payload = "<img src=x onerror=\"document.title='owned'\">"
    player = Player(feed)
    server = Running(Plan(members=(Member(name="pond", instrument=instrument(payload), source=source_of(feed.url)),), port=0))
    try:
        with browser() as (page_, _):
            page: Any = page_
            page.goto(server.url)
            page.wait_for_selector("live-reading[data-state=ok]")
            page.wait_for_function("() => document.getElementById('name').textContent !== 'Instrument'")
            assert page.query_selector("#name img") is None
            assert page.title() != "owned"
    finally:
        player.stop()
        server.stop()
        feed.close()


def test_the_overlay_is_transparent_steady_and_honest() -> None:
    """Digits keep their place as they change, the address styles it, a lost signal is said whatever it asks for."""
    with played() as (server, player), browser(width=800, height=300) as (page_, trouble):
        page: Any = page_
        page.goto(f"{server.url}overlay?size=80&colour=ff8800&show=reading,unit")
        page.wait_for_selector("#reading[data-state=ok]")
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgba(0, 0, 0, 0)"
        assert page.evaluate("getComputedStyle(document.getElementById('reading')).color") == "rgb(255, 136, 0)"
        assert page.evaluate("getComputedStyle(document.getElementById('reading')).fontSize") == "80px"
        assert page.evaluate("document.getElementById('flags').hidden") is True
        player.what = lambda i: frame(["1.11", "8.88", "48.88", "-4.44"][i % 4])
        page.wait_for_timeout(1200)
        places = page.evaluate("""async () => { const seen = new Set(); for (let i = 0; i < 12; i += 1) {
            seen.add(Math.round(document.getElementById('unit').getBoundingClientRect().left));
            await new Promise(done => setTimeout(done, 90)); } return [...seen]; }""")
        assert len(places) == 1
        player.stop()
        page.wait_for_selector("#reading[data-state=stale]")
        assert "no signal" in page.inner_text("#word")
        assert trouble == []


def test_the_overlay_says_doubt_and_stays_in_the_picture() -> None:
    """Whatever the address asks for: an uncertain reading has its words and colour, a wide one shrinks to fit."""
    with played() as (server, player), browser(width=390, height=300) as (page_, trouble):
        page: Any = page_
        for align in ("left", "right", "centre"):
            player.what = lambda i: frame("-48.88", unit=1)
            page.goto(f"{server.url}overlay?size=200&show=reading,unit&align={align}")
            page.wait_for_selector("#reading[data-state=ok]")
            page.wait_for_timeout(600)
            for part in ("value", "unit"):
                edges = page.evaluate(f"""(() => {{ const box = document.getElementById('{part}').getBoundingClientRect();
                    return [box.left, box.right]; }})()""")
                assert edges[0] >= -1, (align, part, edges)
                assert edges[1] <= 391, (align, part, edges)
        assert page.inner_text("#word") == ""
        plain = page.evaluate("getComputedStyle(document.getElementById('value')).color")
        damaged = bytearray(frame("4.44", unit=1))
        damaged[-1] ^= 0x10
        player.what = lambda i: bytes(damaged)
        page.wait_for_selector("#reading[data-state='bad check']")
        assert "bad check" in page.inner_text("#word")
        assert page.evaluate("getComputedStyle(document.getElementById('value')).color") != plain
        assert trouble == []


def test_keys_notes_and_schemes() -> None:
    """M notes, D turns dark and light, 1 to 5 choose the stretch of time, S and T switch; typing is left alone."""
    with played() as (server, _), browser() as (page_, trouble):
        page: Any = page_
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=ok]")
        page.keyboard.press("d")
        first = page.evaluate("document.documentElement.dataset.scheme")
        page.keyboard.press("d")
        assert {first, page.evaluate("document.documentElement.dataset.scheme")} == {"dark", "light"}
        page.keyboard.press("4")
        assert page.inner_text("#ranges button[aria-pressed=true]") == "6 h"
        page.keyboard.press("t")
        assert page.get_attribute(".tone", "aria-pressed") == "true"
        page.keyboard.press("m")
        page.keyboard.type("pump 1 started")
        page.keyboard.press("Enter")
        page.wait_for_selector("bench-tools li:has-text('pump 1 started')")
        assert page.inner_text("#ranges button[aria-pressed=true]") == "6 h"
        assert trouble == []


@pytest.mark.skipif(not AXE.exists(), reason="needs axe-core (npm ci in tests/node)")
def test_the_readout_is_accessible_and_fits_a_phone() -> None:
    """axe-core finds nothing serious; at 390 pixels nothing scrolls sideways."""
    with played() as (server, player), browser(width=390, height=844) as (page_, _trouble):
        page: Any = page_
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.goto(server.url)
            page.wait_for_selector("live-reading[data-state=ok]")
            assert serious_findings(page) == []
            assert page.evaluate("document.documentElement.scrollWidth") <= 391
        player.what = lambda i: frame("-48.88", unit=1)
        page.wait_for_selector("live-reading .value:has-text('48.88')")
        page.wait_for_timeout(300)
        assert page.evaluate("document.documentElement.scrollWidth") <= 391


def test_a_page_opened_after_the_loss_says_how_old_the_reading_is() -> None:
    """The stream begins with the newest reading; its age counts from when it came, not from when the page did."""
    with played() as (server, player), browser() as (page_, trouble):
        page: Any = page_
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=ok]")
        player.stop()
        page.goto("about:blank")
        page.wait_for_timeout(5000)
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=stale]")
        page.wait_for_timeout(400)
        told = page.inner_text("live-reading .when")
        seconds = int("".join(c for c in told.partition(",")[2] if c.isdigit()))
        assert 4 <= seconds <= 30, told
        assert trouble == []


def test_another_unit_or_a_longer_reading_moves_nothing_below_the_figure() -> None:
    """From a bare 8.5 to -0.000 with unit and back: the unit stays beside the digits, the trend where it is."""
    with played() as (server, player), browser(width=700) as (page_, trouble):
        page: Any = page_
        player.what = lambda i: frame("6.85", unit=1)
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=ok]")
        place = """() => ({trend: document.querySelector('trend-line').getBoundingClientRect().top + scrollY,
            beside: document.querySelector('live-reading .unit').getBoundingClientRect().top
                    < document.querySelector('live-reading .value').getBoundingClientRect().bottom})"""
        before = page.evaluate(place)
        for text in ("-8.888", "OL", "6.85"):
            player.what = lambda i, text=text: frame(text, unit=2)
            page.wait_for_function("text => document.querySelector('live-reading .value').textContent.includes(text)",
                                   arg=text.replace("-", "\u2212"))
            now = page.evaluate(place)
            assert now["beside"], text
            assert abs(now["trend"] - before["trend"]) <= 1, text
        assert trouble == []


def test_no_reading_is_not_struck_through_and_every_dash_is_a_minus() -> None:
    """A stale figure is struck through; a dash that stands for no reading is not. format.js turns every hyphen."""
    with played() as (server, player), browser() as (page_, _):
        page: Any = page_
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=ok]")
        struck = "() => getComputedStyle(document.querySelector('live-reading .value')).textDecorationLine"
        assert page.evaluate(struck) == "none"
        player.stop()
        page.wait_for_selector("live-reading[data-state=stale]")
        assert page.evaluate(struck) == "line-through"
        page.evaluate("() => document.querySelector('live-reading .value').toggleAttribute('data-nothing', true)")
        assert page.evaluate(struck) == "none"
        turned = page.evaluate("async () => { const f = await import('/static/format.js');"
                               " return [f.figure('--.-'), f.figure(''), f.figure(null)]; }")
        assert turned == ["\u2212\u2212.\u2212", "\u2013", "\u2013"]


def test_what_happened_while_the_connection_was_away_is_listed_after_it() -> None:
    """A note typed elsewhere while this page is offline stands in its list once it is back, and only once."""
    with played() as (server, _), browser() as (page_, _trouble):
        page: Any = page_
        page.goto(server.url)
        page.wait_for_selector("live-reading[data-state=ok]")
        assert server.ask("POST", "/api/markers", {"text": "pump on"})[0] in (200, 201)
        page.wait_for_selector("bench-tools li:has-text('pump on')")
        line = page.context.new_cdp_session(page)
        line.send("Network.enable")
        away = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        line.send("Network.emulateNetworkConditions", {"offline": True, **away})
        page.evaluate("async () => { (await import('/static/feed.js')).open(); }")  # as when the server was restarted
        page.wait_for_selector("live-reading[data-state=stale]")
        assert server.ask("POST", "/api/markers", {"text": "pump off"})[0] in (200, 201)
        line.send("Network.emulateNetworkConditions", {"offline": False, **away})
        page.wait_for_selector("bench-tools li:has-text('pump off')")
        assert page.locator("bench-tools li").count() == 2
