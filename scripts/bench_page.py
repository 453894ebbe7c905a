"""What is promised of the page, in a real browser: a first view over a poor link, and the way from a click to a valve.

Also a year's pictures. Rows for the table of `scripts/bench`. Site, broker, page, controller and board are real
processes; the garden is virtual.
"""

from __future__ import annotations

import contextlib
import json
import re
import sqlite3
import statistics
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from playwright.sync_api import Browser
from playwright.sync_api import Page as BrowserPage

from dashboards import charts, points
from dashboards.history_page import history
from dashboards.homie import DeviceTree
from dashboards.periods import period_of
from dashboards.senml import StreamRecord
from dashboards.store import DAY_MS, HistoryStore
from dashboards.view import SiteView, read_site
from tests import fake_site
from tests.browser.browsing import chromium, screen
from tests.system.real_garden import ZONE, Garden
from tests.watched_site import Page, Publisher, broker, complete, eventually, free_port

Row = tuple[str, str, str, bool]
LINK = {"latency": 150, "downloadThroughput": 1_600_000 / 8, "uploadThroughput": 750_000 / 8, "offline": False}
FIRST_VIEW_KB, FIRST_VIEW_S = 60.0, 1.5
YEAR_MS, YEAR_DAYS, MINUTE_MS = 150.0, 365, 60_000
VALVE_MEDIAN_MS, VALVE_MOST_MS = 300.0, 1000.0
VIEWS = 5
VIEWED = ("/", "/zone/bench")
LITRES = "1"


def at_most(what: str, value: float, bound: float, unit: str) -> Row:
    return what, f"{value:.1f} {unit}", f"at most {bound:g} {unit}", value <= bound


def plain(what: str, value: str) -> Row:
    return what, value, "", True


def page(directory: Path, orders: int) -> list[Row]:
    """All three."""
    rows = year(directory / "year.sqlite3")
    with chromium() as browser:
        rows += first_view(browser, directory)
        rows += click_to_valve(browser, directory / "garden", orders)
    return rows


# --- a first view ---


def first_view(browser: Browser, directory: Path) -> list[Row]:
    """A phone without anything in its cache, 150 ms from the server, at 1.6 Mbit/s."""
    port = free_port()
    with broker(port):
        site = Publisher(port, days=60)
        site.publish_tree()
        watched = Page(directory, port, "--open-on-loopback")
        try:
            eventually(lambda: complete(watched, site), within_s=60)
            views = {
                path: [view_of(browser, watched.url + path) for _ in range(VIEWS)] for path in ("/", "/zone/bench")
            }
        finally:
            watched.close()
            site.close()
    rows = []
    for path, seen in views.items():
        kilobytes, painted_s, loaded_s = (max(view[n] for view in seen) for n in range(3))
        rows += [
            at_most(f"first view of {path}: transferred", kilobytes, FIRST_VIEW_KB, "kB"),
            plain(f"first view of {path}: first content painted", f"{painted_s:.2f} s"),
            at_most(f"first view of {path}: everything there, slowest of {VIEWS}", loaded_s, FIRST_VIEW_S, "s"),
        ]
    return rows


def view_of(browser: Browser, url: str) -> tuple[float, float, float]:
    """Kilobytes on the wire, seconds to the first content, seconds to the load event."""
    with screen(browser) as page:
        session = page.context.new_cdp_session(page)
        session.send("Network.enable")
        session.send("Network.setCacheDisabled", {"cacheDisabled": True})
        session.send("Network.emulateNetworkConditions", LINK)
        received: list[float] = []
        session.on("Network.loadingFinished", lambda event: received.append(event["encodedDataLength"]))
        page.goto(url, wait_until="load")
        page.wait_for_timeout(300)
        painted_ms = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? -1")
        loaded_ms = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
        assert painted_ms > 0
        assert loaded_ms > 0
        return sum(received) / 1000.0, painted_ms / 1000.0, loaded_ms / 1000.0


# --- a year ---


def year(path: Path) -> list[Row]:
    """The tank's year from one reading a minute, and the whole page of a year."""
    view = site_view()
    store = HistoryStore(str(path))
    fill_year(path, store, view)
    period = period_of("year", None, view.now_ms, view.time_zone)
    frame = period.frame(view.now_ms)
    chart_ms, page_ms = [], []
    for _ in range(7):
        began_s = time.perf_counter()
        picture = charts.tank_chart(store, view, view.tanks[0], frame)
        chart_ms.append(1000.0 * (time.perf_counter() - began_s))
        began_s = time.perf_counter()
        whole = history(store, view, period)
        page_ms.append(1000.0 * (time.perf_counter() - began_s))
    store.close()
    return [
        plain("a year of minutes: the tank's picture", f"{len(picture) / 1000:.1f} kB"),
        at_most("a year of minutes: the tank's picture, slowest of 7", max(chart_ms), YEAR_MS, "ms"),
        plain("a year of minutes: the page with all pictures", f"{len(whole) / 1000:.1f} kB"),
        at_most("a year of minutes: the page with all pictures, median", statistics.median(page_ms), YEAR_MS, "ms"),
    ]


