"""The ear as a stage: frames in, state likelihoods, events and other findings out."""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Frames, Gap
from listen.decide.change import was_cutting
from listen.decide.contact_sound import ContactListener
from listen.decide.decoder import Decoder, DecoderSettings, Scores
from listen.decide.kept import AT_ONCE, Kept
from listen.decide.layout import Layout
from listen.decide.model import Model
from listen.decide.network import SURE_HEAD, Memory, shares
from listen.decide.own_sound import Opinion, OwnSound
from listen.decide.review import LOOKS_BACK, Review
from listen.decide.shop import ShopSoFar
from listen.decide.spindle import AirListener
from listen.decide.supposition import Supposition, supposition_of
from listen.errors import ListenError
from listen.states import AirSound, ContactSound, Event, Finding, Learnt, StateLikelihoods, Turning

Decided = Event | Finding | ContactSound | AirSound | Learnt | StateLikelihoods | Gap
KEPT_S = 240.0  # of a contact that is summed up
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
    turnings : tuple of Turning
        Spindle speeds and flutes that the program has; they guide what is chatter and what the teeth sing.
    settings : DecoderSettings
    supposition : Supposition | None
        How likely a provisional change is one; None for what the model's card says of that.
    note : callable | None
        Is given what the live ear thinks of a second ago, log odds of contact, shape (n_frames,), frame by
        frame: the second look need not work that out again.
    """

    def __init__(
        self,
        model: Model,
        layout: Layout,
        *,
        hop: int,
        turnings: tuple[Turning, ...] = (),
        settings: DecoderSettings | None = None,
        supposition: Supposition | None = None,
        note: Callable[[NDArray[np.float64]], None] | None = None,
    ) -> None:
        self.model = model
        self._note = note
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
            own=self._taught,
            supposition=supposition or supposition_of(model.card),
        )
        self._kept = Kept(layout, hop=hop, kept_s=KEPT_S)
        self._own = OwnSound(self._kept, hop=hop)
        self._listener = ContactListener(layout, self._kept, hop=hop, turnings=turnings)
        self._air = AirListener(layout, self._kept, hop=hop)
        self._memory = Memory(model.live)
        self._shop = self._new_shop()
        self._heard = 0
        self._ahead = 0  # frames that are kept and not judged yet
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
            self._shop = self._new_shop()
            self._heard = given.stop
            self._kept.start_anew()
            self._own = OwnSound(self._kept, hop=self.hop, since=given.stop)
            self._listener.start_anew()
            self._air.start_anew()
            return (*ended, given)
        pieces = (_rows(given, first, first + AT_ONCE) for first in range(0, len(given), AT_ONCE))
        return tuple(made for piece in pieces for made in self._frames(piece))

    def close(self) -> tuple[Decided, ...]:
        """End the stream; a contact still open ends where the sound ends."""
        self._closed = True
        events = self._decoder.close(self._heard)
        return (*(s for event in events for s in self._listener.hear(event)), *events)

    def _new_shop(self) -> ShopSoFar | None:
        shop = self.model.shop
        return None if shop is None else ShopSoFar(shop, self.layout, kept=LOOKS_BACK + AT_ONCE)

    def _again(self) -> NDArray[np.float64]:
        belief = self._review(ahead=self._ahead)
        if self._shop is None:
            return belief
        return self._shop.reviewed(belief, ahead=self._ahead)

    def _taught(self, n_frames: int) -> Opinion | None:
        return self._own.opinion(self._heard, n_frames)

    def _stands(self, finding: Finding) -> bool:
        """Whether the sound changed in the cut: where the two-sided ear heard air before it, a cut began."""
        if not finding.kind.startswith("sound changed"):
            return True
        return was_cutting(self._again(), (finding.decided_at - finding.start) // self.hop)

    def _frames(self, frames: Frames) -> Iterator[Decided]:
        features = frames.values[:, self.layout.model]
        scores = self._memory.push(features)
        if self._note is not None:
            self._note(scores[:, SURE_HEAD])
        if self._shop is not None:
            self._shop.push(frames.values)
            scores = self._shop.heard(scores)
        beliefs = 1.0 / (1.0 + np.exp(-scores[:, 0]))
        states = shares(scores[:, 3:])
        yield StateLikelihoods(at=frames.at, log_likelihood=np.log(states + 1e-9) - PRIOR, contact=beliefs)
        self._review.keep(features)
        self._kept.push(frames.at, frames.values)
        fine, ahead = frames.values[:, self.layout.fine], len(frames)
        sure, then = scores[:, SURE_HEAD].tolist(), states.tolist()
        each = zip(frames.at.tolist(), beliefs.tolist(), then, sure, fine, strict=True)
        for at, belief, shares_then, sure_then, fine_db in each:
            self._heard, ahead = at, ahead - 1
            self._ahead = ahead
            yield from filter(self._stands, self._listener.step(at, fine_db))
            yield from self._air.step(at)
            for event in self._decoder.step(Scores(at=at, now=belief, states=shares_then)):
                yield from self._listener.hear(event)  # first: who judges the contact needs its sound
                yield event
                self._air.hear(event)
                self._own.hear(event)
            yield from self._own.step(at, in_contact=self._decoder.settled, sure=sure_then)


def _rows(frames: Frames, first: int, last: int) -> Frames:
    if first == 0 and last >= len(frames):
        return frames
    return Frames(at=frames.at[first:last], values=frames.values[first:last])
