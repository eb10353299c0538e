"""What a run teaches the ear while it goes on: how this machine's own air and its own cut sound.

Conventions
-----------
It learns band levels, only from stretches that are settled, away from their changes, and of these the
frames that the live ear a second later takes for the same: an end that came late, or a contact that was
not confirmed, would teach the wrong side. What it has learnt is held against each stretch that follows
before that is learnt too; it is heard only while it would have been right. A run of nothing but air
teaches nothing.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listen.decide.kept import Kept
from listen.decide.kernels import smooth_rows
from listen.decide.layout import REACH
from listen.decide.network import SURE_FRAMES
from listen.states import Event, Learnt, Standing, State

Levels = NDArray[np.float64]
AFTER, BEFORE = 10, 8  # frames next to a change that teach nothing
EVERY, BEHIND = 100, 150  # frames: so often a long stretch teaches, up to so far behind the newest
FEWEST = 4  # frames that teach
KEPT = 1000  # frames of what the live ear thought


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnSoundSettings:
    """Limits of what a run teaches.

    Attributes
    ----------
    share : float
        Of what was learnt in the log odds of contact, at most [0 to 1].
    remembered : int
        Older frames than so many of air, and so many of contact, are forgotten by and by.
    least, plenty : int
        With fewer frames of air or contact nothing is said; with so many the share is whole.
    floor_db : float
        What every level is taken to scatter by, beside what was seen [dB].
    alone : float
        How much of what bands were seen to do together is not believed [0 to 1]: so few frames show
        some by chance.
    apart : float
        Least distance of cut from air [squared, in scatters].
    strongest : float
        How far the log odds go [nats].
    checked : int
        A stretch of so many frames counts for half in how often what was learnt was right.
    poor, good : float
        Right this often, it has no share, and the whole of it.
    """

    share: float = 0.3
    remembered: int = 1000
    least: int = 60
    plenty: int = 200
    floor_db: float = 1.5
    alone: float = 0.1
    apart: float = 8.0
    strongest: float = 6.0
    checked: int = 100
    poor: float = 0.9
    good: float = 0.98


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Opinion:
    """What the run's own sound says of the last frames.

    Attributes
    ----------
    odds : ndarray, shape (n_frames,)
        Log odds of contact [nats].
    share : float
        How much it has to say [0 to 1].
    """

    odds: Levels
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Side:
    """Levels of air, or of contact, from so many frames.

    Attributes
    ----------
    n : int
    mean : ndarray, shape (n_bands,)
        [dB]
    scatter : ndarray, shape (n_bands, n_bands)
        Covariance of the bands [dB²]: a microphone's level control moves all of them together.
    """

    n: int
    mean: Levels
    scatter: Levels

    @classmethod
    def of(cls, levels: Levels) -> "Side":
        """What frames of shape (n_frames, n_bands) are like."""
        mean = levels.mean(axis=0)
        return cls(n=len(levels), mean=mean, scatter=(levels - mean).T @ (levels - mean) / len(levels))

    def with_more(self, levels: Levels, remembered: int) -> "Side":
        """The same with more frames; of the older ones so many count that all are `remembered` at most."""
        new = Side.of(levels[-remembered:])
        kept = min(self.n, remembered - new.n)
        part, moved = new.n / (kept + new.n), new.mean - self.mean
        between = part * (1.0 - part) * np.outer(moved, moved)
        scatter = (1.0 - part) * self.scatter + part * new.scatter + between
        return Side(n=kept + new.n, mean=self.mean + part * moved, scatter=scatter)


def discriminant(contact: Side, air: Side, *, floor_db: float, alone: float) -> tuple[Levels, Levels]:
    """What best tells contact from air: Fisher's linear discriminant (1936), drawn towards single bands.

    Parameters
    ----------
    contact, air : Side
    floor_db, alone : float
        As in `OwnSoundSettings`.

    Returns
    -------
    weight : ndarray, shape (n_bands,)
        Times levels less `middle`: log odds of contact [nats/dB].
    middle : ndarray, shape (n_bands,)
        [dB]
    """
    seen = 0.5 * (contact.scatter + air.scatter)
    each = np.diag(np.diag(seen))
    scatter = each + (1.0 - alone) * (seen - each) + floor_db**2 * np.eye(len(seen))
    weight = np.asarray(np.linalg.solve(scatter, contact.mean - air.mean), dtype=np.float64)
    return weight, 0.5 * (contact.mean + air.mean)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stretch:
    """Settled frames in (after, until] that are still to be learnt [samples]."""

    after: int
    until: int
    is_contact: bool


class OwnSound:
    """Learns a run's own air and contact, and says where new frames lie between them.

    Parameters
    ----------
    kept : Kept
        Holds the last frames.
    hop : int
        [samples]
    since : int
        Where the stream begins [samples].
    settings : OwnSoundSettings | None
    """

    def __init__(
        self, kept: Kept, *, hop: int, since: int = 0, settings: OwnSoundSettings | None = None
    ) -> None:
        self.settings = settings or OwnSoundSettings()
        self._kept = kept
        self._hop = hop
        self._sides: dict[bool, Side] = {}  # of contact, and of air
        self._right: dict[bool, float] = {}  # how often what was learnt was right of each
        self._weight: Levels | None = None
        self._middle: Levels = np.zeros(0)
        self._taken = self._changed = since  # settled up to there, and changed last [samples]
        self._stretches: deque[_Stretch] = deque()  # oldest first
        self._sure: deque[float] = deque(maxlen=KEPT)  # what the live ear thought of `SURE_FRAMES` ago [nats]
        self._n_steps = 0
        self._told = 0.0

    @property
    def share(self) -> float:
        """How much the run's own sound has to say by now [0 to `settings.share`]."""
        settings = self.settings
        if self._weight is None or len(self._right) < 2:
            return 0.0
        right = (min(self._right.values()) - settings.poor) / (settings.good - settings.poor)
        enough = [min(1.0, side.n / settings.plenty) for side in self._sides.values()]
        return settings.share * min(max(right, 0.0), 1.0) * enough[0] * enough[1]

    def step(self, at: int, *, in_contact: bool | None, sure: float) -> tuple[Learnt, ...]:
        """Know that a frame has been judged, and what is settled; None while a change waits.

        `sure` is what the live ear now thinks of a second ago, as log odds of contact. Tells how far the
        run has taught by now, in tenths, where that has changed.
        """
        self._sure.append(sure)
        self._n_steps += 1
        if self._n_steps % EVERY:
            return ()
        if in_contact is not None:
            self._settle_until(at - BEHIND * self._hop, in_contact)
        self._learn_heard_out(at)
        part = round(self.share / self.settings.share, 1)
        if part == self._told:
            return ()
        self._told = part
        return (Learnt(at=at, part=part),)

    def hear(self, event: Event) -> None:
        """Know the stretch that a confirmed change ends."""
        if event.standing is not Standing.CONFIRMED or event.state not in (State.ENTRY, State.AIR):
            return
        self._settle_until(event.at - BEFORE * self._hop, event.state is State.AIR)
        self._changed = self._taken = max(event.at, self._changed)

    def opinion(self, at: int, n_frames: int) -> Opinion | None:
        """What the frames up to `at` are by the run's own sound; None where it has nothing to say."""
        share = self.share
        if share == 0.0:
            return None
        levels = self._levels(at - n_frames * self._hop, at)
        return Opinion(odds=self._odds(levels), share=share) if len(levels) == n_frames else None

    def _settle_until(self, until: int, is_contact: bool) -> None:
        """Let what is settled up to there be learnt, once the live ear has heard it out."""
        after = max(self._taken, self._changed + AFTER * self._hop)
        if until - after >= FEWEST * self._hop:
            self._stretches.append(_Stretch(after=after, until=until, is_contact=is_contact))
            self._taken = until

    def _learn_heard_out(self, at: int) -> None:
        while self._stretches and self._stretches[0].until + SURE_FRAMES * self._hop <= at:
            stretch = self._stretches.popleft()
            levels = self._levels(stretch.after, stretch.until)
            sure = self._sure_of(at, stretch.until, len(levels))
            levels = levels[len(levels) - len(sure) :]
            agreed = (sure > 0.0) == stretch.is_contact
            if agreed.sum() >= FEWEST:
                self._learn(levels[agreed], stretch.is_contact)

    def _sure_of(self, at: int, until: int, n_frames: int) -> Levels:
        """What the live ear thought of the last frames up to `until` a second later, as far as it is kept."""
        newer = max(0, -(-(at - until) // self._hop) - SURE_FRAMES)
        sure = np.array(self._sure)
        return sure[max(0, len(sure) - newer - n_frames) : len(sure) - newer]

    def _learn(self, levels: Levels, is_contact: bool) -> None:
        if self._weight is not None:
            self._check(levels, is_contact)
        side = self._sides.get(is_contact)
        more = Side.of(levels) if side is None else side.with_more(levels, self.settings.remembered)
        self._sides[is_contact] = more
        self._fit()

    def _levels(self, after: int, until: int) -> Levels:
        """Band levels of the frames in (after, until], smoothed over a few of them [dB]."""
        rows = self._kept.bands(after, until).astype(np.float64)
        smooth_rows(rows, REACH, smooth := np.empty(rows.shape))
        return smooth

    def _check(self, levels: Levels, is_contact: bool) -> None:
        """Hold what was learnt against frames that it has not learnt yet."""
        right = float(np.mean((self._odds(levels) > 0.0) == is_contact))
        before = self._right.get(is_contact, right)
        part = 0.5 * min(1.0, len(levels) / self.settings.checked)
        self._right[is_contact] = before + part * (right - before)

    def _fit(self) -> None:
        """The direction from air to contact, where they are far enough apart."""
        settings = self.settings
        if len(self._sides) < 2 or min(side.n for side in self._sides.values()) < settings.least:
            return
        contact, air = self._sides[True], self._sides[False]
        weight, self._middle = discriminant(contact, air, floor_db=settings.floor_db, alone=settings.alone)
        self._weight = weight if weight @ (contact.mean - air.mean) >= settings.apart else None

    def _odds(self, levels: Levels) -> Levels:
        assert self._weight is not None, "asked before anything was learnt"
        strongest = self.settings.strongest
        return np.clip((levels - self._middle) @ self._weight, -strongest, strongest)
