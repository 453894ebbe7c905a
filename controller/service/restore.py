"""Brings a core back to where the journal ended: the newest checkpoint, and every later input once more."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

from controller.errors import PumphouseError
from controller.service.codec import decode_input
from controller.service.journal import Checkpoint, Journal
from controller.service.ports import CoreFactory, CorePort
from controller.site.load import parse_site as parse_site_text
from controller.site.model import Site

log = logging.getLogger("pumphouse.restore")


@dataclass(frozen=True, slots=True)
class Restored:
    """A core ready to go on. `whole` False: part of its memory could not be had, what today used up is not sure."""

    core: CorePort
    whole: bool
    fresh: bool


def restore(
    journal: Journal, site: Site, site_text: str, factory: CoreFactory, parse_site: Callable[[str], Site]
) -> Restored:
    """The core as it was after the last stored input, now for `site`. Inputs run again under the site of their time."""
    checkpoint = journal.checkpoint_before()
    if checkpoint is None:
        return Restored(factory(site, None), whole=not journal.recovered, fresh=True)
    try:
        old_site = site if checkpoint.site_text == site_text else parse_site(checkpoint.site_text)
        core = factory(old_site, checkpoint.state)
        for step in journal.steps(checkpoint.input_id):
            core.step(step.now, tuple(decode_input(kind, text) for kind, text in step.entries))
        if old_site is not site:
            core = factory(site, core.dump())
    except (PumphouseError, KeyError, ValueError, TypeError, AttributeError):
        # Another version of this program, or another site file, may not be able to read what an older one wrote.
        log.exception("the inputs since the last checkpoint cannot be replayed")
        return _from_checkpoint(checkpoint, site, factory)
    return Restored(core, whole=not journal.recovered, fresh=False)


def _from_checkpoint(checkpoint: Checkpoint, site: Site, factory: CoreFactory) -> Restored:
    try:
        return Restored(factory(site, checkpoint.state), whole=False, fresh=False)
    except (PumphouseError, KeyError, ValueError, TypeError, AttributeError):
        log.exception("the last checkpoint cannot be read either; starting with an empty memory")
        return Restored(factory(site, None), whole=False, fresh=True)


def stored_site(text: str) -> Site:
    """The site of a site file's text as the journal keeps it. Raises ConfigurationError when it is no longer valid."""
    return parse_site_text(text, "the site file stored in the journal")
