"""What several tests with real processes begin with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.system.broker_process import BrokerProcess


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerProcess]:
    broker = BrokerProcess(tmp_path)
    broker.start()
    yield broker
    broker.stop()
