"""The real page under attack: floods, silence, guesses, forged forms, odd paths. Nothing changes, the owner gets in."""

from __future__ import annotations

import http.client
import re
import socket
import ssl
import subprocess
import sys
import time
import urllib.parse
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.cli import build_parser
from controller.errors import PumphouseError
from dashboards.accounts import Accounts
from tests.watched_site import MOSQUITTO, Publisher, broker, eventually, free_port

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]
ROOT = Path(__file__).resolve().parents[2]
PASSWORD = "river shed berry bench"
HELD_FIELD = re.compile(r'name="(token|key)" value="([^"]*)"')


Site = tuple[Publisher, int]


class GuardedPage:
    """`pumphouse watch` with accounts, as a process."""

    def __init__(self, folder: Path, mqtt_port: int, *options: str) -> None:
        self.port = free_port()
        self.accounts_file = folder / "accounts.sqlite3"
        words = ["watch", "--mqtt", f"127.0.0.1:{mqtt_port}", "--http", f"127.0.0.1:{self.port}"]
        words += ["--store", str(folder / "history.sqlite3"), "--accounts", str(self.accounts_file), *options]
        self._said = folder / "said"
        with self._said.open("w") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "controller.cli", *words], cwd=ROOT, stdout=out, stderr=subprocess.PIPE
            )
        eventually(lambda: "an account yet" in self._said.read_text(), within_s=20)

    def set_up_link(self) -> str:
        return self._said.read_text().strip().rpartition(" ")[2]

    def close(self) -> str:
        self.process.terminate()
        _, complaints = self.process.communicate(timeout=15)
        assert self.process.returncode == 0
        return complaints.decode()


