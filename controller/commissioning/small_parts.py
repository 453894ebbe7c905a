"""Thermometer, float switches and rain gauge: each moved or compared by hand."""

from __future__ import annotations

import math
from collections.abc import Mapping

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome, PinFileLine, SiteChange
from controller.commissioning.talk import Part, Script, ask, give, look, quantity, say, tell_time, yes
from controller.site.model import RainGauge, Tank
from controller.site.units import LENGTH, TEMPERATURE, VOLUME

AGREES_C, REFUSE_C = 3.0, 8.0
"""3 degrees in the tank's air make 5 mm in a metre of echo; further off is another place or probe (own choice)."""
POWER_ON_C = 85.0
"""What many one-wire probes say before their first conversion (common practice, no source)."""
TIPS = 10
TIPS_OFF = 1
GAUGE_AGREES_PART, GAUGE_REFUSE_PART = 0.08, 0.5


# --- thermometer ---


def judge_temperature(by_probe_c: float | None, by_hand_c: float) -> Outcome:
    """The air probe against a thermometer beside it. It has no calibration of its own: it is right or it is mended."""
    if by_probe_c is None:
        text = "the board reads no air temperature"
        cure = "the probe's three wires, 4.7 kΩ from data to 3.3 V, its kind in the pin file"
        return Outcome((f"air {by_hand_c:.1f} °C by hand",), (Fault("temperature-unread", text, cure),))
    measured = (f"air {by_probe_c:.1f} °C by the probe, {by_hand_c:.1f} °C by hand",)
    off_c = by_probe_c - by_hand_c
    if abs(off_c) <= AGREES_C:
        return Outcome(measured)
    text = f"the probe reads {by_probe_c:.1f} °C where the thermometer shows {by_hand_c:.1f} °C"
    if abs(by_probe_c - POWER_ON_C) < 0.5:
        cure = "85 °C is what a probe says that has lost its supply: its 3.3 V wire"
    elif abs(off_c) <= REFUSE_C:
        cure = "sun on it, or heat from the battery? Hang it in the tank's air beside the level sensor, in the shade"
    else:
        cure = "is it the right probe on this input (rom in the pin file), and of the kind that the pin file says?"
    return Outcome(measured, (Fault("temperature-off", text, cure),))


def temperature_script() -> Script:
    """Ask for a thermometer's figure and compare."""
    yield from say("Hold a thermometer beside the air probe for five minutes, in the shade.")
    by_hand = yield from quantity("It shows", TEMPERATURE, -30.0, 50.0, "16.5 °C")
    return judge_temperature(reading.air_c((yield from look(5.0))), by_hand)


# --- float switches ---


def judge_float(
    index: int, tank: Tank, lifted: Mapping[int, bool], lowered: Mapping[int, bool], wet_level: int | None
) -> Outcome:
    """A tank's float, by what every float input read while it was held up and pushed down.

    `wet_level` is what the pin file has as "wet" for its input; None when that file is not known.
    """
    channel = tank.float_switch_channel
    moved = [n for n in lifted if lifted[n] != lowered.get(n, lifted[n])]
    seen = ", ".join(f"input {n} {_word(lifted[n])} then {_word(lowered[n])}" for n in sorted(lifted) if n in lowered)
    measured = (f"float of {tank.name}, up then down: {seen or 'no input read'}",)
    if channel in moved:
        if lifted[channel]:
            return Outcome(measured)
        text = f"the float of {tank.name} reads dry when lifted and wet when it hangs: it works the wrong way round"
        cure = "mounted upside down? Turn it over. If it is the kind that opens when lifted, take the line below"
        was = 0 if wet_level is None else wet_level
        line = PinFileLine(f'"wet": {was}  (float {channel})', f'"wet": {1 - was}  (float {channel})')
        return Outcome(measured, (Fault("float-inverted", text, cure, by_change=True),), pin_lines=(line,))
    if len(moved) == 1:
        text = f"the float of {tank.name} is on input {moved[0]}; the site file says {channel}"
        if not lifted[moved[0]]:
            text += ", and it works the wrong way round"
        change = SiteChange(("tank", index, "float_switch_channel"), channel, moved[0])
        return Outcome(
            measured, (Fault("float-elsewhere", text, "take the corrected file below", by_change=True),), (change,)
        )
    text = f"the float of {tank.name} moved no input"
    stuck = "wet" if lifted.get(-1 if channel is None else channel) else "dry"
    cure = (
        f"it reads {stuck} for ever: a torn or shorted wire, a float that hangs on the wall, a pin that is not its own"
    )
    return Outcome(measured, (Fault("float-dead", text, cure),))


