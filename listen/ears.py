"""What can hear: sound or spindle load in, events out, and a second look after the run."""

from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listen.blocks import Block, Frames, Gap, LoadSample
from listen.decide import (
    AHEAD_COLUMNS,
    LOAD_COLUMNS,
    LOAD_VERSION,
    Belief,
    Decide,
    DecideLoad,
    Layout,
    Model,
    Network,
    belief_of,
    load_model,
    load_network,
    second_look_load,
)
from listen.decide.second_look import events_of
from listen.errors import ModelError, RecordingError
from listen.hear.blanking import Blanking
from listen.hear.clipping import Clipping
from listen.hear.digital_silence import DigitalSilence
from listen.marks import Mark, MarkKind
from listen.measure import (
    BAND_COLUMNS,
    COLUMNS,
    FEATURES,
    FINE_COLUMNS,
    HOP_S,
    LINE_COLUMNS,
    MODEL_COLUMNS,
    VERSION,
    Measure,
    MeasureLoad,
)
from listen.measure.measure import SHORT_S, Pace
from listen.measure.spectrum import (
    FINE_HIGHEST_HZ,
    FINE_LOWEST_HZ,
    HIGHEST_HZ,
    LOWEST_HZ,
    N_BANDS,
    N_FINE,
    log_edges,
)
from listen.record.features import Features, FeatureWriter
from listen.shipped import models_folder
from listen.states import (
    AirSound,
    ContactLoad,
    ContactSound,
    EarRates,
    Event,
    Finding,
    Learnt,
    Standing,
    State,
    StateLikelihoods,
    Turning,
)

Given = Block | Gap | LoadSample | Mark
Heard = Event | Finding | ContactSound | AirSound | Learnt | ContactLoad | StateLikelihoods | Gap
LOAD_MODEL, LOAD_PARTS = "mill_load", ("second", "wider")
# Of load at 5 Hz, by tests/hear/test_load_alone.py: entries and exits lie within 0.25 s of the truth there.
LOAD_RATES = EarRates(
    false_bursts_per_hour=2.0,
    dropouts_per_hour=2.0,
    missed_share=0.02,
    onset_spread_s=0.12,
    offset_spread_s=0.12,
)
# Of 60 made logs of tools/bench load, four of each family: in the 40 in which the mean belief in the contacts
# is as great, none of 1010 contacts of a second or more was missed (three would be a share of .003), so
# that one that was not heard does not speak for more that were missed.
CLEAR, MISSED_IF_CLEAR, MISSED_WORTH = 0.95, 0.001, 1000.0


class Ear(Protocol):
    """Hears one kind of input; what is not for it is passed over."""

    runs_on_load: bool

    @property
    def rates(self) -> EarRates:
        """How often it errs."""
        ...

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        ...

    def know(self, turnings: tuple[Turning, ...]) -> None:
        """Learn, before anything is heard, which spindle speeds and flutes the program has."""
        ...

    def push(self, given: Given) -> tuple[Heard, ...]:
        """Take the next input, give what it decides."""
        ...

    def close(self) -> tuple[Heard, ...]:
        """End the stream."""
        ...

    def look_again(self) -> tuple[Event, ...]:
        """Events as known after the whole run; needs `keep` when the ear was made."""
        ...

    def believed_again(self) -> tuple[StateLikelihoods, ...]:
        """What the last `look_again` believed of each frame; none where the ear does not tell."""
        ...


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


def told_by(belief: Belief) -> StateLikelihoods:
    """What the second look believes, as the live ear tells it."""
    return StateLikelihoods(
        at=np.maximum(belief.middle, 0),
        log_likelihood=np.log(belief.states + 1e-9),
        contact=1.0 / (1.0 + np.exp(-belief.whether)),
    )


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


def _end(given: Given) -> int:
    return given.stop if isinstance(given, Block) else 0


def kept_features(folder: Path, rate: int) -> "closing[FeatureWriter]":
    """What takes the frames of a run that keeps them, closed with the block."""
    edges = log_edges(LOWEST_HZ, HIGHEST_HZ, N_BANDS)
    centres = np.sqrt(edges[1:] * edges[:-1])
    hop = Pace.at(rate).hop
    return closing(FeatureWriter(folder, rate=rate, hop=hop, columns=COLUMNS, bands_hz=list(centres)))


