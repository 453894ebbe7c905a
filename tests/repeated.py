"""A pytest plugin: every test so many times over. `scripts/campaign --elsewhere` uses it."""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--times", type=int, default=1, help="how often each test is run")


@pytest.fixture
def repetition() -> int:
    """Which of the times this is; each test gets it, whether it asks or not."""
    return 0


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    metafunc.fixturenames.append("repetition")
    metafunc.parametrize("repetition", range(metafunc.config.getoption("times")))
