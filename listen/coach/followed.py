"""Follow the program: invented listings that run beside their sound, with one contact that is wrong."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from listen.coach.examples import CHATTER_SEED
from listen.coach.lesson_sound import Recipe, make_clip
from listen.synth import Fault, Made

N_CONTACTS = 5
PAUSE_S = 1.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrong:
    """What goes wrong in one program, how it is told, and what one does at the machine."""

    kind: str
    amount: float
    words: str
    then: str


WRONGS = (
    Wrong(
        kind="early",
        amount=0.7,
        words="started early: it was heard before its line was reached",
        then="Hold, then compare zero and length offset with the sheet.",
    ),
    Wrong(
        kind="half-way",
        amount=0.4,
        words="ended early: the sound stopped while the line still ran",
        then="Hold, spindle stopped, then look whether the tool is whole.",
    ),
    Wrong(
        kind="missing",
        amount=0.0,
        words="was not heard at all: its line ran in silence",
        then="Hold, then look whether the cut is there; a contact that never comes may mean a wrong zero.",
    ),
    Wrong(
        kind="heavier",
        amount=9.0,
        words="was on time, but far louder than the others: it takes more than it should",
        then="Hold when it is clear, then measure depth and width.",
    ),
    Wrong(
        kind="chatter",
        amount=2.5,
        words="sang: a second pitch stood beside the buzz",
        then="Hold when it is clear, look at the surface, and ask before another speed is tried.",
    ),
    Wrong(
        kind="late",
        amount=0.6,
        words="started late: its line ran for a while before anything was heard",
        then="Hold, then look: the stock may be smaller or lie elsewhere than the job says.",
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """The numbers of an invented listing as one writes them in one unit."""

    x: tuple[str, str]
    depths: tuple[str, ...]
    feed: str
    clear: str


WRITTEN = {
    "mm": Written(
        x=("0.0", "20.0"), depths=("-1.0", "-2.0", "-3.0", "-4.0", "-5.0"), feed="900", clear="50.0"
    ),
    "inch": Written(
        x=("0.0", "0.8"), depths=("-.04", "-.08", "-.12", "-.16", "-.2"), feed="35.", clear="2.0"
    ),
}


def followed_programs(seed: int, keep: Callable[[str, Made], Made], unit: str = "mm") -> list[dict[str, Any]]:
    """The programs of the lesson, each with its clip, its listing, and the contact that is wrong.

    The first contact is never wrong, so that everybody hears first what right sounds like.
    """
    told = []
    for number, wrong in enumerate(WRONGS):
        rng = np.random.default_rng([seed, 6, number])
        contact = int(rng.integers(2, N_CONTACTS + 1))
        recipe = _recipe(rng, seed + 60 + number, wrong, contact)
        clip = f"follow{number}"
        keep(clip, make_clip(recipe))
        lines = _listing(recipe, WRITTEN[unit])
        told.append(
            {"clip": clip, "wrong": contact, "words": wrong.words, "then": wrong.then, "lines": lines}
        )
    return told


def _recipe(rng: np.random.Generator, seed: int, wrong: Wrong, contact: int) -> Recipe:
    stretches, at = [], 1.2
    for length in rng.uniform(1.2, 2.0, N_CONTACTS):
        stretches.append((round(at, 3), round(at + float(length), 3)))
        at += float(length) + PAUSE_S
    return Recipe(
        seed=CHATTER_SEED if wrong.kind == "chatter" else seed,
        stretches=tuple(stretches),
        duration_s=round(at, 3),
        faults=(Fault(kind=wrong.kind, contact=contact, amount=wrong.amount),),
    )


def _listing(recipe: Recipe, written: Written) -> list[dict[str, Any]]:
    """An invented program: for each contact the move to it and the contact line."""
    lines: list[dict[str, Any]] = []
    before = 0.0
    for number, (start, stop) in enumerate(recipe.stretches, start=1):
        x, z = written.x[number % 2], written.depths[number - 1]
        down = f"N{20 * number - 10} G1 Z{z} F{written.feed}"
        lines.append({"text": down, "from_s": before, "to_s": start})
        lines.append(
            {
                "text": f"N{20 * number} G1 X{x} F{written.feed}",
                "from_s": start,
                "to_s": stop,
                "contact": number,
                "ramp_s": recipe.ramp_s,
            }
        )
        before = stop
    return [*lines, {"text": f"N110 G0 Z{written.clear}", "from_s": before, "to_s": recipe.duration_s}]