class LoadEar:
    """Hears contact in spindle load alone; parameters as for `SoundEar`."""

    runs_on_load = True

    def __init__(self, *, rate: int, keep: bool) -> None:
        self._rate = rate
        self._measure = MeasureLoad(rate=rate)
        self._decide = DecideLoad(rate=rate)
        self._kept = FrameStore() if keep else None
        self._marks: list[Mark] = []
        self._kind = ""
        self._entered: int | None = None
        self._rates = LOAD_RATES

    @property
    def rates(self) -> EarRates:
        """As measured on made logs; after the second look those of a log as clear as this one."""
        return self._rates

    @property
    def latency(self) -> int:
        """Longest wait from a change to its confirmed event [samples]."""
        return self._measure.latency + self._decide.latency

    def know(self, turnings: tuple[Turning, ...]) -> None:
        """Load has no use for them."""

    def push(self, given: Given) -> tuple[Heard, ...]:
        """Take the next load sample or mark."""
        if not isinstance(given, LoadSample | Mark):
            return ()
        if isinstance(given, Mark) and self._kept is not None:
            self._marks.append(given)
        if isinstance(given, LoadSample):
            self._kind = given.kind
        return self._hear(self._measure.push(given))

    def close(self) -> tuple[Heard, ...]:
        """End the stream and give what was still open."""
        return (*self._hear(self._measure.close()), *self._with_load(self._decide.close()))

    def look_again(self) -> tuple[Event, ...]:
        """Refined events; block by block where the log names lines."""
        whole = self._kept.stretches() if self._kept else []
        if not whole:
            return ()
        networks = shipped_load_networks()
        events = second_look_load(whole[0], self._marks, rate=self._rate, networks=networks)
        sure = [event.probability for event in events if event.state == State.ENTRY]
        if sure and sum(sure) >= CLEAR * len(sure):
            self._rates = replace(LOAD_RATES, missed_share=MISSED_IF_CLEAR, missed_worth=MISSED_WORTH)
        return events

    def believed_again(self) -> tuple[StateLikelihoods, ...]:
        """Load tells no belief."""
        return ()

    def _hear(self, made: Sequence[Frames]) -> tuple[Heard, ...]:
        if self._kept is not None:
            for item in made:
                self._kept.push(item)
        return tuple(chain.from_iterable(self._with_load(self._decide.push(item)) for item in made))

    def _with_load(self, events: Sequence[Event]) -> tuple[Heard, ...]:
        """The events, and after the end of each contact what it drew."""
        told: list[Heard] = []
        for event in events:
            told.append(event)
            if event.standing is not Standing.CONFIRMED:
                continue
            if event.state is State.ENTRY:
                self._entered = event.at
            elif event.state is State.AIR and self._entered is not None:
                told.append(
                    ContactLoad(
                        start=self._entered,
                        stop=event.at,
                        decided_at=event.decided_at,
                        rise=self._decide.rise,
                        kind=self._kind,
                    )
                )
                self._entered = None
        return tuple(told)


class FrameStore:
    """Keeps the frames of a run for the second look, half as large as they came, a piece a stretch."""

    def __init__(self) -> None:
        self._stretches: list[list[tuple[NDArray[np.int64], NDArray[np.float32]]]] = [[]]
        self._noted: list[NDArray[np.float32]] = []

    def note(self, values: NDArray[np.float64]) -> None:
        """Keep a number for each of the next frames; single precision must hold it exactly."""
        self._noted.append(values.astype(np.float32))

    def noted(self, stretches: Sequence[Frames]) -> list[NDArray[np.float64] | None]:
        """The numbers of the frames of each stretch; None each where not every frame has one."""
        lengths = [len(frames) for frames in stretches]
        noted = np.concatenate([*self._noted, np.empty(0, dtype=np.float32)]).astype(np.float64)
        if noted.size != sum(lengths):
            return [None] * len(lengths)
        return list(np.split(noted, np.cumsum(lengths)[:-1])) if lengths else []

    def push(self, made: Frames | Gap) -> None:
        """Keep frames; a gap begins a new stretch."""
        if isinstance(made, Gap):
            self._stretches.append([])
        else:
            self._stretches[-1].append((made.at, made.values.astype(np.float32)))

    def stretches(self) -> list[Frames]:
        """The frames between gaps, each stretch in one piece."""
        return [
            Frames(
                at=np.concatenate([at for at, _ in pieces]),
                values=np.concatenate([values for _, values in pieces], dtype=np.float64),
            )
            for pieces in self._stretches
            if pieces
        ]


def ear_layout() -> Layout:
    """Where `measure` puts what `decide` looks for."""
    return Layout(
        model=MODEL_COLUMNS,
        bands=BAND_COLUMNS,
        fine=FINE_COLUMNS,
        lines=LINE_COLUMNS,
        band_edges_hz=log_edges(LOWEST_HZ, HIGHEST_HZ, N_BANDS),
        fine_edges_hz=log_edges(FINE_LOWEST_HZ, FINE_HIGHEST_HZ, N_FINE),
        hop_s=HOP_S,
        window_s=SHORT_S,
    )


def shipped_model(folder: Path | None = None) -> Model:
    """The model in `folder`, or the shipped one.

    Raises
    ------
    ModelError
        If there is none, or it does not fit the frames.
    """
    if folder is None:
        found = sorted(path.parent for path in models_folder().glob("*/card.json"))
        if not found:
            raise ModelError(f"no model in {models_folder()}; install cut-listen again")
        folder = found[0]
    return load_model(folder, features=FEATURES, version=VERSION)


def shipped_load_networks() -> tuple[Network, ...]:
    """The shipped networks that take a second look at a load log.

    Raises
    ------
    ModelError
        If there is none, or it does not fit what is told of a load log.
    """
    columns = (*LOAD_COLUMNS, *AHEAD_COLUMNS)
    folder = models_folder() / LOAD_MODEL
    return tuple(load_network(folder, part, features=columns, version=LOAD_VERSION) for part in LOAD_PARTS)