def float_script(index: int, tank: Tank, wet_level: int | None) -> Script:
    """Have a float lifted and pushed down."""
    yield from say(f"Float B of {tank.name}, by its rod or string from outside. Never reach into the tank for it.")
    yield from ask("  Lift it, hold it up, and press Enter: ")
    lifted = (yield from look(3.0))[-1].float_wet
    yield from ask("  Push it down, or let it hang free in air, hold it, and press Enter: ")
    lowered = (yield from look(3.0))[-1].float_wet
    return judge_float(index, tank, lifted, lowered, wet_level)


def _word(wet: bool) -> str:
    return "wet" if wet else "dry"


# --- rain gauge ---


def judge_tips(tips: int) -> Fault | None:
    """Ten tips by hand against what was counted."""
    if abs(tips - TIPS) <= TIPS_OFF:
        return None
    text = f"{TIPS} tips by hand, {tips} counted"
    if tips == 0:
        return Fault("gauge-dead", text, "its two wires, the magnet at the bucket, the contact, its pin")
    if tips > TIPS:
        return Fault(
            "gauge-bounces", text, "small circuit (d) of docs/hardware.md; debounce_us of rain in the pin file"
        )
    return Fault("gauge-misses", text, "does the bucket tip fully both ways? Magnet too far from the contact?")


def judge_pour(gauge: RainGauge, poured_l: float, funnel_mm: float, tips: int) -> Outcome:
    """Rain of one tip by water poured slowly through the funnel: volume over the funnel's area, over tips."""
    area_m2 = math.pi * (funnel_mm / 2000.0) ** 2
    rain_mm = poured_l / area_m2
    measured = (f"gauge: {poured_l * 1000:.0f} mL through {funnel_mm:.0f} mm, {rain_mm:.1f} mm, {tips} tips",)
    if tips < TIPS:
        text = f"only {tips} tips from {rain_mm:.1f} mm"
        return Outcome(measured, (Fault("pour-short", text, "pour more, drop by drop, over ten minutes"),))
    per_tip = rain_mm / tips
    ratio = per_tip / gauge.mm_per_tip
    if abs(ratio - 1.0) <= GAUGE_AGREES_PART:
        return Outcome(measured)
    text = f"{per_tip:.3f} mm of rain for a tip; the site file says {gauge.mm_per_tip:g} mm"
    if abs(ratio - 1.0) > GAUGE_REFUSE_PART:
        cure = "that far off is another gauge, a funnel measured wrong, or water beside it; nothing is proposed"
        return Outcome(measured, (Fault("gauge-refused", text, cure),))
    change = SiteChange(("rain_gauge", "per_tip"), f"{gauge.mm_per_tip:g} mm", f"{per_tip:.3f} mm")
    return Outcome(
        measured,
        (Fault("gauge-off", text, "is it level? If so take the corrected file below", by_change=True),),
        (change,),
    )


def gauge_script(gauge: RainGauge) -> Script:
    """Tip it by hand, pour through it if the person likes, and take the false rain back."""
    yield from say("Rain gauge. What it counts now is no rain: it is taken back at the end, with all of today's.")
    before = (yield from look(3.0))[-1].rain_tips
    yield from ask(f"  Tip its bucket {TIPS} times by hand, a second apart, then press Enter: ")
    after = (yield from look(5.0))[-1].rain_tips
    counted = 0 if before is None or after is None else after - before
    fault = judge_tips(counted)
    outcome = Outcome((f"gauge: {TIPS} tips by hand, {counted} counted",), (fault,) if fault else ())
    if fault is None and (yield from yes("Pour a known volume through it as well?")):
        outcome = yield from _pour(gauge, outcome)
    yield from _take_back()
    return outcome


def _pour(gauge: RainGauge, so_far: Outcome) -> Part[Outcome]:
    funnel_mm = yield from quantity("  Inner diameter of its funnel", LENGTH, 50.0, 500.0, "160 mm")
    before = (yield from look(3.0))[-1].rain_tips or 0
    poured_l = yield from quantity(
        "  Pour half a litre, drop by drop, over ten minutes. How much was it", VOLUME, 0.05, 5.0, "500 mL"
    )
    tips = ((yield from look(5.0))[-1].rain_tips or 0) - before
    found = judge_pour(gauge, poured_l, funnel_mm, tips)
    return Outcome((*so_far.measured, *found.measured), found.faults, found.changes)


def _take_back() -> Part[None]:
    today = (yield from tell_time()).date().isoformat()
    refused = yield from give(order="void-rain", date=today, reason="commissioning: the gauge was tipped by hand")
    if refused:
        yield from say(f"  The false rain could not be taken back: {refused}")
