"""The page in a real browser: it lays out on a phone and on a desk, in light and dark, and refreshes itself."""

from __future__ import annotations

import html
import re
import shutil
import struct
import subprocess
import threading
import zlib
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from tests.watched_site import MOSQUITTO, Page, Publisher, broker, complete, eventually, free_port

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
)

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed"),
]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    port = free_port()
    with broker(port):
        site = Publisher(port, days=60)
        site.publish_tree()
        watched = Page(tmp_path_factory.mktemp("store"), port)
        eventually(lambda: complete(watched, site), within_s=30)
        yield watched
        watched.close()
        site.close()


def chromium(profile: Path, url: str, *options: str) -> str:
    assert CHROMIUM is not None
    words = [CHROMIUM, *FLAGS, f"--user-data-dir={profile}", *options, url]
    return subprocess.run(words, capture_output=True, timeout=60, check=True).stdout.decode()


def pixels(path: Path) -> tuple[int, int, list[bytes]]:
    """Width, height and the rows of a PNG without interlacing, as raw bytes (PNG specification, sections 9 and 11)."""
    data = path.read_bytes()
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    width, height, _depth, colour = struct.unpack(">IIBB", data[16:26])
    at, packed = 8, b""
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        if data[at + 4 : at + 8] == b"IDAT":
            packed += data[at + 8 : at + 8 + length]
        at += 12 + length
    stride = width * {2: 3, 6: 4}[colour]
    raw = zlib.decompress(packed)
    rows, before = [], bytearray(stride)
    for y in range(height):
        start = y * (stride + 1)
        before = _unfiltered(raw[start], bytearray(raw[start + 1 : start + 1 + stride]), before, stride // width)
        rows.append(bytes(before))
    return width, height, rows


def _unfiltered(kind: int, row: bytearray, above: bytearray, step: int) -> bytearray:
    for i in range(len(row)):
        left = row[i - step] if i >= step else 0
        corner = above[i - step] if i >= step else 0
        if kind == 1:
            row[i] = (row[i] + left) & 255
        elif kind == 2:
            row[i] = (row[i] + above[i]) & 255
        elif kind == 3:
            row[i] = (row[i] + (left + above[i]) // 2) & 255
        elif kind == 4:
            guess = left + above[i] - corner
            candidates = (left, above[i], corner)
            row[i] = (row[i] + min(candidates, key=lambda c: abs(guess - c))) & 255
    return row


@pytest.mark.parametrize(("width", "height"), [(360, 1200), (1280, 900)])
def test_the_page_fills_a_screen_of_this_size(tmp_path: Path, page: Page, width: int, height: int) -> None:
    shot = tmp_path / "page.png"
    chromium(tmp_path / "profile", page.url, f"--window-size={width},{height}", f"--screenshot={shot}")
    seen_width, seen_height, rows = pixels(shot)
    assert (seen_width, seen_height) == (width, height)
    marked = sum(len(set(row)) > 3 for row in rows)
    assert marked > height * 0.6


def test_dark_is_dark_and_light_is_light(tmp_path: Path, page: Page) -> None:
    means = []
    for scheme in (0, 1):
        shot = tmp_path / f"{scheme}.png"
        options = (f"--blink-settings=preferredColorScheme={scheme}", "--window-size=360,400", f"--screenshot={shot}")
        chromium(tmp_path / f"profile{scheme}", page.url, *options)
        rows = pixels(shot)[2]
        means.append(sum(map(sum, rows)) / sum(map(len, rows)))
    assert means[0] < 110
    assert means[1] > 200


def test_what_matters_is_in_the_document(tmp_path: Path, page: Page) -> None:
    dom = chromium(tmp_path / "profile", page.url, "--dump-dom", "--window-size=360,800")
    for wanted in ("Riverside allotment", "Watering Salad beds", "Where the water went", "Not drinking water"):
        assert wanted in dom
    assert dom.count('role="img"') >= 4


def test_nothing_is_wider_than_a_small_phone(tmp_path: Path, page: Page) -> None:
    """Measured in a frame of a phone's width, because a browser window cannot be as narrow."""
    css = page.get("/static/page.css")
    body = page.get("/").partition("<body>")[2].partition("</body>")[0]
    framed = html.escape(f"<!doctype html><meta charset=utf-8><style>{css}</style>{body}", quote=True)
    measure = (
        "onload = () => { const seen = document.querySelector('iframe').contentWindow;"
        "document.title = `${seen.document.documentElement.scrollWidth} of ${seen.innerWidth}`; }"
    )
    file = tmp_path / "measure.html"
    frame = f'<iframe width=360 height=800 style="border: 0" srcdoc="{framed}"></iframe>'
    file.write_text(f"<!doctype html><meta charset=utf-8><script>{measure}</script>{frame}", encoding="utf-8")
    dom = chromium(tmp_path / "profile", file.as_uri(), "--dump-dom", "--window-size=800,900")
    widths = re.search(r"<title>(\d+) of (\d+)</title>", dom)
    assert widths is not None
    assert (int(widths[1]), int(widths[2])) == (360, 360)


class Intermediary(BaseHTTPRequestHandler):
    """Passes the page on, but answers requests for its part with something else."""

    page: Page
    part: str | None

    def do_GET(self) -> None:
        refreshing = self.path.startswith("/part/present")
        text = self.part if refreshing else self.page.get(self.path)
        body = (text or "").encode()
        self.send_response(200 if text else 503)
        kind = "javascript" if self.path.endswith(".js") else "css" if self.path.endswith(".css") else "html"
        self.send_header("Content-Type", f"text/{kind}; charset=utf-8")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Keep quiet."""


def refreshed(tmp_path: Path, page: Page, part: str | None) -> str:
    """The document twelve seconds after it was loaded, when its refreshed part was `part` (None: the server failed)."""
    handler = type("Passing", (Intermediary,), {"page": page, "part": part})
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        serving = threading.Thread(target=server.serve_forever)
        serving.start()
        url = f"http://127.0.0.1:{server.server_port}/"
        dom = chromium(tmp_path / "profile", url, "--dump-dom", "--virtual-time-budget=12000")
        server.shutdown()
        serving.join()
    return dom


def test_the_page_refreshes_itself_without_being_loaded_again(tmp_path: Path, page: Page) -> None:
    dom = refreshed(tmp_path, page, '<h1>Riverside</h1><h2 id="doing-h">Something new</h2>')
    assert "<title>Something new – Riverside</title>" in dom
    assert "Watering Salad beds" not in dom
    assert "Where the water went" in dom


def test_a_page_that_cannot_reach_its_server_says_since_when(tmp_path: Path, page: Page) -> None:
    dom = refreshed(tmp_path, page, None)
    assert "this page cannot reach its server since" in dom
    assert "Watering Salad beds" in dom
