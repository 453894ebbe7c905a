"""What the journal keeps of a step: who does the ordering is in the order itself, as is the time."""

from __future__ import annotations

from typing import Literal

from controller.commissioning.outcome import Outcome

LONGEST = 200
Verdict = Literal["right", "corrected", "open"]


def verdict_of(outcome: Outcome, *, accepted: bool) -> Verdict:
    """Right; corrected, when all that was wrong is mended by changes that were accepted; else open."""
    if outcome.right:
        return "right"
    proposed = bool(outcome.changes or outcome.pin_lines)
    mended = all(fault.by_change for fault in outcome.faults)
    return "corrected" if accepted and proposed and mended and not outcome.waiting else "open"


def notes_of(step_id: str, outcome: Outcome, *, accepted: bool) -> list[str]:
    """Notes of at most 200 characters each: the verdict, what was measured, what was wrong, before and after."""
    parts = [*outcome.measured, *(f"{fault.id}: {fault.text}" for fault in outcome.faults)]
    if accepted:
        parts += [change.line() for change in outcome.changes]
        parts += [f"pin file: {line.after}" for line in outcome.pin_lines]
    head = f"commissioning, {step_id}: "
    return [f"{head}{text}" for text in _packed([verdict_of(outcome, accepted=accepted), *parts], LONGEST - len(head))]


def _packed(parts: list[str], room: int) -> list[str]:
    """The parts joined by semicolons, as few texts as they fit in; a part that is too long for one is cut."""
    texts: list[str] = []
    for part in parts:
        cut = part if len(part) <= room else f"{part[: room - 3]}..."
        if texts and len(texts[-1]) + 2 + len(cut) <= room:
            texts[-1] += f"; {cut}"
        else:
            texts.append(cut)
    return texts
