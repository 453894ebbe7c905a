"""What never gets as far as a route: too much, too slow, broken off, or for somebody else."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable
from typing import Any

import httpx
import pytest

from dashboards.http_guard import MAX_BODY_BYTES, MAX_HEADERS, HttpGuard, Receive, Scope, Send, respond

ASKED: list[bytes] = []


async def application(scope: Scope, receive: Receive, send: Send) -> None:
    """Notes the body of every request that gets through."""
    assert scope["type"] == "http"
    ASKED.append((await receive())["body"])
    await respond(send, 200, b"text/plain", b"let through")


@pytest.fixture(autouse=True)
def nothing_asked() -> None:
    ASKED.clear()


def ask(headers: Iterable[tuple[str, str]] = (), path: str = "/", body: Any = None) -> httpx.Response:
    async def asked() -> httpx.Response:
        transport = httpx.ASGITransport(app=HttpGuard(application, body_within_s=0.2))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            method = "GET" if body is None else "POST"
            return await client.request(method, path, headers=list(headers), content=body)

    return asyncio.run(asked())


def test_an_ordinary_request_gets_through() -> None:
    assert ask(body=b"order=hold").text == "let through"
    assert ASKED == [b"order=hold"]


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ([(f"x-{n}", "1") for n in range(MAX_HEADERS)], 431),
        ([("x-long", "y" * 20_000)], 431),
        ([("cookie", "y" * 20_000)], 431),
        ([("host", "127.0.0.1"), ("host", "evil.example")], 421),
    ],
)
def test_too_many_too_long_or_two_hosts(headers: list[tuple[str, str]], status: int) -> None:
    assert ask(headers).status_code == status
    assert ASKED == []


def test_an_address_longer_than_any_of_ours() -> None:
    assert ask(path="/" + "a" * 5000).status_code == 414
    assert ask(path="/?x=" + "a" * 5000).status_code == 414
    assert ASKED == []


@pytest.mark.parametrize("length", ["-1", "1e9", "99999999999999999999999999", "65537", "0x10", "１２"])
def test_a_declared_length_that_is_none_or_too_long(length: str) -> None:
    async def asked() -> int:
        statuses: list[int] = []
        scope = _scope([(b"host", b"127.0.0.1"), (b"content-length", length.encode())])

        async def receive() -> dict[str, Any]:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Scope) -> None:
            statuses.append(message.get("status", 0))

        await HttpGuard(application)(scope, receive, send)
        return statuses[0]

    assert asyncio.run(asked()) == 413
    assert ASKED == []


def test_a_body_that_grows_beyond_what_is_taken() -> None:
    async def endless() -> AsyncIterator[bytes]:
        while True:
            yield b"x" * 4096

    assert ask(body=endless()).status_code == 413
    assert ask(body=b"x" * (MAX_BODY_BYTES + 1)).status_code == 413
    assert ASKED == []


def test_a_body_that_does_not_come_in_time() -> None:
    async def slow() -> AsyncIterator[bytes]:
        for _ in range(100):
            yield b"x"
            await asyncio.sleep(0.05)

    answer = ask(body=slow())
    assert (answer.status_code, answer.headers["connection"]) == (408, "close")
    assert ASKED == []


def test_a_body_that_breaks_off_orders_nothing_not_even_the_part_that_came() -> None:
    async def asked() -> list[Any]:
        sent: list[Any] = []
        messages: list[dict[str, Any]] = [
            {"type": "http.request", "body": b"order=run-zone&volume=1", "more_body": True},
            {"type": "http.disconnect"},
        ]

        async def receive() -> dict[str, Any]:
            return messages.pop(0)

        async def send(message: Scope) -> None:
            sent.append(message)

        await HttpGuard(application)(_scope([(b"host", b"127.0.0.1")]), receive, send)
        return sent

    assert asyncio.run(asked())[0]["status"] == 400
    assert ASKED == []


def _scope(headers: list[tuple[bytes, bytes]]) -> Scope:
    return {
        "type": "http",
        "method": "POST",
        "path": "/orders",
        "raw_path": b"/orders",
        "query_string": b"",
        "scheme": "http",
        "headers": headers,
    }
