"""The JSON interface does what its own description says, whatever it is asked, and breaks at nothing."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import GenerationMode
from schemathesis.specs.openapi.checks import ignored_auth, negative_data_rejection

from controller.service.orders import ORDER_SHAPES
from dashboards.app import build_routes
from dashboards.gate import Gate
from dashboards.http_guard import HttpGuard
from dashboards.pace import Pace
from dashboards.routes_programs import KINDS
from tests.unit.signed_in import NOW_S, House

PATHS = ("/healthz", "/api/site", "/api/sites", "/api/series", "/api/history", "/api/orders")
EXAMPLES = 60
NOT_OURS = [ignored_auth, negative_data_rejection]
"""That nothing is answered without a token is proved for every route in test_gate.py. Parameters that are not described
are passed over, as is usual."""


class Interface:
    """The guarded application with the description it gives of itself, and a token to ask with."""

    def __init__(self, house: House) -> None:
        token = house.accounts.add_token("tester", "act", None, "rosa", NOW_S)
        self.headers = {"authorization": f"Bearer {token}"}
        unhurried = Pace(1e6, 1_000_000)
        gate = Gate(build_routes(house.feed, house.door), house.door, unhurried, unhurried)
        guarded = HttpGuard(gate, ("testserver",))
        self.schema = schemathesis.openapi.from_asgi("/openapi.json", guarded, headers=self.headers)


@pytest.fixture(scope="module")
def interface() -> Iterator[Interface]:
    with tempfile.TemporaryDirectory() as folder:
        house = House(Path(folder))
        house.add("rosa", "keep")
        yield Interface(house)
        house.close()


def test_the_description_lists_every_part_of_the_interface(interface: Interface) -> None:
    described = set(interface.schema.raw_schema["paths"])
    assert set(PATHS) <= described
    assert all(path.startswith("/api/") or path == "/healthz" for path in described)


def test_programs_may_order_whatever_the_controller_takes() -> None:
    assert set(KINDS) == set(ORDER_SHAPES)


@pytest.mark.parametrize("mode", list(GenerationMode))
def test_every_question_gets_an_answer_of_a_described_kind(interface: Interface, mode: GenerationMode) -> None:
    """Questions made from the description, sound and broken ones: every answer's status, type and shape is one that is
    described, and none is a failure of the server."""
    asked: dict[str, int] = {}
    for found in interface.schema.get_all_operations():
        operation = found.ok()

        @settings(
            max_examples=EXAMPLES,
            deadline=None,
            database=None,
            derandomize=True,
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(generation_mode=mode))
        def ask(case: schemathesis.Case) -> None:
            asked[case.path] = asked.get(case.path, 0) + 1
            case.call_and_validate(headers=interface.headers, excluded_checks=NOT_OURS)

        if mode is GenerationMode.POSITIVE or next(iter(operation.query), None) is not None:
            ask()
    assert asked["/api/history"] >= EXAMPLES
    assert asked["/api/site"] >= EXAMPLES
