"""Sound and load together while the run goes on: load fills in what sound missed; sound never waits.

Conventions
-----------
What sound decides is passed on as it comes. Load is believed only after it has had what sound had in
this run, and always about as late, or where sound's belief goes up and down with it, always about as late,
or where sound heard nothing at all in many contacts; then a contact that load is sure of and sound is silent
about becomes an event, told late, and dated by how late load came before. Dates that scatter would cost
more than the contact is worth. If sound hears that contact after all, sound tells its end.
"""

from collections import deque
from dataclasses import replace
from statistics import fmean, median

from listen.decide.fuse_lag import LagBySound
from listen.states import Event, Standing, State, StateLikelihoods

N_SEEN = 3  # contacts of load before it is believed
AGREE = 0.6  # of the contacts of sound that load must have had, too
N_SHARED = 2
N_DEAF = 8  # contacts of load of which sound had none, after which it is taken to be deaf
STEADY_S = 0.15  # mean by which load may be later or earlier than it mostly is
BELIEF = 0.85  # in a contact that load alone tells
KEPT = 40
LASTS_S = 2.0  # a shorter rise may be the spindle stopping
LATE_S = 1.0  # a contact of load is the one that sound has just had, if it begins within this
Span = tuple[int, int]


class FuseLive:
    """Merge the events of both, in the order in which they are decided.

    Parameters
    ----------
    rate : int
        [Hz]
    """

    def __init__(self, *, rate: int) -> None:
        self._late = round(LATE_S * rate)
        self._lasts = round(LASTS_S * rate)
        self._steady = round(STEADY_S * rate)
        self._waiting: Event | None = None  # that load is in a contact
        self._sound, self._load = _Side(), _Side()
        self._lag = LagBySound(rate=rate)
        self._late_by_belief: int | None = None
        self._filled_at = 0
        self._filled = False  # the contact that was passed on is load's alone
        self._joined = False  # sound heard the filled contact later: its beginning was told already
        self._supposed = False  # sound is about to decide on an entry of its own

    def believe(self, heard: StateLikelihoods) -> None:
        """Learn what sound believes, whether it decides or not."""
        self._lag.take(heard)

    def sound(self, event: Event) -> tuple[Event, ...]:
        """An event of sound, passed on unless it begins what load has filled in."""
        if event.state == State.ENTRY:
            self._supposed = event.standing == Standing.PROVISIONAL
        if event.standing != Standing.CONFIRMED:
            return (event,)
        self._sound.take(event)
        if event.state == State.ENTRY and self._filled:
            return self._join(event)
        if event.state in (State.EXIT, State.AIR):
            self._joined = False
        return () if self._joined else (event,)

    def _join(self, entry: Event) -> tuple[Event, ...]:
        """Sound begins a contact inside the one that load has: the same one, unless it begins far later."""
        self._filled = False
        self._joined = entry.at - self._filled_at <= self._late
        if self._joined:
            return ()
        return (replace(entry, state=State.EXIT), replace(entry, state=State.AIR), entry)

    def load(self, event: Event) -> tuple[Event, ...]:
        """An event of load, passed on where sound is silent and load has earned belief."""
        if event.standing != Standing.CONFIRMED:
            return ()
        self._load.take(event)
        if self._filled:
            if event.state == State.AIR:
                self._filled = False
                self._load.past.pop()  # what load alone had speaks neither for nor against it
            at = max(self._filled_at, event.at - self._late_by(1))
            return (replace(event, at=at, probability=min(BELIEF, event.probability)),)
        self._waiting = event if event.state == State.STEADY else None
        return ()

    def has_come(self, at: int) -> tuple[Event, ...]:
        """Learn how far time has come [samples]; a contact of load that lasts may be passed on."""
        began = self._load.since
        if self._waiting is None or began is None or at - began < self._lasts:
            return ()
        event, self._waiting = replace(self._waiting, decided_at=at), None
        return self._fill(event, began)

    def _fill(self, event: Event, began: int) -> tuple[Event, ...]:
        """Entry and steady of a contact that load is sure of, where sound has none."""
        if self._sound.since is not None or self._supposed:
            return ()
        self._late_by_belief = self._lag.late_by(self._load.past)
        if not self._believed():
            return ()
        if any(stop > began - self._late for _, stop in self._sound.past):
            return ()
        self._filled = True
        at = self._filled_at = max(0, began - self._late_by(0))
        entry = replace(event, state=State.ENTRY, at=at, probability=BELIEF)
        return (entry, replace(event, at=max(at, event.at - self._late_by(0)), probability=BELIEF))

    def _late_by(self, end: int) -> int:
        """How late load's beginnings (0) or ends (1) come, by the contacts that both had [samples]."""
        late = self._late_at(end)
        if late and self._is_steady(end):
            return round(median(late))
        return self._late_by_belief or (round(median(late)) if late else 0)

    def _late_at(self, end: int) -> list[int]:
        """The same of each contact that both had."""
        return [
            seen[end] - heard[end]
            for seen in self._load.past
            for heard in self._sound.past
            if _touch(heard, seen) and abs(seen[end] - heard[end]) <= self._late
        ]

    def _believed(self) -> bool:
        """Load has had what sound had, or what it nearly had, always about as late; or sound is deaf."""
        heard, seen = self._sound.past, self._load.past
        if len(seen) < N_SEEN:
            return False
        if self._late_by_belief is not None or (not heard and len(seen) >= N_DEAF):
            return True
        shared = sum(any(_touch(one, other) for other in seen) for one in heard)
        return shared >= AGREE * len(heard) and self._is_steady(0) and self._is_steady(1)

    def _is_steady(self, end: int) -> bool:
        late = self._late_at(end)
        if len(late) < N_SHARED:
            return False
        middle = median(late)
        return fmean(abs(one - middle) for one in late) <= self._steady


def _touch(one: Span, other: Span) -> bool:
    return one[0] < other[1] and other[0] < one[1]


class _Side:
    """One witness: since when it is in a contact, and those that are over."""

    def __init__(self) -> None:
        self.since: int | None = None
        self.past: deque[Span] = deque(maxlen=KEPT)

    def take(self, event: Event) -> None:
        if event.state == State.ENTRY:
            self.since = event.at
        elif event.state == State.AIR and self.since is not None:
            self.past.append((self.since, max(self.since, event.at)))
            self.since = None
