"""One Chromium for all browser tests."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from tests.browser.browsing import CHROMIUM, chromium


@pytest.fixture(scope="package")
def browser() -> Iterator[Browser]:
    """Ends with the last of them: as long as it is driven, this process has an event loop that runs."""
    if CHROMIUM is None:
        pytest.skip("Chromium is not installed")
    with chromium() as started:
        yield started
