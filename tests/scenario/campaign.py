"""What scripts/campaign does: stretches by the hundred, in order of their seeds, and a report of what came of them.

Nothing here asks for the time of day, and nothing depends on which process was done first: the same seed gives the same
lines.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from random import Random
from typing import TypeVar

from tests.scenario.directed import one_price_list
from tests.scenario.garden import DAY_MS
from tests.scenario.hard_weeks import HardMonth, SmallGarden
from tests.scenario.seldom_heard import HARD_DAYS, SeldomHeard
from tests.scenario.strikes import ELSEWHERE, STRIKES, TOLD_ELSEWHERE, Played, Strike, play

DAYS_A_YEAR = 365.0
MOST_FALSE_A_YEAR = 1.0

Given = TypeVar("Given")
Got = TypeVar("Got")


@dataclass(frozen=True, slots=True)
class Report:
    lines: tuple[str, ...]
    failed: bool
    site_years: float = 0.0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one stretch of weeks. `broken` is empty when every promise was kept."""

    kind: str
    seed: int
    days: float
    struck: tuple[str, ...]
    quiet_days: float
    false: tuple[str, ...]
    log: str
    """A digest of all that the core recorded."""
    broken: str


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of garden, for how many days at a stretch it has hard times, the word that asks for it alone, and what it
    is."""

    weeks: type[HardMonth] | type[SeldomHeard]
    days: float
    word: str
    about: str

    def play(self, seed: int, muted: frozenset[int] = frozenset()) -> Outcome:
        """Run one stretch."""
        month = self.weeks(seed, self.days, muted)
        broken = ""
        try:
            with one_price_list():
                month.run()
        except AssertionError as error:
            broken = str(error)
        days, quiet_days = month.plant_ms / DAY_MS, month.quiet_ms / DAY_MS
        false = month.false_alerts()
        return Outcome(self.word, seed, days, tuple(month.struck), quiet_days, false, month.digest(), broken)


LARGE = Kind(HardMonth, 63, "large", "gardens of several beds")
SMALL = Kind(SmallGarden, 140, "small", "gardens of one bed")
SELDOM = Kind(SeldomHeard, HARD_DAYS, "seldom", "two hard days each, of boards that report seldom")
KINDS = {kind.word: kind for kind in (LARGE, SMALL, SELDOM)}
BY_TURNS = (LARGE, SMALL)
"""The kinds of a campaign's stretches."""


def in_order(jobs: int, work: Callable[[Given], Got], given: Sequence[Given]) -> Iterator[Got]:
    """Results in the order of what was given, whichever process was faster."""
    if jobs == 1:
        yield from map(work, given)
        return
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(work, given, chunksize=1)


# --- weeks ----------------------------------------------------------------------------------------------------


def years(
    count: float, first_seed: int, jobs: int, tell: Callable[[str], object], kinds: Sequence[Kind] = BY_TURNS
) -> Report:
    """Stretches of weeks, for so many years in all; `tell` gets a line of each as soon as it is over."""
    outcomes: list[Outcome] = []
    for outcome in in_order(jobs, _play_stretch, _stretches(count, first_seed, kinds)):
        tell(_told_of(outcome))
        outcomes.append(outcome)
    lines: list[str] = []
    strikes: Counter[str] = Counter(what for outcome in outcomes for what in outcome.struck)
    broken = [outcome for outcome in outcomes if outcome.broken]
    site_years = sum(outcome.days for outcome in outcomes) / DAYS_A_YEAR
    quiet_years = sum(outcome.quiet_days for outcome in outcomes) / DAYS_A_YEAR
    false: Counter[str] = Counter(key for outcome in outcomes for key in outcome.false)
    lines.append(
        f"{site_years:.1f} site-years, {strikes.total()} strikes, {len(broken)} stretches with a broken promise"
    )
    lines.append(", ".join(f"{kind} {times}" for kind, times in sorted(strikes.items())))
    lines.append(
        f"{false.total()} false alerts in {quiet_years:.1f} years without any strike of late"
        + "".join(f"; {key} {times}" for key, times in sorted(false.items()))
    )
    lines += [
        f"again: scripts/campaign --{outcome.kind} --replay {outcome.seed}; shorter: --shrink in place of --replay"
        for outcome in broken
    ]
    too_many = false.total() > 1 and false.total() > MOST_FALSE_A_YEAR * quiet_years
    return Report(tuple(lines), bool(broken) or too_many, site_years)


def _stretches(count: float, first_seed: int, kinds: Sequence[Kind]) -> list[tuple[Kind, int]]:
    """Kinds by turns and their seeds, until their days make up the years."""
    found: list[tuple[Kind, int]] = []
    days = 0.0
    while not found or days < count * DAYS_A_YEAR:
        kind = kinds[len(found) % len(kinds)]
        found.append((kind, first_seed + len(found)))
        days += kind.days
    return found


def _play_stretch(stretch: tuple[Kind, int]) -> Outcome:
    kind, seed = stretch
    return kind.play(seed)


def _told_of(outcome: Outcome) -> str:
    said = outcome.broken.splitlines()[0] if outcome.broken else "every promise kept"
    struck = f"{outcome.days:.1f} days, {len(outcome.struck)} strikes"
    return f"{outcome.kind} garden, seed {outcome.seed}: {struck}, log {outcome.log}: {said}"


