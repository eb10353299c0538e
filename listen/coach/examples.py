"""The guided examples: what is played, what to listen for, and why it sounds so."""

import dataclasses
from dataclasses import dataclass
from typing import Any

from listen.coach.lesson_sound import Recipe
from listen.coach.psychoacoustics import times_as_loud, tone_to_noise_db
from listen.synth import Fault, Made

ONE = ((1.2, 3.4),)
WHOLE_S = 4.6
CHATTER_SEED = 5  # a machine whose chatter stands 26 dB over the rest of its band; others hide it
SOURCES = (
    "Loudness after ISO 532-1, simplified: ten decibels, A-weighted (IEC 61672-1), are twice as loud.",
    "A tone over what lies near it: after ECMA-418-1, simplified; from about 8 dB up it stands out.",
    "All are figures to compare with each other; none is a measurement.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One sound to hear.

    Attributes
    ----------
    name, title : str
        Its name on the page, and what it is.
    listen_for, why : str
        One sentence each.
    part_s : (from_s, to_s)
        What is played of the clip.
    recipe : Recipe
    figures : tuple of str
        Which figures of hearing teach something here: "loud", "tone".
    """

    name: str
    title: str
    listen_for: str
    why: str
    part_s: tuple[float, float]
    recipe: Recipe
    figures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """The words of an example, and in what its sound differs from the plain contact."""

    title: str
    listen_for: str
    why: str
    part_s: tuple[float, float] = (0.8, 3.8)
    changed: tuple[tuple[str, Any], ...] = ()
    figures: tuple[str, ...] = ()


TOLD = (
    Told(
        title="Air",
        listen_for="An even hum and rush that does not change while the axes move.",
        why="Spindle, fans and room sound alike whether or not the tool is near the work.",
        part_s=(0.2, 1.1),
    ),
    Told(
        title="Entry",
        listen_for="The moment at which a buzz at a steady pitch comes up out of the hum.",
        why="Each tooth strikes once a turn; three teeth at 3000 turns a minute strike 150 times a second.",
        part_s=(0.7, 1.9),
    ),
    Told(
        title="In the cut",
        listen_for="A buzz that keeps its pitch and its loudness.",
        why="Width, depth and feed stay as they are, so each tooth takes the same chip as the one before.",
        part_s=(1.6, 3.2),
        figures=("loud",),
    ),
    Told(
        title="Exit",
        listen_for="The moment at which the buzz goes and only the hum is left.",
        why="The tool has left the metal; from here until the next entry there is room to stop.",
        part_s=(2.8, 4.2),
    ),
    Told(
        title="Climb cut",
        listen_for="Each strike begins hard and fades.",
        why="The tooth meets its thickest chip first and comes out thin.",
        changed=(("width_mm", 1.2), ("snr_db", 28.0)),
    ),
    Told(
        title="Conventional cut",
        listen_for="Softer beginnings; the difference from the climb cut is small and not always heard.",
        why="The tooth slides in thin and comes out at its thickest chip.",
        changed=(("width_mm", 1.2), ("snr_db", 28.0), ("climb", False)),
    ),
    Told(
        title="Chatter",
        listen_for="Another machine: a second, singing pitch beside the buzz, and a rough edge to it.",
        why="Tool or work swings at its own frequency, which is no whole multiple of the strikes.",
        changed=(
            ("seed", CHATTER_SEED),
            ("snr_db", 28.0),
            ("faults", (Fault(kind="chatter", contact=1, amount=2.5),)),
        ),
        figures=("tone",),
    ),
    Told(
        title="Rubbing at 10 percent feed",
        listen_for="The buzz is there, but faint; listen for pitch, not for loudness.",
        why="A tenth of the feed is a tenth of the chip, and an edge that is not sharp enough for it rubs.",
        part_s=(0.4, 4.0),
        changed=(
            ("stretches", ((0.12, 0.34),)),
            ("duration_s", 0.46),
            ("ramp_s", 0.008),
            ("feed_override", 10.0),
        ),
        figures=("loud",),
    ),
    Told(
        title="Coolant over the cut",
        listen_for="A loud rush covers the hum, and most of the entry; the buzz is under it.",
        why="Splashing liquid is noise at all pitches, so it hides what lies near it in pitch.",
        changed=(("snr_db", 16.0), ("coolant_db", 12.0)),
        figures=("loud",),
    ),
)


def examples(seed: int) -> tuple[Example, ...]:
    """The guided examples, all but chatter of one machine so that only one thing differs."""
    plain = Recipe(seed=seed, stretches=ONE, duration_s=WHOLE_S)
    return tuple(
        Example(
            name=f"hear{number}",
            title=told.title,
            listen_for=told.listen_for,
            why=told.why,
            part_s=told.part_s,
            recipe=dataclasses.replace(plain, **dict(told.changed)),
            figures=told.figures,
        )
        for number, told in enumerate(TOLD)
    )


def figures_of(made: Made, wanted: tuple[str, ...]) -> str:
    """The figures of hearing that are wanted, of the cut beside the air before it, in words."""
    contact = made.truth.contacts[0]
    cut, air = made.samples[contact.full : contact.leaving], made.samples[: contact.start]
    words = []
    if "loud" in wanted:
        words.append(
            f"The cut is about {times_as_loud(cut, air, rate=made.rate):.1f} times as loud as the air."
        )
    if "tone" in wanted:
        words.append(_tone_words(made))
    return " ".join(words)


def _tone_words(made: Made) -> str:
    contact, chatter = made.truth.contacts[0], made.truth.chatter[0]
    cut, hz = made.samples[contact.full : contact.leaving], chatter.frequency_hz
    over_db = tone_to_noise_db(cut, rate=made.rate, frequency_hz=hz)
    return f"The singing pitch, {hz:.0f} Hz, stands {over_db:.0f} dB over what lies near it."
