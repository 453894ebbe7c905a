"""The flow meter against a bucket on a scale: pulses for each litre."""

from __future__ import annotations

from collections.abc import Sequence

from controller.commissioning.outcome import Fault, Outcome, SiteChange
from controller.commissioning.pumps import first_zone
from controller.commissioning.talk import Part, Script, ask, quantity, say
from controller.commissioning.watering import water
from controller.site.model import FlowMeter, Pump, Site, Zone
from controller.site.units import VOLUME

BUCKET_L = 4.0
LEAST_L, MOST_L = 0.3, 60.0
SAME_PART = 0.04
"""Two buckets may differ by so much: drops left in the hose, a scale that is read once (own choice)."""
AGREES_PART = 0.015
"""Nearer than a bucket can tell (own choice)."""
REFUSE_FACTOR = 2.0
"""Beyond, the meter counts something other than its wheel's turns (own choice)."""
MOST_BUCKETS = 4

Bucket = tuple[float, int]
"""Litres on the scale, pulses."""


def agreeing(buckets: Sequence[Bucket]) -> tuple[Bucket, Bucket] | None:
    """The newest bucket and an earlier one that says the same; None while there are no two."""
    if not buckets:
        return None
    newest = buckets[-1][1] / buckets[-1][0]
    for earlier in reversed(buckets[:-1]):
        if abs(earlier[1] / earlier[0] - newest) <= SAME_PART * newest:
            return earlier, buckets[-1]
    return None


def judge_meter(index: int, meter: FlowMeter, buckets: Sequence[Bucket]) -> Outcome:
    """Pulses for each litre from two buckets that agree; refused when none do, or when it cannot be a calibration."""
    measured = tuple(
        f"bucket {litres:.2f} L, {pulses} pulses, {pulses / litres:.1f} a litre" for litres, pulses in buckets
    )
    pair = agreeing(buckets)
    if pair is None:
        text = f"no two of {len(buckets)} buckets agree within {100 * SAME_PART:g} %"
        cure = "air in the line, water beside the bucket, a scale that was not emptied, a contact that bounces"
        return Outcome(measured, (Fault("buckets-disagree", text, cure),))
    per_l = (pair[0][1] + pair[1][1]) / (pair[0][0] + pair[1][0])
    ratio = per_l / meter.pulses_per_l
    if abs(ratio - 1.0) <= AGREES_PART:
        return Outcome(measured)
    text = f"{per_l:.1f} pulses a litre by the bucket; the site file says {meter.pulses_per_l:g}"
    if not 1.0 / REFUSE_FACTOR <= ratio <= REFUSE_FACTOR:
        cure = (
            f"more than {REFUSE_FACTOR:g} times off is not corrected here: is the figure for a gallon, for another "
            "meter? Does the pump's wire disturb the meter's, or debounce_us in the pin file swallow pulses?"
        )
        return Outcome(measured, (Fault("pulses-refused", text, cure),))
    change = SiteChange(
        ("pump", index, "flow_meter", "pulses"), f"{meter.pulses_per_l:g} pulses/L", f"{per_l:.4g} pulses/L"
    )
    return Outcome(measured, (Fault("pulses-wrong", text, "take the corrected file below", by_change=True),), (change,))


def meter_script(site: Site, pump: Pump) -> Script:
    """Two buckets or more, until two agree."""
    zone = first_zone(site, pump)
    index = next(index for index, one in enumerate(site.pumps) if one.id == pump.id)
    if pump.flow_meter is None or zone is None:
        return Outcome((f"{pump.id}: no meter to try",))
    yield from say(
        f"Open the end of the line of {zone.name} and lead it into an empty bucket that holds 10 L, so that all its "
        f"water goes there. About {BUCKET_L:g} L come, more or less if the meter counts wrong. On a scale a kilogram "
        "of water is a litre: weigh the empty bucket first."
    )
    buckets: list[Bucket] = []
    while agreeing(buckets) is None and len(buckets) < MOST_BUCKETS:
        bucket, fault = yield from _one_bucket(zone, pump, pump.flow_meter)
        if fault is not None:
            return Outcome((f"{len(buckets)} buckets filled",), (fault,))
        if bucket is not None:
            buckets.append(bucket)
    return judge_meter(index, pump.flow_meter, buckets)


def _one_bucket(zone: Zone, pump: Pump, meter: FlowMeter) -> Part[tuple[Bucket | None, Fault | None]]:
    yield from ask("  Enter when the bucket is empty and in place: ")
    run = yield from water(zone, pump, BUCKET_L)
    if run.refused:
        return None, Fault("run-refused", f"no water: {run.refused}", "mend what it says, then repeat this step")
    if run.pulses is None:
        return None, Fault("board-restarted", "the board started anew meanwhile", "its supply; then repeat this step")
    pulses = run.pulses.get(meter.channel, 0)
    if not pulses:
        return None, Fault("meter-dead", "the meter counted nothing", "do the step with the pump again")
    litres = yield from quantity("  Water in the bucket", VOLUME, LEAST_L, MOST_L, "4.12 L")
    return (litres, pulses), None