def replayed(seed: int, kind: Kind = LARGE) -> Report:
    """One stretch again."""
    outcome = kind.play(seed)
    return Report((outcome.broken or _told_of(outcome),), bool(outcome.broken))


def shrunk(seed: int, kind: Kind = LARGE) -> Report:
    """Leave out strike after strike, as long as the same promise stays broken."""
    whole = kind.play(seed)
    if not whole.broken:
        return Report((_told_of(whole),), False)
    promise, muted = _promise(whole), frozenset[int]()
    for number in reversed(range(len(whole.struck))):
        if _promise(kind.play(seed, muted | {number})) == promise:
            muted |= {number}
    needed = [f"{number} {what}" for number, what in enumerate(whole.struck) if number not in muted]
    case = f"{kind.weeks.__name__}({seed}, {kind.days}, frozenset({sorted(muted)}))"
    return Report((f"needed: {', '.join(needed)}; left out: {case}", kind.play(seed, muted).broken), True)


def _promise(outcome: Outcome) -> str:
    """What was broken, without its time and numbers."""
    return "".join(c for c in outcome.broken.partition("before that")[0].partition("h: ")[2] if not c.isdigit())


# --- single faults and pairs ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cast:
    """Which strikes, by their number, and the seed."""

    numbers: tuple[int, ...]
    seed: int


def faults(times: int, first_seed: int, jobs: int) -> Report:
    """Every fault so often alone, and as many pairs, drawn evenly."""
    alone = [cast for seed in range(first_seed, first_seed + times) for cast in _one_of_each(seed)]
    pairs = _pairs(times, first_seed)
    played = list(in_order(jobs, _play, [*alone, *pairs]))
    site_years = sum(each.days for each in played) / DAYS_A_YEAR
    lines = [_id_line(fault_id, played) for fault_id in _ids()]
    lines += [f"{fault_id}: not in virtual time, see tests/{test}" for fault_id, test in sorted(ELSEWHERE.items())]
    lines += [f"{fault_id}: told in real time, see tests/{test}" for fault_id, test in sorted(TOLD_ELSEWHERE.items())]
    bad = [each for each in played if each.broken]
    false = [key for each in played if len(each.ids) == 1 for key in each.false]
    lines += [f"{'+'.join(each.ids)} seed {each.seed}: {each.broken}" for each in bad]
    lines += [
        f"{'+'.join(each.ids)} seed {each.seed}: false alerts {', '.join(each.false)}"
        for each in played
        if len(each.ids) == 1 and each.false
    ]
    years_alone = sum(each.days for each in played if len(each.ids) == 1) / DAYS_A_YEAR
    lines.append(
        f"{len(alone)} times one fault, {len(pairs)} pairs, {site_years:.1f} site-years, {len(bad)} broken promises, "
        f"{len(false)} false alerts in {years_alone:.1f} years"
    )
    return Report(tuple(lines), bool(bad) or len(false) > MOST_FALSE_A_YEAR * max(1.0, years_alone), site_years)


def _one_of_each(seed: int) -> Iterator[Cast]:
    """Each id once; where there are several ways to strike, another one with each seed."""
    for fault_id in _ids():
        numbers = [number for number, strike in enumerate(STRIKES) if strike.id == fault_id]
        yield Cast((numbers[seed % len(numbers)],), seed)


def _pairs(times: int, first_seed: int) -> list[Cast]:
    """As many as there are single ones: each strike that may meet another is the first as often as any other."""
    rng = Random(f"pairs {first_seed}")
    may_meet = [number for number, strike in enumerate(STRIKES) if strike.pairs]
    casts = []
    for seed in range(first_seed, first_seed + times):
        casts += [
            Cast((number, rng.choice([other for other in may_meet if other != number])), seed) for number in may_meet
        ]
    return casts


def _play(cast: Cast) -> Played:
    return play([STRIKES[number] for number in cast.numbers], cast.seed)


def _ids() -> list[str]:
    return list(dict.fromkeys(strike.id for strike in STRIKES))


def _id_line(fault_id: str, played: Sequence[Played]) -> str:
    """How often it struck, alone and in pairs, and whether it was told in time."""
    alone = [each for each in played if each.ids == (fault_id,) and not each.off_stage]
    paired = sum(1 for each in played if len(each.ids) > 1 and fault_id in each.ids and not each.off_stage)
    rows = [strike for strike in STRIKES if strike.id == fault_id]
    head = f"{fault_id:4} alone {len(alone)}, in pairs {paired}"
    due = [each for each in alone if each.was_due]
    if not due:
        return f"{head}; nothing need be told ({_names(rows)})"
    waits = [each.waited_s for each in due if each.waited_s is not None]
    worst_s, bound_s = max(waits, default=0.0), max(strike.within_s for strike in rows)
    told = f"told {len(waits)} of {len(due)}, after {worst_s:.0f} s at most, bound {bound_s:.0f} s"
    return f"{head}; {told} ({_names(rows)})"


def _names(rows: Sequence[Strike]) -> str:
    return ", ".join(strike.what for strike in rows)
