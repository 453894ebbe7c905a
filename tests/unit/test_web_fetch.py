"""Fetching one document: bounded in time and size, unencrypted only at home, and the key goes nowhere else."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread

import pytest

from controller.service.web_fetch import FetchError, Limits, fetch
from controller.site.forecast_checks import is_own_network

SOON = Limits(part_s=0.3, whole_s=0.6, most_bytes=2000)


@dataclass
class Place:
    """A web server of this machine that answers as a test wants; it keeps what it was asked."""

    url: str
    answers: dict[str, Callable[[BaseHTTPRequestHandler], None]] = field(default_factory=dict)
    asked: list[tuple[str, dict[str, str]]] = field(default_factory=list)

    def answer(
        self, path: str, status: int = 200, body: bytes = b"{}", *, length: int | None = None, **headers: str
    ) -> str:
        """Have a path answered with this; its address."""

        def send(handler: BaseHTTPRequestHandler) -> None:
            handler.send_response(status)
            for name, value in headers.items():
                handler.send_header(name.replace("_", "-"), value)
            handler.send_header("Content-Length", str(len(body) if length is None else length))
            handler.end_headers()
            handler.wfile.write(body)

        self.answers[path] = send
        return self.url + path


@pytest.fixture
def place() -> Iterator[Place]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            here.asked.append((self.path, dict(self.headers.items())))
            try:
                here.answers[self.path](self)
            except OSError:
                self.close_connection = True  # The other side hung up, which some tests want.

        def log_message(self, *_: object) -> None:
            """Tests have nothing to say on the terminal."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    here = Place(f"http://127.0.0.1:{server.server_address[1]}")
    thread = Thread(target=server.serve_forever, args=(0.01,))
    thread.start()
    yield here
    server.shutdown()
    server.server_close()
    thread.join()


def why(url: str, limits: Limits = SOON, *, plain_http: bool = True) -> FetchError:
    with pytest.raises(FetchError) as caught:
        fetch(url, {"Authorization": "secret"}, plain_http=plain_http, limits=limits)
    assert "secret" not in str(caught.value)
    return caught.value


# --- as it should be --------------------------------------------------------------------------------------------------


def test_a_document_comes_with_what_it_is_known_by_and_the_headers_were_sent(place: Place) -> None:
    url = place.answer("/daily?at=here", body=b'{"a": 1}', ETag='"v1"')
    found = fetch(url, {"Authorization": "secret"}, plain_http=True, limits=SOON)
    assert (found.body, found.etag) == (b'{"a": 1}', '"v1"')
    path, headers = place.asked[0]
    assert path == "/daily?at=here"
    assert headers["Authorization"] == "secret"
    assert headers["Accept-Encoding"] == "identity"


def test_what_has_not_changed_is_not_sent_again(place: Place) -> None:
    url = place.answer("/", 304, b"")
    assert fetch(url, {}, plain_http=True, etag='"v1"', limits=SOON).body is None
    assert place.asked[0][1]["If-None-Match"] == '"v1"'


def test_a_redirect_on_the_same_server_is_followed(place: Place) -> None:
    place.answer("/new", body=b"[1]")
    assert fetch(place.answer("/old", 301, b"", Location="/new"), {}, plain_http=True, limits=SOON).body == b"[1]"


# --- as it should not -------------------------------------------------------------------------------------------------


def test_a_redirect_elsewhere_is_told_and_never_shown_the_key(place: Place) -> None:
    for elsewhere in ("https://127.0.0.1:1/x", "http://localhost:9/x?key=secret", "ftp://127.0.0.1/", "file:///etc/x"):
        assert "sends us on to" in str(why(place.answer("/", 302, b"", Location=elsewhere)))
    assert "127.0.0.1" in str(why(place.answer("/", 302, b"", Location="http://[bad")))
    assert "127.0.0.1" in str(why(place.answer("/", 302, b"", Location="http://host:port/")))


