"""The battery's divider against a hand meter at the terminals."""

from __future__ import annotations

from dataclasses import dataclass, replace

from controller.commissioning import readings as reading
from controller.commissioning.outcome import Fault, Outcome, PinFileLine
from controller.commissioning.talk import Part, Script, ask, look, quantity, say
from controller.site.units import VOLTAGE

LEAST_V, MOST_V = 9.0, 16.0
AGREES_V = 0.05
"""Less is within what a hand meter and the converter's steps can tell (own choice)."""
REFUSE_PART = 0.3
"""Further off no resistor is merely inexact: something is wired wrong (own choice)."""
RESTLESS_V = 0.3
TRIM_LEAST, TRIM_MOST = 900, 1100
LOOK_S = 10.0
PANEL_AGREES_V = 0.4
LEAST_REST_A, MOST_REST_A = -1.0, 0.05
"""Controller and board draw 0.1 to 0.5 A (common practice, no source); nothing may read as charging."""


@dataclass(frozen=True, slots=True)
class Divider:
    """The battery divider as the board's pin file has it."""

    pin: int
    top_ohm: int
    bottom_ohm: int
    trim_permille: int

    @property
    def factor(self) -> float:
        """Volts of battery for each volt at the pin."""
        return (self.top_ohm + self.bottom_ohm) / self.bottom_ohm * self.trim_permille / 1000.0

    def line(self) -> str:
        return (
            f'"battery": {{"pin": {self.pin}, "top_ohm": {self.top_ohm:_}, "bottom_ohm": {self.bottom_ohm:_}, '
            f'"trim_permille": {self.trim_permille}}},'
        )


def judge_battery(board_v: float, hand_v: float, panel_v: float | None, divider: Divider) -> Outcome:
    """What the board reads against the hand meter: right, a proposed trim or resistor, or a wiring fault.

    Raises nothing; `hand_v` must be in the range of a 12 V battery.
    """
    measured = (f"battery {board_v:.2f} V by the board, {hand_v:.2f} V by hand",)
    if abs(board_v - hand_v) <= AGREES_V:
        return Outcome(measured)
    ratio = hand_v / board_v if board_v > 0.0 else 99.0
    if abs(ratio - 1.0) > REFUSE_PART:
        return Outcome(measured, (_wiring(board_v, hand_v, panel_v, divider),))
    corrected = _corrected(divider, ratio)
    after_v = board_v / divider.factor * corrected.factor
    off = f"battery reads {100.0 * (board_v / hand_v - 1.0):+.1f} %"
    cure = (
        f"with the line below the board would read {after_v:.2f} V; what the controller thinks of the charge follows "
        "within about an hour, and until then it may refuse the pump"
    )
    fault = Fault("divider-off", off, cure, by_change=True)
    return Outcome(measured, (fault,), pin_lines=(PinFileLine(divider.line(), corrected.line()),))


def _corrected(divider: Divider, ratio: float) -> Divider:
    """The trim while it reaches; beyond, the upper resistor that must be there then."""
    trim = round(divider.trim_permille * ratio)
    if TRIM_LEAST <= trim <= TRIM_MOST:
        return replace(divider, trim_permille=trim)
    top_ohm = divider.bottom_ohm * (divider.factor * ratio - 1.0)
    return replace(divider, top_ohm=round(top_ohm / 100.0) * 100, trim_permille=1000)


def _wiring(board_v: float, hand_v: float, panel_v: float | None, divider: Divider) -> Fault:
    text = (
        f"the board reads {board_v:.2f} V where the hand meter shows {hand_v:.2f} V; more than "
        f"{100 * REFUSE_PART:.0f} % off is wiring, not calibration, so no correction is proposed"
    )
    if panel_v is not None and abs(panel_v - hand_v) <= PANEL_AGREES_V:
        return Fault("dividers-swapped", text, "the panel's input reads what the battery has: swap the two wires")
    if board_v < 1.0:
        cure = "fuse F7 in and whole? The divider's wire on the battery input's pin?"
    else:
        cure = (
            f"pull F7, then measure: {divider.top_ohm / 1000:g} kΩ towards the battery, {divider.bottom_ohm / 1000:g} "
            "kΩ towards ground, and the divider's ground joined to the board's"
        )
    return Fault("divider-wiring", text, cure)


def judge_shunt(current_a: float) -> Fault | None:
    """What the shunt reads with panel off and nothing running: only the electronics draw."""
    if LEAST_REST_A <= current_a <= MOST_REST_A:
        return None
    text = f"with the panel off and all still the shunt reads {current_a:+.2f} A"
    cure = "sense wires swapped, touching or off, another load, or ua_per_bit and setup of the shunt in the pin file"
    return Fault("shunt-zero", f"{text}; the electronics alone draw some tenths", cure)


def battery_script(divider: Divider) -> Script:
    """Ask for the hand meter's figure and compare."""
    yield from say(
        "Measure at the battery's own terminals, plus and minus, with the pump still. "
        "Caution: probes with guarded tips, no rings; a short circuit at the terminals starts fires."
    )
    while True:
        hand_v = yield from quantity("The hand meter shows", VOLTAGE, LEAST_V, MOST_V, "12.64 V")
        seen = yield from look(LOOK_S)
        board = reading.battery_v(seen)
        if board is None:
            text, cure = "the board reads no battery voltage", "the divider's wire, its ground and fuse F7"
            return Outcome((f"battery {hand_v:.2f} V by hand",), (Fault("battery-unread", text, cure),))
        if seen[-1].pumps_on:
            yield from say("  The pump runs, so the voltage sags. It is measured again once it is still.")
            continue
        if board.spread <= RESTLESS_V:
            outcome = judge_battery(board.value, hand_v, seen[-1].panel_v, divider)
            return (yield from _with_shunt(outcome)) if seen[-1].current_a is not None else outcome
        yield from say(
            f"  The voltage moved by {board.spread:.2f} V meanwhile: wait until charger and loads are quiet, and read "
            "the hand meter anew."
        )


def _with_shunt(outcome: Outcome) -> Part[Outcome]:
    yield from say("The shunt: switch the panel off (S3), and leave everything still.")
    yield from ask("  Enter when it is off: ")
    current_a = reading.current_a((yield from look(LOOK_S)))
    yield from ask("  Switch the panel on again, then press Enter: ")
    if current_a is None:
        return outcome
    fault = judge_shunt(current_a)
    measured = (*outcome.measured, f"shunt at rest {current_a:+.2f} A")
    return replace(outcome, measured=measured, faults=(*outcome.faults, *((fault,) if fault else ())))