class Caller:
    """Somebody with a browser's cookies, who comes from an address of their own."""

    def __init__(self, port: int, address: str = "127.0.0.1", tls: ssl.SSLContext | None = None) -> None:
        self.port, self.address, self.tls = port, address, tls
        self.cookies: dict[str, str] = {}
        self.set_cookies: list[str] = []

    def ask(self, method: str, path: str, body: str | None = None, **headers: str) -> tuple[int, str]:
        host, source = ("127.0.0.1", self.port), (self.address, 0)
        connection: http.client.HTTPConnection
        if self.tls is None:
            connection = http.client.HTTPConnection(*host, timeout=30, source_address=source)
        else:
            connection = http.client.HTTPSConnection(*host, timeout=30, source_address=source, context=self.tls)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookies:
            sent["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        connection.request(method, path, body, sent)
        answer = connection.getresponse()
        text = answer.read().decode("utf-8", "replace")
        self.set_cookies = answer.headers.get_all("set-cookie") or []
        for cookie in self.set_cookies:
            name, _, value = cookie.partition(";")[0].partition("=")
            self.cookies[name] = value
        connection.close()
        return answer.status, text

    def send(self, path: str, form: dict[str, str], page: str | None = None, **headers: str) -> int:
        held = dict(HELD_FIELD.findall(self.ask("GET", page or path)[1]))
        own = f"{'https' if self.tls else 'http'}://127.0.0.1:{self.port}"
        about = {"origin": own, "content-type": "application/x-www-form-urlencoded"} | headers
        return self.ask("POST", path, urllib.parse.urlencode(held | form), **about)[0]

    def sign_in(self, password: str, **headers: str) -> int:
        return self.send("/sign-in", {"name": "rosa", "password": password}, **headers)


@pytest.fixture
def site() -> Iterator[Site]:
    """A site, and the port of its broker."""
    port = free_port()
    with broker(port):
        publisher = Publisher(port, days=1)
        publisher.publish_tree()
        yield publisher, port
        publisher.close()


Start = Callable[..., GuardedPage]


@pytest.fixture
def start(tmp_path: Path, site: Site) -> Iterator[Start]:
    """Starts the page with options; what a failing test leaves behind is ended."""
    started: list[GuardedPage] = []

    def page(*options: str) -> GuardedPage:
        started.append(GuardedPage(tmp_path, site[1], *options))
        return started[-1]

    yield page
    for one in started:
        if one.process.poll() is None:
            one.process.kill()
            one.process.communicate(timeout=10)


def raw(port: int, data: bytes, address: str = "127.0.0.2") -> socket.socket:
    plug = socket.create_connection(("127.0.0.1", port), timeout=30, source_address=(address, 0))
    plug.sendall(data)
    return plug


def answer_to(port: int, data: bytes) -> bytes:
    """The first bytes that come back; none when the connection is simply ended."""
    try:
        with raw(port, data, "127.0.0.4") as plug:
            return plug.recv(4096)
    except (ConnectionError, BrokenPipeError):
        return b""


def ended(plug: socket.socket) -> bool:
    plug.settimeout(0.01)
    try:
        return plug.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


def test_under_every_attack_at_once_the_owner_is_served_and_nothing_changes(site: Site, start: Start) -> None:
    page = start()
    owner = Caller(page.port)
    link = urllib.parse.urlsplit(page.set_up_link())
    assert owner.send("/set-up", {"name": "rosa", "password": PASSWORD}, f"/set-up?{link.query}") == 303
    eventually(lambda: owner.ask("GET", "/api/site")[0] == 200)

    # Silence: more connections than there is room for, from six addresses, with half a request head and with none.
    silent = [raw(page.port, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ") for _ in range(40)]
    silent += [raw(page.port, b"", f"127.0.1.{n % 5}") for n in range(150)]
    began_s = time.monotonic()
    assert owner.ask("GET", "/api/site")[0] == 200

    # Floods of head and body, and what is no HTTP at all.
    head = b"POST /orders HTTP/1.1\r\nHost: 127.0.0.1\r\n"
    for data, status in (
        (head + b"X-A: 1\r\n" * 200 + b"\r\n", b"431"),
        (head + b"X-A: " + b"a" * 100_000, b"400"),
        (b"GET /" + b"a" * 100_000, b"400"),
        (head + b"Content-Length: 9999999999\r\n\r\n", b"413"),
        (head + b"Content-Length: 1e9\r\n\r\n", b"400"),
        (head + b"Transfer-Encoding: chunked\r\n\r\n" + b"1000\r\n" + b"a" * 4096, b""),
        (head + b"Transfer-Encoding: chunked\r\nContent-Length: 5\r\n\r\n0\r\n\r\n", b""),
        (head + b"Host: evil.example\r\n\r\n", b"400"),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 200, b"400"),
        (b"\x00" * 2000, b"400"),
        (b"GET / HTTP/9.9\r\nHost: 127.0.0.1\r\n\r\n", b""),
        (b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n", b"421"),
    ):
        if status:
            assert answer_to(page.port, data)[9:12] == status, data[:60]
        else:
            raw(page.port, data, "127.0.0.4").close()
    assert owner.ask("GET", "/api/site")[0] == 200

    # Paths that lead out of ours.
    passwd = b"root:"
    for path in (
        "/static/../../../../etc/passwd",
        "/static/..%2f..%2f..%2fetc/passwd",
        "/static/%2e%2e/%2e%2e/accounts.sqlite3",
        "/static//etc/passwd",
        "/static/..\\..\\accounts.sqlite3",
        "/..%00/etc/passwd",
        "//etc/passwd",
        "/static/%00",
        "/%ff%fe",
    ):
        answer = answer_to(page.port, f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
        assert answer[9:12] in (b"303", b"400", b"401", b"404"), (path, answer[:40])
        assert passwd not in answer
        assert b"SQLite" not in answer

    # Guesses, each as if from another address: what no trusted proxy says is not believed.
    guesser = Caller(page.port, "127.0.0.3")
    statuses = [guesser.sign_in(f"guess number {n} of many", x_forwarded_for=f"198.51.100.{n}") for n in range(12)]
    assert statuses[:5] == [403] * 5
    assert statuses[-1] == 429
    fresh = Caller(page.port)
    assert fresh.sign_in(PASSWORD) == 303, "the owner, from a new browser"

    # Forms that another site makes the owner's browser send.
    token = dict(HELD_FIELD.findall(owner.ask("GET", "/account")[1]))
    forged = urllib.parse.urlencode(token | {"site": "riverside", "order": "stop-all", "name": "rosa"})
    kind = {"content_type": "application/x-www-form-urlencoded"}
    for path in ("/orders", "/people/remove", "/sign-out", "/sign-out-everywhere"):
        for origin in ("http://evil.example", "null", f"http://127.0.0.1:{page.port + 1}"):
            assert owner.ask("POST", path, forged, origin=origin, **kind)[0] == 403
        assert owner.ask("POST", path, forged, **kind)[0] == 403
        assert owner.ask("GET", f"{path}?{forged}")[0] in (200, 404, 405)
    assert owner.ask("GET", "/api/site")[0] == 200

    # Whoever said nothing has been cut off.
    eventually(lambda: all(ended(plug) for plug in silent), within_s=15)
    for plug in silent:
        plug.close()
    assert time.monotonic() - began_s < 40
    complaints = page.close()
    assert site[0].orders == []
    accounts = Accounts(str(page.accounts_file))
    assert [account.person.name for account in accounts.accounts(int(time.time()))] == ["rosa"]
    accounts.close()
    assert "Traceback" not in complaints
    assert "rror" not in complaints
    assert PASSWORD not in complaints
    assert "guess number" not in complaints
    assert not [value for value in owner.cookies.values() if value in complaints]


def certificate(folder: Path) -> tuple[Path, Path]:
    cert, key = folder / "cert.pem", folder / "key.pem"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    words += ["-days", "2", "-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]
    subprocess.run([*words, "-keyout", str(key), "-out", str(cert)], check=True, capture_output=True)
    return cert, key


def test_over_tls_cookies_are_bound_to_the_host_and_old_versions_are_refused(tmp_path: Path, start: Start) -> None:
    cert, key = certificate(tmp_path)
    page = start("--tls-cert", str(cert), "--tls-key", str(key))
    assert page.set_up_link().startswith("https://")
    trusting = ssl.create_default_context(cafile=str(cert))
    owner = Caller(page.port, tls=trusting)
    link = urllib.parse.urlsplit(page.set_up_link())
    assert owner.send("/set-up", {"name": "rosa", "password": PASSWORD}, f"/set-up?{link.query}") == 303
    assert all(cookie.startswith("__Host-") and "; Secure" in cookie for cookie in owner.set_cookies)
    assert owner.ask("GET", "/account")[0] == 200

    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.load_verify_locations(str(cert))
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises(ssl.SSLError):
        Caller(page.port, tls=old).ask("GET", "/healthz")
    assert answer_to(page.port, b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")[:8] != b"HTTP/1.1"
    complaints = page.close()
    assert "Traceback" not in complaints


def test_only_a_proxy_that_was_named_says_who_comes_and_how(start: Start) -> None:
    page = start("--behind-proxy", "127.0.0.9")
    link = urllib.parse.urlsplit(page.set_up_link())
    proxied = Caller(page.port, "127.0.0.9")
    shown = proxied.ask("GET", f"/set-up?{link.query}", x_forwarded_proto="https", x_forwarded_for="198.51.100.7")[1]
    assert all(cookie.startswith("__Host-") for cookie in proxied.set_cookies)
    form = urllib.parse.urlencode(dict(HELD_FIELD.findall(shown)) | {"name": "rosa", "password": PASSWORD})
    status, _ = proxied.ask(
        "POST",
        "/set-up",
        form,
        origin=f"https://127.0.0.1:{page.port}",
        content_type="application/x-www-form-urlencoded",
        x_forwarded_proto="https",
        x_forwarded_for="198.51.100.7",
    )
    assert status == 303
    direct = Caller(page.port)
    direct.ask("GET", "/sign-in", x_forwarded_proto="https")
    assert not [cookie for cookie in direct.set_cookies if cookie.startswith("__Host-")]
    complaints = page.close()
    assert "from 198.51.100.7" in complaints


def test_a_certificate_that_cannot_be_used_is_told_with_its_option(tmp_path: Path) -> None:
    (tmp_path / "cert.pem").write_text("no certificate")
    words = ["watch", "--tls-cert", str(tmp_path / "cert.pem"), "--tls-key", str(tmp_path / "cert.pem")]
    words += ["--accounts", str(tmp_path / "a.sqlite3"), "--store", str(tmp_path / "h.sqlite3")]
    args = build_parser(words).parse_args(words)
    with pytest.raises(PumphouseError, match="--tls-cert"):
        args.run(args)
