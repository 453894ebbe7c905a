"""Odd messages and site files, a part of what `scripts/fuzz_inputs` sends: taken whole or refused, and nothing else."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

import pytest

from controller.service import mqtt
from controller.service import orders as orders_door
from controller.site import load
from controller.site.model import Site
from tests.scenario import input_fuzz
from tests.scenario.input_fuzz import MAY_CHANGE, OrderFuzz, SiteFuzz


@pytest.fixture
def orders() -> Iterator[OrderFuzz]:
    fuzz = OrderFuzz(1)
    yield fuzz
    fuzz.close()


def test_orders_are_taken_whole_or_change_nothing(orders: OrderFuzz) -> None:
    found = orders.run(12_000)
    assert found.wrong == []
    assert found.tried == 12_000
    assert set(found.accepted) > set(MAY_CHANGE) - {"void-rain", "clear-fault", "run-zone"}, "nearly every kind got in"


def test_site_files_are_taken_whole_or_refused_with_reasons() -> None:
    found = SiteFuzz(1).run(600)
    assert found.wrong == []
    assert 60 < found.let_in < 300, "some are still good files"


def test_the_same_seed_sends_the_same_messages(orders: OrderFuzz) -> None:
    again = OrderFuzz(1)
    assert [orders._message() for _ in range(50)] == [again._message() for _ in range(50)]
    again.close()


def test_a_door_that_let_retained_orders_in_would_be_found_out(
    orders: OrderFuzz, monkeypatch: pytest.MonkeyPatch
) -> None:
    parse = orders_door.parse_order
    monkeypatch.setattr(mqtt, "parse_order", lambda payload, ground, _retained=False: parse(payload, ground, False))
    assert any("retained" in text for text in orders.run(3_000).wrong)


def test_an_answer_that_went_wherever_it_is_asked_for_would_be_found_out(
    orders: OrderFuzz, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt._Session, "_answer_topic", lambda _session, message: message.response_topic or "answer")
    assert any("at somebody else's word" in text for text in orders.run(500).wrong)


def test_an_order_that_changed_more_than_its_own_would_be_found_out(
    orders: OrderFuzz, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(MAY_CHANGE, "hold-zone", set())
    assert any("hold-zone changed" in text for text in orders.run(1_000).wrong)


def test_a_reader_of_site_files_that_stumbles_would_be_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    parse = load.parse_site

    def stumbling(text: str, name: str, time_zones: Collection[str]) -> Site:
        values: dict[str, Any] = {} if "nan L" in text else {"L": 1}
        return parse(text if values["L"] else "", name, time_zones)

    monkeypatch.setattr(input_fuzz, "parse_site", stumbling)
    assert any("KeyError" in text for text in SiteFuzz(2).run(400).wrong)
