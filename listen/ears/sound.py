"""Hears sound: measured and decided on, once live and once more as a whole."""

from collections.abc import Callable, Sequence
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Frames, Gap
from listen.decide import Belief, Decide, Model, belief_of
from listen.decide.second_look import events_of
from listen.ears.ear import Given, Heard
from listen.ears.frame_store import FrameStore
from listen.ears.shipped import ear_layout
from listen.errors import RecordingError
from listen.hear.blanking import Blanking
from listen.hear.clipping import Clipping
from listen.hear.digital_silence import DigitalSilence
from listen.marks import Mark, MarkKind
from listen.measure import COLUMNS, Measure
from listen.record.features import Features
from listen.states import EarRates, Event, StateLikelihoods, Turning


class SoundEar:
    """Hears blocks of sound with a fitted model.

    Parameters
    ----------
    model : Model
    rate : int
        [Hz]
    keep : bool
        Whether to keep the frames for `look_again`; without, memory stays flat.
    note : callable | None
        Is given the frames as they are measured.
    """

    runs_on_load = False

    def __init__(
        self, model: Model, *, rate: int, keep: bool, note: Callable[[Frames | Gap], None] | None = None
    ) -> None:
        self._model = model
        self._layout = ear_layout()
        self._blanking = Blanking(rate)
        self._silence = DigitalSilence(rate)
        self._end = 0  # of what was given [samples]
        self._clipping = Clipping(rate)
        self._measure = Measure(rate)
        self._kept = FrameStore() if keep else None
        self._note = note
        self._decide = self._decider(())
        self._believed: tuple[StateLikelihoods, ...] = ()

    @property
    def hop(self) -> int:
        """From frame to frame [samples]."""
        return self._measure.pace.hop

    @property
    def rates(self) -> EarRates:
        """As measured on sound that the model was not fitted on."""
        return self._model.rates

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        return self._measure.latency + self._decide.latency

    def know(self, turnings: tuple[Turning, ...]) -> None:
        """They guide what is chatter and what the teeth sing; they say nothing of contact."""
        self._decide = self._decider(turnings)

    def push(self, given: Given) -> tuple[Heard, ...]:
        """Take the next block or gap; load and marks are not sound, but a page's own beep is passed over."""
        if isinstance(given, Mark) and given.kind is MarkKind.BEEP:
            self._blanking.blank(round(given.value * self._measure.rate))
        if not isinstance(given, Block | Gap):
            return ()
        self._end = given.stop
        sound = self._silence.push(self._blanking.push(given))
        pieces = chain.from_iterable(self._clipping.pieces(item) for item in sound)
        return tuple(chain.from_iterable(self._take(piece) for piece in pieces))

    def close(self) -> tuple[Heard, ...]:
        """End the stream and give what was still open."""
        silent = chain.from_iterable(self._take(gap) for gap in self._silence.close(self._end))
        return (*silent, *self._hear(self._measure.close()), *self._decide.close())

    def remember(self, stretches: Sequence[Frames]) -> None:
        """Keep frames that were measured earlier, for `look_again` alone."""
        assert self._kept is not None, "made without keep"
        for frames in stretches:
            self._kept.push(frames)
            self._kept.push(Gap(start=int(frames.at[-1]), stop=int(frames.at[-1]), reason="a stretch ended"))

    def look_again(self) -> tuple[Event, ...]:
        """Refined events, each stretch between gaps for itself."""
        beliefs = self.beliefs()
        self._believed = tuple(told_by(belief) for belief in beliefs)
        return tuple(chain.from_iterable(events_of(belief) for belief in beliefs))

    def believed_again(self) -> tuple[StateLikelihoods, ...]:
        """What the last `look_again` believed of each frame."""
        return self._believed

    def beliefs(self) -> list[Belief]:
        """What the second look believes of each stretch between gaps."""
        return [
            belief_of(frames, self._model, self._layout, hop=self.hop, sure=sure)
            for frames, sure in self._stretches()
            if len(frames) >= 5
        ]

    def _stretches(self) -> "list[tuple[Frames, NDArray[np.float64] | None]]":
        """Frames between gaps, each stretch with what the live ear thought of it where that was noted."""
        if self._kept is None:
            return []
        stretches = self._kept.stretches()
        return list(zip(stretches, self._kept.noted(stretches), strict=True))

    def _decider(self, turnings: tuple[Turning, ...]) -> Decide:
        note = self._kept.note if self._kept else None
        return Decide(self._model, self._layout, hop=self._measure.pace.hop, turnings=turnings, note=note)

    def _take(self, piece: Block | Gap) -> tuple[Heard, ...]:
        return (*self._hear(self._measure.push(piece)), *self._clipping.push(piece))

    def _hear(self, made: tuple[Frames | Gap, ...]) -> tuple[Heard, ...]:
        takers = [self._note] if self._note else []
        takers += [self._kept.push] if self._kept else []
        for take in takers:
            for item in made:
                take(item)
        return tuple(chain.from_iterable(self._decide.push(item) for item in made))


class FramesEar(SoundEar):
    """Hears frames that an earlier run measured and kept; blocks only say how far time has come.

    Parameters
    ----------
    model : Model
    features : Features
        What the run folder keeps.

    Raises
    ------
    RecordingError
        If they are not what is measured today.
    """

    def __init__(
        self, model: Model, features: Features, *, note: Callable[[Frames | Gap], None] | None = None
    ) -> None:
        super().__init__(model, rate=features.rate, keep=True, note=note)
        if features.columns != COLUMNS or features.hop != self.hop:
            raise RecordingError("the frames were measured by another version; listen to the sound again")
        self._at = np.concatenate([frames.at for frames in features.stretches])
        self._values = np.concatenate([frames.values for frames in features.stretches])
        self._done = 0

    def push(self, given: Given) -> tuple[Heard, ...]:
        """Take the next block or gap."""
        if isinstance(given, Gap):
            return self._hear((given,))
        begin, self._done = self._done, int(np.searchsorted(self._at, _end(given), side="right"))
        if self._done == begin:
            return ()
        part = slice(begin, self._done)
        return self._hear((Frames(at=self._at[part], values=self._values[part]),))

    def close(self) -> tuple[Heard, ...]:
        """End the stream and give what was still open."""
        return self._decide.close()


def told_by(belief: Belief) -> StateLikelihoods:
    """What the second look believes, as the live ear tells it."""
    return StateLikelihoods(
        at=np.maximum(belief.middle, 0),
        log_likelihood=np.log(belief.states + 1e-9),
        contact=1.0 / (1.0 + np.exp(-belief.whether)),
    )


def _end(given: Given) -> int:
    return given.stop if isinstance(given, Block) else 0
