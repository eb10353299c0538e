"""The ear as a stage: frames in, state likelihoods, events and other findings out."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames, Gap
from listen.decide.contact_sound import ContactListener
from listen.decide.decoder import Decoder, DecoderSettings, Scores
from listen.decide.layout import Layout
from listen.decide.model import Model
from listen.decide.network import Memory, shares
from listen.decide.review import Review
from listen.errors import ListenError
from listen.states import ContactSound, Event, Finding, StateLikelihoods

Decided = Event | Finding | ContactSound | StateLikelihoods | Gap
PRIOR = np.log(np.array([0.6, 0.05, 0.3, 0.05]))  # share of frames the states have in the fit


class Decide:
    """Turn frames into what the machine is doing; nothing here knows the program.

    Parameters
    ----------
    model : Model
    layout : Layout
        Where the frames have their columns.
    hop : int
        Step from frame to frame [samples].
    spindle_hz : float
        Speed of the spindle [1/s], 0 where it is not known; it guides what is chatter.
    flutes : int
        0 where not known.
    settings : DecoderSettings
    """

    def __init__(
        self,
        model: Model,
        layout: Layout,
        *,
        hop: int,
        spindle_hz: float = 0.0,
        flutes: int = 0,
        settings: DecoderSettings | None = None,
    ) -> None:
        self.model = model
        self.layout = layout
        self.hop = hop
        spread = round(model.rates.onset_spread_s / layout.hop_s * hop)
        early = round(float(model.card.get("early_s", 0.03)) / layout.hop_s * hop)
        self._review = Review(model.second)
        self._decoder = Decoder(
            settings or DecoderSettings(),
            hop=hop,
            early=early,
            back=layout.back(hop),
            spread=spread,
            review=self._again,
        )
        self._listener = ContactListener(layout, hop=hop, spindle_hz=spindle_hz, flutes=flutes)
        self._memory = Memory(model.live)
        self._heard = 0
        self._closed = False

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        return (self._decoder.settings.last_look + 10) * self.hop

    def push(self, given: Frames | Gap) -> tuple[Decided, ...]:
        """Take the next frames, give what they decide."""
        if self._closed:
            raise ListenError("push() after close(): make a new Decide per run")
        if isinstance(given, Gap):
            self._memory = Memory(self.model.live)
            ended = self._decoder.start_anew(max(self._heard, given.start))
            self._review = Review(self.model.second)
            self._heard = given.stop
            return (*ended, *self._listener.start_anew(), given)
        return tuple(self._frames(given))

    def close(self) -> tuple[Decided, ...]:
        """End the stream; a contact still open ends where the sound ends."""
        self._closed = True
        events = self._decoder.close(self._heard)
        return (*events, *(s for event in events for s in self._listener.hear(event)))

    def _again(self) -> NDArray[np.float64]:
        return self._review()

    def _frames(self, frames: Frames) -> Iterator[Decided]:
        scores = self._memory.push(frames.values[:, self.layout.model])
        beliefs = 1.0 / (1.0 + np.exp(-scores[:, :3]))
        states = shares(scores[:, 3:])
        yield StateLikelihoods(
            at=frames.at, log_likelihood=np.log(states + 1e-9) - PRIOR, contact=beliefs[:, 0]
        )
        for i in range(len(frames)):
            self._heard = int(frames.at[i])
            self._review.keep(frames.values[i, self.layout.model])
            yield from self._listener.frame(self._heard, frames.values[i])
            for event in self._decoder.step(_scores(self._heard, beliefs[i], states[i])):
                yield event
                yield from self._listener.hear(event)


def _scores(at: int, beliefs: NDArray[np.float64], states: NDArray[np.float64]) -> Scores:
    return Scores(at=at, now=float(beliefs[0]), states=states)
