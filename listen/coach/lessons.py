"""The lessons: what is played, what is asked, what is explained."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.coach import reaction, staircase
from listen.coach.examples import ONE, SOURCES, WHOLE_S, examples, figures_of
from listen.coach.exposure import CAUTION, NIOSH, OSHA
from listen.coach.followed import followed_programs
from listen.coach.hand_drill import CAUTIONS, OFF_LINE_MM, Drill
from listen.coach.lesson_sound import RATE, Recipe, band_power, make_clip, states_of
from listen.coach.own_runs import OwnExample
from listen.expect.stopping import PANEL_S, SERVO_LAG_S, SOUND_PATH_S
from listen.job import REACTION_S, SURPRISE_S, Machine
from listen.lengths import MM_PER
from listen.synth import Made

WORDS = ("air", "entry", "steady", "exit")
N_MACHINES = 4
N_EXITS = 6
ASKED_S = 1.2
HIGHEST_DB = 24.0
TEACHING_FEEDS = {"mm": (100.0, 500.0, 1000.0, 2000.0, 5000.0), "inch": (4.0, 20.0, 40.0, 80.0, 200.0)}
"""Feeds of the table, in the job's unit a minute."""
NOISE_DB = (80.0, 85.0, 88.0, 90.0, 94.0, 97.0, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lessons:
    """What the page needs: plain values, and sounds of shape (n_samples,) by name."""

    data: dict[str, Any]
    sounds: dict[str, NDArray[np.float64]]
    rate: int = RATE


def make_lessons(
    *,
    seed: int,
    machine: Machine,
    feed: float = 1000.0,
    drill: Drill | None = None,
    own: Sequence[OwnExample] = (),
    unit: str = "mm",
) -> Lessons:
    """All sounds and words of the lessons.

    Parameters
    ----------
    seed : int
        Another number, other machines and other places.
    machine : Machine
        Whose stopping way the millimetres are reckoned with.
    feed : float
        The feed that the page begins with [mm/min].
    drill : Drill | None
        With one, the page has the form that turns typed axis positions into travel.
    own : sequence of OwnExample
        Cuts of the operator's own runs, played after the made examples.
    unit : str
        In which the page tells lengths and feeds and takes what is typed: "mm" or "inch".
    """
    sounds: dict[str, NDArray[np.float64]] = {}
    states: dict[str, list[dict[str, object]]] = {}

    def keep(name: str, made: Made) -> Made:
        sounds[name], states[name] = made.samples, states_of(made)
        return made

    data = {
        "hear": [*_hear(seed, keep), *_own(own, sounds, states)],
        "sources": list(SOURCES),
        "name": _name(seed, keep),
        "hold": _hold(seed, keep) | _travel(machine, feed, unit),
        "follow": followed_programs(seed, keep, unit),
        "unit": unit,
        "machine": _drill(drill),
        "noise": _noise(),
        "words": list(WORDS),
        "made": _made_words(seed, len(own)),
    }
    return Lessons(data=data | {"states": states}, sounds=sounds)


def _made_words(seed: int, n_own: int) -> str:
    if not n_own:
        return f"All sounds are made, from seed {seed}; nothing was recorded."
    return f"{n_own} examples are from your own runs; all other sounds are made, from seed {seed}."


def _own(
    own: Sequence[OwnExample],
    sounds: dict[str, NDArray[np.float64]],
    states: dict[str, list[dict[str, object]]],
) -> list[dict[str, Any]]:
    told = []
    for number, one in enumerate(own):
        clip = f"own{number}"
        sounds[clip], states[clip] = one.samples, one.states
        to_s = one.samples.size / RATE
        words = {"title": one.title, "listen_for": one.listen_for, "why": one.why, "figures": ""}
        told.append(words | {"clip": clip, "from_s": 0.0, "to_s": to_s})
    return told


def _noise() -> dict[str, Any]:
    """The published limits, for a level that was measured by someone who may."""
    rules = [
        {
            "name": one.name,
            "level_db": one.level_db,
            "hours": one.hours,
            "exchange_db": one.exchange_db,
            "allowed_h": [float(f"{one.allowed_h(level):.3g}") for level in NOISE_DB],
        }
        for one in (OSHA, NIOSH)
    ]
    return {"caution": CAUTION, "levels_db": list(NOISE_DB), "rules": rules}


def _hear(seed: int, keep: Any) -> list[dict[str, Any]]:
    told, made_of = [], dict[Recipe, tuple[str, Made]]()
    for one in examples(seed):
        if one.recipe not in made_of:
            made_of[one.recipe] = (one.name, keep(one.name, make_clip(one.recipe)))
        clip, made = made_of[one.recipe]
        told.append(
            {
                "title": one.title,
                "clip": clip,
                "from_s": one.part_s[0],
                "to_s": one.part_s[1],
                "listen_for": f"Listen for: {one.listen_for}",
                "why": f"Why: {one.why}",
                "figures": figures_of(made, one.figures),
            }
        )
    return told


def _name(seed: int, keep: Any) -> dict[str, Any]:
    """A few machines to be named from any distance, and the rule by which it gets harder."""
    first = staircase.Staircase()
    return {
        "machines": [_asked_machine(seed, number, keep) for number in range(N_MACHINES)],
        "asked_s": ASKED_S,
        "rule": {
            "start_db": first.level_db,
            "lowest_db": first.lowest_db,
            "highest_db": HIGHEST_DB,
            "steps_db": list(staircase.STEPS_DB),
            "n_reversals": staircase.N_REVERSALS,
            "n_left_out": staircase.N_FIRST_LEFT_OUT,
            "most_trials": staircase.MOST_TRIALS,
        },
    }


def _asked_machine(seed: int, number: int, keep: Any) -> dict[str, Any]:
    """One contact, and its true power and that of its air, from which any other ratio is mixed."""
    recipe = Recipe(seed=seed + 100 + number, stretches=ONE, duration_s=WHOLE_S, snr_db=32.0)
    made = keep(f"name{number}", make_clip(recipe))
    contact = made.truth.contacts[0]
    air = band_power(made.samples[: contact.start], made.rate)
    cut = band_power(made.samples[contact.full : contact.leaving], made.rate)
    middle = {
        "air": 0.6,
        "entry": (contact.start + contact.full) / 2 / made.rate,
        "steady": (contact.full + contact.leaving) / 2 / made.rate,
        "exit": (contact.leaving + contact.stop) / 2 / made.rate,
    }
    return {
        "clip": f"name{number}",
        "cut_power": max(cut - air, 1e-12),
        "air_power": air,
        "from_s": {word: round(max(0.0, at - ASKED_S / 2), 4) for word, at in middle.items()},
    }


def _hold(seed: int, keep: Any) -> dict[str, Any]:
    """Contacts of lengths that cannot be guessed."""
    rng = np.random.default_rng([seed, 5])
    stretches, at = [], 1.0
    for length, pause in zip(rng.uniform(0.6, 2.2, N_EXITS), rng.uniform(2.2, 2.8, N_EXITS), strict=True):
        stretches.append((round(at, 3), round(at + float(length), 3)))
        at += float(length + pause)
    recipe = Recipe(seed=seed + 50, stretches=tuple(stretches), duration_s=at, ramp_s=0.03)
    made = keep("hold", make_clip(recipe))
    return {"clip": "hold", "exits_s": [contact.stop / made.rate for contact in made.truth.contacts]}


def _travel(machine: Machine, feed: float, unit: str) -> dict[str, Any]:
    return {
        "feed": feed,
        "acceleration_m_per_s2": machine.acceleration_m_per_s2,
        "jerk_m_per_s3": machine.jerk_m_per_s3,
        "after_press_s": PANEL_S + SERVO_LAG_S,
        "feeds": [feed * MM_PER[unit] for feed in TEACHING_FEEDS[unit]],
        "sound_path_s": SOUND_PATH_S,
        "expected_s": REACTION_S,
        "surprise_s": SURPRISE_S,
        "soonest_s": reaction.SOONEST_S,
        "latest_s": reaction.LATEST_S,
    }


def _drill(drill: Drill | None) -> dict[str, Any]:
    told: dict[str, Any] = {"cautions": list(CAUTIONS), "points": None}
    if drill:
        told |= {
            "points": [list(point) for point in drill.points],
            "feed": drill.feed,
            "off_line_mm": OFF_LINE_MM,
        }
    return told
