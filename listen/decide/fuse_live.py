"""Sound and load together while the run goes on: load fills in what sound missed; sound never waits.

Conventions
-----------
What sound decides is passed on as it comes. Load is believed only after it has agreed with sound in
this run, or where sound heard nothing at all; then a contact that load is sure of and sound is silent
about becomes an event, late as load is. If sound hears that contact after all, sound tells its end.
"""

from collections import deque
from dataclasses import replace

from listen.decide.fuse import AGREE
from listen.states import Event, Standing, State

N_SEEN = 2  # contacts of load before it is believed
BELIEF = 0.85  # in a contact that load alone tells
KEPT = 40
Span = tuple[int, int]


class FuseLive:
    """Merge the events of both, in the order in which they are decided."""

    def __init__(self) -> None:
        self._sound, self._load = _Side(), _Side()
        self._filled = False  # the contact that was passed on is load's alone
        self._joined = False  # sound heard the filled contact later: its beginning was told already

    def sound(self, event: Event) -> tuple[Event, ...]:
        """An event of sound, passed on unless it begins what load has filled in."""
        if event.standing != Standing.CONFIRMED:
            return (event,)
        self._sound.take(event)
        if event.state == State.ENTRY and self._filled:
            self._filled, self._joined = False, True
        if event.state in (State.EXIT, State.AIR):
            self._joined = False
        return () if self._joined else (event,)

    def load(self, event: Event) -> tuple[Event, ...]:
        """An event of load, passed on where sound is silent and load has earned belief."""
        if event.standing != Standing.CONFIRMED:
            return ()
        self._load.take(event)
        if self._filled:
            self._filled = event.state != State.AIR
            return (replace(event, probability=min(BELIEF, event.probability)),)
        return self._fill(event) if event.state == State.STEADY else ()

    def _fill(self, event: Event) -> tuple[Event, ...]:
        """Entry and steady of a contact that load is sure of, where sound has none."""
        began = self._load.since
        silent = self._sound.since is None and all(stop <= (began or 0) for _, stop in self._sound.past)
        if began is None or not silent or not self._believed():
            return ()
        self._filled = True
        entry = replace(event, state=State.ENTRY, at=began, probability=BELIEF)
        return (entry, replace(event, at=max(began, event.at), probability=BELIEF))

    def _believed(self) -> bool:
        heard, seen = self._sound.past, self._load.past
        if len(seen) < N_SEEN:
            return False
        shared = sum(max(0, min(a[1], b[1]) - max(a[0], b[0])) for a in heard for b in seen)
        least = min(sum(stop - start for start, stop in side) for side in (heard, seen))
        return not heard or shared >= AGREE * least


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
