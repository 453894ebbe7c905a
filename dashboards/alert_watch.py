"""What the alerts are told about the sites: their findings, and what only the page can see: that one is lost or gone.

Pure: standings in, observations out. A site that has not changed since the last time is left out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any

from dashboards.alert_model import DAY_MS, Observed, Open
from dashboards.standing import Standing

LOST, STOPPED, GONE, BROKER_LOST = "site-lost", "site-stopped", "site-gone", "broker-lost"
OWN = (LOST, STOPPED, GONE)
THE_PAGE = ""
"""Stands for a site where it is the page itself that has something to say."""
FORGOTTEN_AFTER_MS = 7 * DAY_MS


@dataclass(slots=True)
class _Known:
    name: str
    gone_since_ms: int | None = None


class SiteWatch:
    """Remembers which sites there are; `dump` goes through JSON."""

    def __init__(self, lost_after_ms: int, broker_lost_after_ms: int, kept: dict[str, Any] | None = None) -> None:
        self._lost_after_ms = lost_after_ms
        self._broker_lost_after_ms = broker_lost_after_ms
        self._known = {site_id: _Known(*entry) for site_id, entry in (kept or {}).items()}
        self._seen: dict[str, Standing] = {}

    def site_ids(self) -> Collection[str]:
        """All sites there are, heard at this moment or not."""
        return self._known.keys()

    def dump(self) -> dict[str, Any]:
        return {site_id: [known.name, known.gone_since_ms] for site_id, known in self._known.items()}

    def observed(self, standings: Iterable[Standing] | None, now_ms: int, broker: str) -> list[Observed]:
        """What is new; `standings` None: there is no connection to `broker`, so nothing is known of any site."""
        if standings is None:
            return [Observed(THE_PAGE, "", (self._broker_lost(broker),))]
        found = [Observed(THE_PAGE, "", ())]
        heard = set()
        for standing in standings:
            heard.add(standing.id)
            self._known[standing.id] = _Known(standing.name)
            if self._seen.get(standing.id) is not standing:
                self._seen[standing.id] = standing
                found.append(self._site(standing))
        for site_id in self._known.keys() - heard:
            self._seen.pop(site_id, None)
            known = self._known[site_id]
            known.gone_since_ms = now_ms if known.gone_since_ms is None else min(known.gone_since_ms, now_ms)
            found.append(Observed(site_id, known.name, (self._gone(),), others_unknown=True))
        return found

    def no_more(self, now_ms: int) -> list[str]:
        """Sites of which nothing was heard for so long that they are taken for given up; they are forgotten with it."""
        names = [
            site_id
            for site_id, known in self._known.items()
            if known.gone_since_ms is not None and now_ms - known.gone_since_ms > FORGOTTEN_AFTER_MS
        ]
        for site_id in names:
            del self._known[site_id]
        return names

    def _site(self, standing: Standing) -> Observed:
        if standing.state == "lost":
            return Observed(standing.id, standing.name, (self._lost(),), True, (STOPPED, GONE))
        if not standing.live:
            return Observed(standing.id, standing.name, (self._stopped(),), True, (LOST, GONE))
        if standing.findings is None:
            return Observed(standing.id, standing.name, (), True, OWN)
        findings = tuple(
            Open(finding.id, finding.severity, finding.text, finding.cure, since_ms=finding.since_ms)
            for finding in standing.findings
            if finding.id
        )
        return Observed(standing.id, standing.name, findings)

    def _lost(self) -> Open:
        text = "the controller does not answer any more; what it does and whether it waters is not known"
        cure = "look whether it has power and network; the board shuts everything off by itself when its lease ends"
        return Open(LOST, "fault", text, cure, self._lost_after_ms)

    def _stopped(self) -> Open:
        text = "the controller was stopped and has not been started again: nothing is watered"
        return Open(STOPPED, "warning", text, "start it again when the work is done", self._lost_after_ms)

    def _gone(self) -> Open:
        text = "the broker knows nothing of this site any more"
        cure = "look whether its controller reaches the broker; nothing is to be done if the site was given up"
        return Open(GONE, "warning", text, cure, self._lost_after_ms)

    def _broker_lost(self, broker: str) -> Open:
        text = f"the page has no connection to the broker {broker}, so nothing is known of any site"
        return Open(
            BROKER_LOST, "fault", text, "look whether the broker runs and the network is up", self._broker_lost_after_ms
        )
