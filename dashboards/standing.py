"""How each of many sites stands, in the few values a list of sites and the alerts need; and who needs somebody first.

A site's standing is worked out anew only when something of it was heard, so that hundreds of sites cost little.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from dashboards.homie import Device, DeviceTree
from dashboards.view import FindingStatus, SiteState, finite, read_findings, read_state

SILENT_AFTER_MS = 15 * 60_000
"""The controller renews its picture at least every minute; when its silence is worth a look is an own choice."""

NAME_PARTS = re.compile(r"([^0-9]*)([0-9]{0,18})")

Need = Literal["lost", "fault", "silent", "warning", "stopped", "starting", "none"]
NEEDS: tuple[Need, ...] = ("lost", "fault", "silent", "warning", "stopped", "starting", "none")
"""What may draw attention to a site, the most urgent first."""


@dataclass(frozen=True, slots=True)
class Standing:
    """A site in short. None is unknown; `fill_percent` is that of the emptiest tank."""

    id: str
    name: str
    state: SiteState
    findings: tuple[FindingStatus, ...] | None = None
    fill_percent: float | None = None
    charge_percent: float | None = None
    heard_at_ms: int = 0
    newest_sequence: int | None = None
    unsent: int | None = None

    @property
    def live(self) -> bool:
        """The controller says that it is there."""
        return self.state in ("ready", "init")

    def worst(self, severity: str) -> tuple[FindingStatus, ...]:
        """Open findings of one severity."""
        return tuple(finding for finding in self.findings or () if finding.severity == severity)


def read_standing(site: Device) -> Standing:
    """The standing of one root device."""
    fills = [
        fill
        for node in site.nodes
        if node.startswith("tank-") and (fill := finite(site.text(f"{node}/fill"), 0.0, 100.0)) is not None
    ]
    return Standing(
        id=site.id,
        name=site.name or site.id,
        state=read_state(site),
        findings=read_findings(site.text("site/findings")),
        fill_percent=min(fills, default=None),
        charge_percent=finite(site.text("power/state-of-charge"), 0.0, 100.0),
        heard_at_ms=site.heard_at_ms,
        newest_sequence=_whole(site.text("site/sequence")),
        unsent=_whole(site.text("site/unsent")),
    )


def need_of(standing: Standing, now_ms: int) -> Need:
    """What draws attention to a site most."""
    if standing.state == "lost":
        return "lost"
    if standing.worst("fault"):
        return "fault"
    if standing.live and now_ms - standing.heard_at_ms > SILENT_AFTER_MS:
        return "silent"
    if standing.worst("warning"):
        return "warning"
    if not standing.live:
        return "stopped"
    return "starting" if standing.state == "init" else "none"


def by_need(standings: Iterable[Standing], now_ms: int) -> list[tuple[Need, Standing]]:
    """Sites with what they need, the most urgent first; among equals the one with more findings, then by name."""
    needy = [(need_of(standing, now_ms), standing) for standing in standings]
    return sorted(needy, key=lambda pair: (NEEDS.index(pair[0]), -_open(pair[1]), _by_name(pair[1].name), pair[1].id))


def matching(standings: Iterable[Standing], words: str) -> list[Standing]:
    """Sites whose name, id or open findings hold every one of the words, upper and lower case alike."""
    wanted = words.casefold().split()
    return [standing for standing in standings if all(word in _searched(standing) for word in wanted)]


class StandingBook:
    """Standings of all sites, kept until something new is heard of one. Belongs to whoever holds the tree's lock."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[int, Standing]] = {}

    def of(self, tree: DeviceTree) -> list[Standing]:
        """Every site's standing, by id."""
        fresh: dict[str, tuple[int, Standing]] = {}
        for site in tree.sites():
            known = self._kept.get(site.id)
            fresh[site.id] = (
                known if known is not None and known[0] == site.changes else (site.changes, read_standing(site))
            )
        self._kept = fresh
        return [standing for _, standing in fresh.values()]


def _by_name(name: str) -> list[tuple[str, int]]:
    """Names in the order people expect: Garden 9 before Garden 10."""
    return [(text.casefold(), int(number or 0)) for text, number in NAME_PARTS.findall(name)]


def _open(standing: Standing) -> int:
    return len(standing.worst("fault")) + len(standing.worst("warning"))


def _searched(standing: Standing) -> str:
    said = " ".join(f"{finding.id} {finding.text}" for finding in standing.findings or ())
    return f"{standing.name} {standing.id} {said}".casefold()


def _whole(text: str | None) -> int | None:
    number = finite(text, 0.0, 2.0**53)
    return None if number is None else int(number)
