"""Heavier or lighter than it should be: against the sheet, by the run's own other contacts."""

from collections.abc import Sequence

import numpy as np

from listen.follow.hypotheses import Floats
from listen.follow.outcomes import Outcome
from listen.followed import Strength
from listen.states import ContactSound
from listen.timeline import Timeline

LEAST_OTHERS = 5  # passes there and back may be two loudnesses in turn: each is to be heard twice
LEAST_DIFFERENCE_DB = 4.0
MOST_AIR = 0.5  # of a sound: its loudness is that of its middle, and says nothing where that may be air


class Strengths:
    """How strong contacts were heard beside what the sheet says.

    Parameters
    ----------
    timeline : Timeline
    sounds : sequence of ContactSound
        All so far; more may be added with `take`.
    """

    def __init__(self, timeline: Timeline, sounds: Sequence[ContactSound] = ()) -> None:
        self._timeline = timeline
        self._sounds = list(sounds)
        self._excess: dict[int, Floats] = {}  # over the air, and without it

    def take(self, sound: ContactSound) -> None:
        """One more contact is over; only the newest are kept."""
        self._sounds.append(sound)
        del self._sounds[:-64]

    def sound_of(self, outcome: Outcome, rate: int) -> ContactSound | None:
        """The sound that overlaps most with where the contact was heard."""
        if not (np.isfinite(outcome.onset_s) and np.isfinite(outcome.offset_s)):
            return None
        start, stop = outcome.onset_s * rate, outcome.offset_s * rate
        best, most = None, 0.3 * (stop - start)
        for sound in self._sounds:
            shared = min(stop, sound.stop) - max(start, sound.start)
            if shared > most:
                best, most = sound, shared
        return best

    def of(self, index: int, outcome: Outcome, rate: int) -> tuple[Strength, float | None]:
        """The strength verdict on contact `index`, and how much louder it is than it should be [dB].

        What was judged so far is what it is held against; None where that is too little.
        """
        sound = self.sound_of(outcome, rate)
        if sound is None or not np.isfinite(sound.level_db) or _is_mostly_air(sound, outcome, rate):
            return Strength.CANNOT_TELL, None
        contact = self._timeline.contacts[index]
        own_db = sound.own_db if np.isfinite(sound.own_db) else sound.level_db
        excess = np.array([sound.level_db, own_db]) - contact.strength_db
        others = [
            value
            for other, value in self._excess.items()
            if self._timeline.contacts[other].tool == contact.tool and other != index
        ]
        self._excess[index] = excess
        if len(self._excess) > 64:
            del self._excess[next(iter(self._excess))]
        if len(others) < LEAST_OTHERS:
            return Strength.CANNOT_TELL, None
        return _beside(excess, np.array(others))


def _is_mostly_air(sound: ContactSound, outcome: Outcome, rate: int) -> bool:
    """Whether a contact of its expected length leaves more than `MOST_AIR` of the sound."""
    length_s = outcome.expected_offset_s - outcome.expected_onset_s
    return length_s * rate < (1.0 - MOST_AIR) * (sound.stop - sound.start)


def _beside(excess: Floats, others: Floats) -> tuple[Strength, float]:
    """Strength, and how much louder than the others [dB]: only what both measures say, by the lesser of them.

    Over the air, spray that comes on makes a contact lighter; without the air, a microphone does that
    sets its own level.
    """
    centre = np.median(others, axis=0)
    louder = excess - centre
    spread = np.array([_spread_of(others[:, k], centre[k]) for k in range(2)])
    beyond = np.abs(louder) > np.maximum(LEAST_DIFFERENCE_DB, 4.0 * spread)
    least = float(louder[np.argmin(np.abs(louder))])
    if not beyond.all() or louder[0] * louder[1] < 0.0:
        return Strength.AS_EXPECTED, least
    return (Strength.HEAVIER if least > 0.0 else Strength.LIGHTER), least


def _spread_of(values: Floats, centre: float) -> float:
    """Standard deviation as a normal would have it, by the larger of two robust rules.

    Passes there and back can be two loudnesses in turn: the middle deviation is blind to that,
    the distance of the outer tenths (2.563 standard deviations of a normal) is not.
    """
    low, high = np.quantile(values, (0.1, 0.9))
    middle = 1.4826 * float(np.median(np.abs(values - centre)))
    return max(middle, float(high - low) / 2.563)
