"""Twenty seconds of `scripts/chaos`: most of its troubles once, on real processes at the same time."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.system.chaotic_garden import ChaoticGarden
from tests.watched_site import MOSQUITTO

pytestmark = [pytest.mark.system, pytest.mark.skipif(MOSQUITTO is None, reason="Mosquitto is not installed")]


def test_whatever_happens_around_it_the_controller_keeps_every_promise(tmp_path: Path) -> None:
    chaos = ChaoticGarden(tmp_path, 1)
    try:
        assert chaos.run(20.0) == ""
        assert len(chaos.struck) >= 7
    finally:
        chaos.close()
