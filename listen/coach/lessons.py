"""The lessons: what is played, what is asked, what is explained."""

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listen.coach import reaction, staircase
from listen.coach.hand_drill import CAUTIONS, OFF_LINE_MM, Drill
from listen.coach.lesson_sound import RATE, Recipe, band_power, make_clip, states_of
from listen.coach.psychoacoustics import roughness, times_as_loud
from listen.expect.stopping import SOUND_PATH_S, travel_after_press
from listen.job import REACTION_S, SURPRISE_S, Machine
from listen.synth import Fault, Made

WORDS = ("air", "entry", "steady", "exit")
ONE = ((1.2, 3.4),)
WHOLE_S = 4.6
N_MACHINES = 4
CHATTER_SEED = 5  # a machine whose chatter stands 26 dB over the rest of its band; others hide it
N_EXITS = 6
ASKED_S = 1.2
TEACHING_FEEDS = (100.0, 500.0, 1000.0, 2000.0, 5000.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lessons:
    """What the page needs: plain values, and sounds of shape (n_samples,) by name."""

    data: dict[str, Any]
    sounds: dict[str, NDArray[np.float64]]
    rate: int = RATE


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One sound to hear: its name on the page, what to listen for, and why."""

    name: str
    title: str
    listen_for: str
    why: str
    part_s: tuple[float, float]
    recipe: Recipe


def examples(seed: int) -> tuple[Example, ...]:
    """The guided examples, all but chatter of one machine so that only one thing differs."""
    plain = Recipe(seed=seed, stretches=ONE, duration_s=WHOLE_S)

    def like(**changed: Any) -> Recipe:
        return dataclasses.replace(plain, **changed)

    rows: tuple[tuple[str, str, str, tuple[float, float], Recipe], ...] = (
        (
            "Air",
            "An even hum and rush that does not change while the axes move.",
            "Spindle, fans and room sound alike whether or not the tool is near the work.",
            (0.2, 1.1),
            plain,
        ),
        (
            "Entry",
            "The moment at which a buzz at a steady pitch comes up out of the hum.",
            "Each tooth strikes once a turn; three teeth at 3000 turns a minute strike 150 times a second.",
            (0.7, 1.9),
            plain,
        ),
        (
            "In the cut",
            "A buzz that keeps its pitch and its loudness.",
            "Width, depth and feed stay as they are, so each tooth takes the same chip as the one before.",
            (1.6, 3.2),
            plain,
        ),
        (
            "Exit",
            "The moment at which the buzz goes and only the hum is left.",
            "The tool has left the metal; from here until the next entry there is room to stop.",
            (2.8, 4.2),
            plain,
        ),
        (
            "Climb cut",
            "Each strike begins hard and fades.",
            "The tooth meets its thickest chip first and comes out thin.",
            (0.8, 3.8),
            like(width_mm=1.2, snr_db=28.0),
        ),
        (
            "Conventional cut",
            "Softer beginnings; the difference from the climb cut is small and not always heard.",
            "The tooth slides in thin and comes out at its thickest chip.",
            (0.8, 3.8),
            like(width_mm=1.2, snr_db=28.0, climb=False),
        ),
        (
            "Chatter",
            "Another machine: a second, singing pitch beside the buzz, and a rough edge to it.",
            "Tool or work swings at its own frequency, which is no whole multiple of the strikes.",
            (0.8, 3.8),
            like(seed=CHATTER_SEED, snr_db=28.0, faults=(Fault(kind="chatter", contact=1, amount=2.5),)),
        ),
        (
            "Rubbing at 10 percent feed",
            "The buzz is there, but faint; listen for pitch, not for loudness.",
            "A tenth of the feed is a tenth of the chip, and an edge that is not sharp enough for it rubs.",
            (0.4, 4.0),
            like(stretches=((0.12, 0.34),), duration_s=0.46, ramp_s=0.008, feed_override=10.0),
        ),
        (
            "Coolant over the cut",
            "A loud rush covers the hum, and most of the entry; the buzz is under it.",
            "Splashing liquid is noise at all pitches, so it hides what lies near it in pitch.",
            (0.8, 3.8),
            like(snr_db=16.0, coolant_db=12.0),
        ),
    )
    return tuple(
        Example(name=f"hear{i}", title=title, listen_for=hear, why=why, part_s=part, recipe=recipe)
        for i, (title, hear, why, part, recipe) in enumerate(rows)
    )


def make_lessons(*, seed: int, machine: Machine, drill: Drill | None = None) -> Lessons:
    """All sounds and words of the lessons.

    Parameters
    ----------
    seed : int
        Another number, other machines and other places.
    machine : Machine
        Whose stopping way the millimetres are reckoned with.
    drill : Drill | None
        With one, the page has the form that turns typed axis positions into travel.
    """
    sounds: dict[str, NDArray[np.float64]] = {}
    states: dict[str, list[dict[str, object]]] = {}

    def keep(name: str, made: Made) -> Made:
        sounds[name], states[name] = made.samples, states_of(made)
        return made

    data = {
        "hear": _hear(seed, keep),
        "name": _name(seed, keep),
        "hold": _hold(seed, keep) | _travel(machine),
        "follow": _follow(seed, keep),
        "machine": _drill(drill),
        "words": list(WORDS),
        "made": f"All sounds are made, from seed {seed}; nothing was recorded.",
    }
    return Lessons(data=data | {"states": states}, sounds=sounds)


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
                "listen_for": one.listen_for,
                "why": one.why,
                "figures": _figures(made),
            }
        )
    return told


def _figures(made: Made) -> str:
    """Loudness and roughness of the cut over the air before it, in words."""
    contact = made.truth.contacts[0]
    cut, air = made.samples[contact.full : contact.leaving], made.samples[: contact.start]
    louder = times_as_loud(cut, air, rate=made.rate)
    rough = roughness(cut, rate=made.rate), roughness(air, rate=made.rate)
    return (
        f"The cut is about {louder:.1f} times as loud as the air before it; "
        f"roughness {rough[0]:.2f} after {rough[1]:.2f} (figures to compare, not measurements)."
    )


def _name(seed: int, keep: Any) -> dict[str, Any]:
    """Contacts and noise of a few machines, and the true ratio of each, from which any other is mixed."""
    machines = []
    for number in range(N_MACHINES):
        recipe = Recipe(seed=seed + 100 + number, stretches=ONE, duration_s=WHOLE_S, snr_db=32.0)
        made = keep(f"name{number}", make_clip(recipe))
        contact = made.truth.contacts[0]
        steady = band_power(made.samples[contact.full : contact.leaving], made.rate)
        air = band_power(made.samples[: contact.start], made.rate)
        middle = {
            "air": 0.6,
            "entry": (contact.start + contact.full) / 2 / made.rate,
            "steady": (contact.full + contact.leaving) / 2 / made.rate,
            "exit": (contact.leaving + contact.stop) / 2 / made.rate,
        }
        machines.append(
            {
                "clip": f"name{number}",
                "cut_power": max(steady - air, 1e-12),
                "air_power": air,
                "from_s": {word: round(max(0.0, at - ASKED_S / 2), 4) for word, at in middle.items()},
            }
        )
    first = staircase.Staircase()
    return {
        "machines": machines,
        "asked_s": ASKED_S,
        "rule": {
            "start_db": first.level_db,
            "lowest_db": first.lowest_db,
            "highest_db": 24.0,
            "steps_db": list(staircase.STEPS_DB),
            "n_reversals": staircase.N_REVERSALS,
            "n_left_out": staircase.N_FIRST_LEFT_OUT,
            "most_trials": staircase.MOST_TRIALS,
        },
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


def _travel(machine: Machine) -> dict[str, Any]:
    return {
        "feeds": list(TEACHING_FEEDS),
        "after_press_mm": [round(travel_after_press(feed / 60.0, machine), 3) for feed in TEACHING_FEEDS],
        "sound_path_s": SOUND_PATH_S,
        "expected_s": REACTION_S,
        "surprise_s": SURPRISE_S,
        "soonest_s": reaction.SOONEST_S,
        "latest_s": reaction.LATEST_S,
    }


FOLLOWED = (
    ("early", 0.7, "started early: it was heard before its line was reached", 2),
    ("half-way", 0.4, "ended early: the sound stopped while the line still ran", 4),
    ("missing", 0.0, "was not heard at all: its line ran in silence", 3),
)


def _follow(seed: int, keep: Any) -> list[dict[str, Any]]:
    """Five contacts, one of them wrong, beside the listing that runs."""
    told = []
    for number, (kind, amount, words, wrong) in enumerate(FOLLOWED):
        rng = np.random.default_rng([seed, 6, number])
        stretches, at = [], 1.2
        for length in rng.uniform(1.2, 2.0, 5):
            stretches.append((round(at, 3), round(at + float(length), 3)))
            at += float(length) + 1.4
        fault = Fault(kind=kind, contact=wrong, amount=amount)
        recipe = Recipe(
            seed=seed + 60 + number, stretches=tuple(stretches), duration_s=round(at, 3), faults=(fault,)
        )
        keep(f"follow{number}", make_clip(recipe))
        told.append(
            {"clip": f"follow{number}", "wrong": wrong, "words": words, "lines": _listing(stretches, recipe)}
        )
    return told


def _listing(stretches: list[tuple[float, float]], recipe: Recipe) -> list[dict[str, Any]]:
    """An invented program: for each contact the move to it and the contact line."""
    lines: list[dict[str, Any]] = []
    before = 0.0
    for number, (start, stop) in enumerate(stretches, start=1):
        x = 20.0 * (number % 2)
        lines.append({"text": f"N{20 * number - 10} G1 Z-{number}.0 F900", "from_s": before, "to_s": start})
        lines.append(
            {
                "text": f"N{20 * number} G1 X{x:.1f} F900",
                "from_s": start,
                "to_s": stop,
                "contact": number,
                "ramp_s": recipe.ramp_s,
            }
        )
        before = stop
    return [*lines, {"text": "N110 G0 Z50.0", "from_s": before, "to_s": recipe.duration_s}]


def _drill(drill: Drill | None) -> dict[str, Any]:
    told: dict[str, Any] = {"cautions": list(CAUTIONS), "points": None}
    if drill:
        told |= {
            "points": [list(point) for point in drill.points],
            "feed": drill.feed,
            "off_line_mm": OFF_LINE_MM,
        }
    return told