def test_redirects_in_a_ring_end(place: Place) -> None:
    place.answer("/b", 302, b"", Location="/a")
    assert "more than 3 times" in str(why(place.answer("/a", 302, b"", Location="/b")))
    assert len(place.asked) == 4


def test_too_much_is_not_read_whether_announced_or_not(place: Place) -> None:
    assert "more than 1 KiB" in str(why(place.answer("/", body=b"x" * 2001)))

    def endless(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(200)
        handler.end_headers()
        while True:
            handler.wfile.write(b"x" * 1000)

    place.answers["/endless"] = endless
    assert "more than 1 KiB" in str(why(place.url + "/endless"))


def test_silence_ends(place: Place) -> None:
    place.answers["/"] = lambda _: time.sleep(2.0)
    assert "timed out" in str(why(place.url + "/"))


@pytest.mark.parametrize("head", [b"", b"HTTP/1.0 200 OK\r\n\r\n"], ids=["headers", "body"])
def test_a_drop_now_and_then_does_not_go_on_for_ever(place: Place, head: bytes) -> None:
    def drip(handler: BaseHTTPRequestHandler) -> None:
        handler.wfile.write(head or b"HTTP/1.0 200 OK\r\nX-Long: ")
        for _ in range(30):
            handler.wfile.write(b"x")
            time.sleep(0.1)

    place.answers["/"] = drip
    assert "took longer than 0.6 s" in str(why(place.url + "/"))


def test_an_answer_that_breaks_off_is_none(place: Place) -> None:
    assert "127.0.0.1" in str(why(place.answer("/", body=b"{}", length=50)))


@pytest.mark.parametrize("status", [204, 400, 401, 404, 500])
def test_anything_but_success_is_told(place: Place, status: int) -> None:
    error = why(place.answer("/", status, b""))
    assert f"answered {status}" in str(error)
    assert error.retry_after_s is None


def test_a_busy_server_says_when_to_come_back(place: Place) -> None:
    assert why(place.answer("/", 429, b"", Retry_After="7200")).retry_after_s == 7200.0
    assert why(place.answer("/", 503, b"", Retry_After="99999999")).retry_after_s == 86_400.0
    assert why(place.answer("/", 503, b"", Retry_After="Fri, 31 Dec 1999 23:59:59 GMT")).retry_after_s is None


def test_packed_answers_are_refused(place: Place) -> None:
    assert "packed" in str(why(place.answer("/", Content_Encoding="gzip")))


def test_garbage_is_no_answer(place: Place) -> None:
    def nonsense(handler: BaseHTTPRequestHandler) -> None:
        handler.wfile.write(b"\x00\x01\x02 nonsense\r\n\r\n")

    place.answers["/"] = nonsense
    assert "127.0.0.1" in str(why(place.url + "/"))


def test_nobody_there_is_told() -> None:
    assert "127.0.0.1" in str(why("http://127.0.0.1:1/"))


def test_unencrypted_needs_to_be_allowed(place: Place) -> None:
    assert "not encrypted" in str(why(place.answer("/"), plain_http=False))
    assert not place.asked


def test_an_unencrypted_server_is_no_encrypted_one(place: Place) -> None:
    why(place.answer("/").replace("http://", "https://"))
    assert not place.asked


def test_a_name_that_leads_out_of_the_own_network_is_not_asked_unencrypted(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.service.web_fetch.is_own_network", lambda address: address != "127.0.0.1")
    assert "must be asked by https" in str(why(place.answer("/")))
    assert not place.asked


@pytest.mark.parametrize(
    ("address", "own"),
    [
        ("127.0.0.1", True),
        ("10.1.2.3", True),
        ("192.168.0.9", True),
        ("::1", True),
        ("fe80::1%eth0", True),
        ("fd00::7", True),
        ("::ffff:192.168.0.9", True),
        ("::ffff:9.9.9.9", False),
        ("9.9.9.9", False),
        ("2620:fe::fe", False),
        ("0.0.0.0", False),
    ],
)
def test_which_addresses_are_one_s_own(address: str, own: bool) -> None:
    assert is_own_network(address) is own
