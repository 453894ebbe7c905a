"""The account of a season in a real browser: fit for everybody on a phone and a desk, and for paper."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from controller.account.events import Event
from controller.account.made import account_of
from controller.commands.account import write_account
from tests.browser.browsing import DESK, PHONE, screen, serious_findings, wider_than_screen_px
from tests.unit.account_events import BED, EXAMPLE, day, delivery, fault, ledger, measure, refusal, site_day, zone_day

pytestmark = pytest.mark.system
DAYS = 60


def written(directory: Path) -> str:
    """Sixty made-up days with something in every section."""
    events: list[Event] = []
    measures: list[Event] = []
    stored_ml = 900_000
    for n in range(DAYS):
        entries_ml = {"rain": 4000 if n % 5 == 0 else 0, f"zone:{BED}": -6000, "evaporation": -150}
        events += [delivery(n + 0.3), refusal(n + 0.5, BED, "tank-reserve"), ledger(n, stored_ml, entries_ml)]
        events += [
            site_day(n, 2.0 if n % 5 == 0 else 0.0),
            zone_day(n, refusal="too little", planned_l=4.0, applied_l=6.0),
        ]
        stored_ml += sum(entries_ml.values())
        level_l = stored_ml / 1000.0
        measures.append(measure(n + 0.5, tank__main__volume_l=level_l, battery_v=12.7, battery_charge_percent=90.0))
    events += [fault(3.0, "leak:main", True), fault(9.0, "leak:main", False), fault(50.0, "catch-lost:main", True)]
    write_account(account_of(EXAMPLE, events, measures), directory)
    return (directory / "account.html").as_uri()


def test_the_account_is_fit_for_everybody_and_for_paper(browser: Browser, tmp_path: Path) -> None:
    address = written(tmp_path)
    with screen(browser) as page:
        page.goto(address)
        expect(page.get_by_role("heading", level=1)).to_have_text(EXAMPLE.name)
        expect(page.get_by_role("row", name=f"Closing, {day(DAYS - 1)}")).to_contain_text("579 L")
        for size in (PHONE, DESK):
            page.set_viewport_size({"width": size[0], "height": size[1]})
            assert wider_than_screen_px(page) == 0, size
            assert serious_findings(page) == [], size
        assert page.get_by_role("img").count() >= 8
        page.emulate_media(media="print")
        # A4 less the margins, at 96 pixels an inch: nothing may be cut off at the edge of the paper.
        page.set_viewport_size({"width": 688, "height": 1000})
        assert wider_than_screen_px(page) == 0
        cut = page.evaluate(
            "[...document.querySelectorAll('.wide')].filter((e) => e.scrollWidth > e.clientWidth).length"
        )
        assert cut == 0
