"""Rotary axes: moves are judged only while each stands as it did when the first cut began."""

import math
from collections.abc import Mapping

from listen.program.control import MACHINE_DECIDES, Control
from listen.spans import SpanKind

SAME_DEG = 1e-4


def turn(control: Control, words: Mapping[str, float]) -> None:
    """Words A, B and C: where they turn the work away from its set-up, what follows is not judged."""
    turns = False
    for letter, angle in words.items():
        before = control.angles.get(letter, 0.0)
        after = angle if control.modal.absolute else before + angle
        if letter not in control.set_up_angles:
            first = not control.store.has(SpanKind.FEED)
            control.set_up_angles[letter] = after if first else 0.0
            before = after if first else before
            _say_set_up(control, letter, control.set_up_angles[letter])
        control.angles[letter] = after
        turns = turns or abs(after - before) > SAME_DEG
    _say_turned(control)
    if turns:
        control.pause(SpanKind.UNKNOWN, MACHINE_DECIDES)


def _say_set_up(control: Control, letter: str, angle: float) -> None:
    if abs(angle) > SAME_DEG:
        control.note(
            "not checked",
            f"{letter} stands at {angle:g} when the first cut begins: the stock is taken as it lies there",
            "give the stock in the job as it lies at that angle",
        )


def _say_turned(control: Control) -> None:
    away = [
        letter
        for letter, angle in sorted(control.angles.items())
        if abs(_within_a_turn(angle - control.set_up_angles[letter])) > SAME_DEG
    ]
    control.turned = bool(away)
    if away:
        names = " and ".join(away)
        control.note(
            "not judged",
            f"a rotary axis ({names}) turns the work away from its set-up: not followed until it is back",
            "watch this part by eye; contacts here are not expected and not judged",
        )


def _within_a_turn(angle: float) -> float:
    """The same angle without its whole turns [-180 to 180 degrees]."""
    return math.remainder(angle, 360.0)
