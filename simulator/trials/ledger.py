"""How much of a tank's days stays unexplained, once storms, overflow, leak and draws are booked.

The tank is lived with, leaks from some day on, and cans are taken from it that nobody can explain. The rival books the
declared yield of each tip and lets the tank spill whenever it is full.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date
from typing import NamedTuple

from controller.estimate.catch import roof_catch
from controller.estimate.ledger import (
    LEAK,
    OVERFLOW,
    RAIN,
    UNEXPLAINED,
    DayLedger,
    Evidence,
    book,
    close_at,
    explains_itself,
    millilitres,
    next_day,
    reconcile,
    zone_account,
)
from controller.estimate.tank_watch import TankWatch
from simulator.trials.sites import upright_site
from simulator.trials.table import TrialRow
from simulator.trials.tank_year import CAN_L, DAY_MS, TankYear

SEASONS = tuple(date(2026, month, 10) for month in (1, 3, 5, 7, 9, 11))
DAYS, SETTLING_DAYS, LEAK_FROM_DAY = 60, 14, 30
LEAK_L_H = 0.5
METER_PART = 0.012
BEDS = zone_account("beds")


class Totals(NamedTuple):
    """What truly came from roofs, was lost and spilled so far, in litres."""

    rain_l: float
    leak_l: float
    overflow_l: float


class Closed(NamedTuple):
    """A day as we closed it, as the rival did, what was taken that no sensor saw, in litres, and what truly flowed."""

    ours: DayLedger
    rival: DayLedger
    unseen_l: float
    true: Totals


def closed_days(seed: int) -> Iterator[Closed]:
    """The days of one tank once its roofs are learned."""
    year = TankYear(upright_site(), seed, SEASONS[seed % len(SEASONS)], DAYS)
    site, tank = year.site, year.site.tanks[0]
    watch = TankWatch(tank, year.table, site.roofs, site.rain_gauge.mm_per_tip if site.rain_gauge else 0.0)
    ours = rival = DayLedger(tank.id, "", 0)
    flush_mm, external_l, before = site.roofs[0].first_flush_mm, 0.0, Totals(0.0, 0.0, 0.0)
    for sample in year.samples():
        watch.add(sample.rain_mm, sample.drawn_l)
        watch.look(sample.mono_ms, year.reading, year.burst_us, sample.probe_c, sample.flowing)
        if sample.drawn_l:
            drawn_ml = millilitres(sample.drawn_l)
            known = Evidence(METER_PART * drawn_ml, sample.mono_ms, sample.mono_ms)
            ours = book(ours, BEDS, -drawn_ml, known, same_error=True)
            rival = book(rival, BEDS, -drawn_ml)
        if sample.rain_mm:
            catch = roof_catch(site.roofs[0], sample.rain_mm, flush_mm)
            flush_mm, caught_ml = catch.flush_left_mm, millilitres(catch.caught_l)
            rival = book(rival, RAIN, caught_ml)
            if sample.full:
                rival = book(rival, OVERFLOW, -caught_ml)
        if sample.mono_ms % DAY_MS:
            continue
        day = sample.mono_ms // DAY_MS
        if day == LEAK_FROM_DAY:
            year.plant.faults.leak_l_h[tank.id] = LEAK_L_H
            year.plant.refresh()
        bookings = watch.close_day(sample.mono_ms)
        for account, into_tank_ml, evidence in bookings:
            ours = book(ours, account, into_tank_ml, evidence)
        if not watch.storms.under_way:
            flush_mm = site.roofs[0].first_flush_mm
        measured_ml = millilitres(year.reading.volume_l or 0.0)
        ours = reconcile(ours, measured_ml, 1000.0 * sample.sd_l)
        rival = close_at(rival, measured_ml)
        water = year.water
        now = Totals(water.inflow_l, water.leaked_l, water.overflow_l)
        if day > SETTLING_DAYS:
            true = Totals(*(late - early for late, early in zip(now, before, strict=True)))
            yield Closed(ours, rival, water.external_l - external_l, true)
        external_l, before = water.external_l, now
        ours, rival = next_day(ours, ""), next_day(rival, "")


def unexplained_l(ledger: DayLedger) -> float:
    return ledger.entries_ml.get(UNEXPLAINED, 0) / 1000.0


def error_of_total(booked_l: Sequence[float], true_l: Sequence[float]) -> float:
    """How far the sum of what was booked is off, in per cent of the true sum."""
    return 100.0 * abs(sum(booked_l) / sum(true_l) - 1.0)


def rows(seeds: Sequence[int]) -> list[TrialRow]:
    """The table's rows."""
    days = [closed for seed in seeds for closed in closed_days(seed)]
    quiet = [closed for closed in days if abs(closed.unseen_l) < 0.5 * CAN_L]
    ours = math.sqrt(sum(unexplained_l(closed.ours) ** 2 for closed in quiet) / len(quiet))
    rival = math.sqrt(sum(unexplained_l(closed.rival) ** 2 for closed in quiet) / len(quiet))
    explained = 100.0 * sum(explains_itself(closed.ours) for closed in quiet) / len(quiet)
    table = [
        TrialRow("ledger: unexplained on days without can or hose, RMS", {"declared yield": rival}, ours, 4, 2, "L"),
        TrialRow("ledger: such days that explain themselves", {}, explained, 95, 98, "%", "more"),
    ]
    accounts = ((RAIN, 1.0, [c.true.rain_l for c in days]), (OVERFLOW, -1.0, [c.true.overflow_l for c in days]))
    for account, sign, true_l in (*accounts, (LEAK, -1.0, [c.true.leak_l for c in days])):
        booked, by_rival = (
            error_of_total([sign * ledger.entries_ml.get(account, 0) / 1000.0 for ledger in ledgers], true_l)
            for ledgers in ([c.ours for c in days], [c.rival for c in days])
        )
        table.append(TrialRow(f"ledger: {account} over all days", {"declared yield": by_rival}, booked, 10, 3, "%"))
    return table