def site_view() -> SiteView:
    now = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)
    now_ms = int(now.timestamp() * 1000)
    tree = DeviceTree("homie")
    for topic, value in fake_site.tree(now, 1943.0, 100).items():
        tree.take(f"homie/5/{topic}", value.encode(), True, now_ms)
    return read_site(tree, tree.sites()[0], now_ms, True)


def fill_year(path: Path, store: HistoryStore, view: SiteView) -> None:
    """One reading a minute in every series a page of a year shows, folded as time went on."""
    units = {"tank.shed.volume": "m3", "tank.shed.volume_sd": "m3", "battery": "V", "temperature": "Cel"}
    units["rain_today"] = "m"
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as db:
        ids = points.SeriesIds(db)
        for day in range(YEAR_DAYS, 0, -1):
            start_ms = view.now_ms - day * DAY_MS
            db.execute("BEGIN")
            for number, (name, unit) in enumerate(units.items(), start=1):
                series = ids.of(view.id, name, unit)
                assert series is not None
                rows = (
                    (series, start_ms + m * MINUTE_MS, v, v, v, 1)
                    for m in range(1440)
                    for v in (number * (0.4 + 0.3 * ((day * 7 + m // 90) % 13) / 13),)
                )
                points.keep(db, rows)
            db.execute("COMMIT")
            # Folding believes no clock that is ahead of the newest record.
            store.add("clock", [StreamRecord(YEAR_DAYS - day + 1, start_ms + DAY_MS, "link", "", {})])
            store.fold(start_ms + DAY_MS)


# --- from a click to a valve ---


class ValveWatch:
    """Looks at what is really so at the virtual board, and notes when its valve opens."""

    def __init__(self, state: Path) -> None:
        self._state = state
        self.opened_s: float | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._stopping.is_set():
            with contextlib.suppress(ValueError, OSError):
                if json.loads(self._state.read_text())["valve_open"]:
                    self.opened_s = time.perf_counter()
                    return
            time.sleep(0.002)

    def stop(self) -> None:
        self._stopping.set()
        self._thread.join()


def click_to_valve(browser: Browser, directory: Path, orders: int) -> list[Row]:
    """Extra water, ordered by a click on a zone's page, real time, everything on this machine."""
    directory.mkdir()
    with garden_with_page(directory) as (garden, watched), screen(browser) as page:
        garden.until_ready()
        eventually(lambda: "Stop everything" in watched.get(), within_s=30)
        spent_ms = [one_order(page, watched.url, garden) for _ in range(orders)]
    return [
        plain("click to valve: orders", str(orders)),
        at_most("click to valve: median", statistics.median(spent_ms), VALVE_MEDIAN_MS, "ms"),
        at_most("click to valve: slowest", max(spent_ms), VALVE_MOST_MS, "ms"),
    ]


@contextlib.contextmanager
def garden_with_page(directory: Path) -> Iterator[tuple[Garden, Page]]:
    garden = Garden(directory)
    try:
        garden.serve()
        watched = Page(directory, garden.broker.port, "--open-on-loopback")
        try:
            yield garden, watched
        finally:
            watched.close()
    finally:
        garden.close()


def one_order(page: BrowserPage, url: str, garden: Garden) -> float:
    """Milliseconds from the click to the open valve; then everything is stopped and made ready again."""
    page.goto(f"{url}/zone/{ZONE}")
    page.get_by_label("Extra water").fill(LITRES)
    valve = ValveWatch(garden.state)
    clicked_s = time.perf_counter()
    page.get_by_role("button", name="Give it now").click(no_wait_after=True)
    eventually(lambda: valve.opened_s is not None, within_s=20)
    valve.stop()
    assert valve.opened_s is not None
    spent_ms = 1000.0 * (valve.opened_s - clicked_s)
    page.goto(url)
    page.get_by_role("button", name="Stop everything").click()
    wait_while(lambda: garden.truth()["valve_open"] or garden.truth()["valves_truly_open"])
    page.get_by_role("button", name=re.compile("Resume watering")).click()
    # The controller counts the last drops before it takes up the next watering.
    time.sleep(4.0)
    return spent_ms


def wait_while(condition: Callable[[], object]) -> None:
    eventually(lambda: not condition(), within_s=30)
