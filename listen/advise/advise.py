"""Everything that is heard and followed in, what the person is told out."""

from dataclasses import replace

from listen.advise.approach import ApproachCue
from listen.advise.flags import Flags
from listen.advise.hold_cue import HoldCue
from listen.advise.load_limits import LoadLimits
from listen.advise.policy import ALWAYS, IN_RAISED, IN_REPEAT, Policy
from listen.advise.silence import SilenceCue
from listen.advise.spindle import SpindleCue
from listen.errors import ListenError
from listen.followed import Position, Verdict
from listen.marks import Mark
from listen.states import AirSound, ContactLoad, ContactSound, Event, Finding
from listen.timeline import Timeline
from listen.told import Cue, Flag

Input = Position | Verdict | Cue | Finding | Event | Mark | ContactSound | AirSound | ContactLoad
Told = tuple[Flag | Cue, ...]


class Advise:
    """Decides what the person is told.

    A first cut gets everything. A repeat is quiet unless something changed. In a raised dry run
    nothing should touch: any contact is a flag, and silence is none.

    Parameters
    ----------
    timeline : Timeline | None
        What is expected; None where there is no program.
    rate : int
        Sample rate [Hz].
    policy : Policy
        The limits.
    """

    def __init__(self, timeline: Timeline | None, rate: int, *, policy: Policy | None = None) -> None:
        self._policy = Policy() if policy is None else policy
        self._kind = "" if timeline is None else timeline.kind
        self._flags = Flags(timeline, rate, policy=self._policy)
        self._loads = LoadLimits(timeline, policy=self._policy)
        self._spindle = SpindleCue(timeline, rate)
        self._silence: SilenceCue | None = None
        if timeline is not None and timeline.kind != "raised dry run":
            self._silence = SilenceCue(timeline, rate, sure=self._policy.sure_position)
        self._holds: HoldCue | None = None
        self._approach: ApproachCue | None = None
        if timeline is not None and timeline.kind == "first cut":
            self._holds = HoldCue(timeline, rate, sure=self._policy.sure_position)
            self._approach = ApproachCue(timeline, rate)
        self._position: Position | None = None
        self._nothing_since: set[int | None] = set()
        self._closed = False

    @property
    def latency(self) -> int:
        """Nothing is kept back [samples]."""
        return 0

    def push(self, *items: Input) -> Told:
        """Take what was heard and followed, give what the person should know."""
        if self._closed:
            raise ListenError("push() after close(): make a new Advise per run")
        return tuple(said for item in items for said in self._one(item) if not self._is_repeated(said))

    def close(self) -> Told:
        """End the run; nothing is kept back."""
        self._closed = True
        return ()

    def _one(self, item: Input) -> Told:
        if isinstance(item, Position):
            return self._follow(item)
        if isinstance(item, Event):
            return self._hear(item)
        if isinstance(item, Mark):
            return self._mark(item)
        if isinstance(item, Cue):
            return self._pass_on(item)
        if isinstance(item, AirSound):
            return self._spindle.air(item)
        if isinstance(item, ContactLoad):
            return self._loads.load(item)
        if isinstance(item, Verdict):
            return (*self._flags.take(item), *self._loads.verdict(item))
        return self._flags.take(item)

    def _follow(self, position: Position) -> Told:
        self._position = position
        said: Told = (*self._flags.follow(position), *self._spindle.follow(position))
        if self._silence is not None:
            said += self._silence.position(position)
        if self._holds is not None:
            said += self._holds.position(position)
        if self._approach is not None:
            said += self._approach.position(position)
        return said

    def _hear(self, event: Event) -> Told:
        self._spindle.event(event)
        if self._silence is not None:
            self._silence.event(event)
        if self._approach is not None:
            self._approach.event(event)
        holding = () if self._holds is None else self._holds.event(event)
        return (*self._flags.hear(event), *holding)

    def _mark(self, mark: Mark) -> Told:
        if self._silence is not None:
            self._silence.mark(mark)
        if self._holds is not None:
            self._holds.mark(mark)
        approach = () if self._approach is None else self._approach.mark(mark)
        return (*self._flags.mark(mark), *self._spindle.mark(mark), *approach)

    def _pass_on(self, cue: Cue) -> tuple[Cue, ...]:
        """Words of the follower, where this kind of run wants them and the place is sure enough."""
        if self._silence is not None and cue.kind == "cutting goes on":
            self._silence.sounds()
        if self._kind == "raised dry run":
            touches = cue.kind == "contact"
            told = replace(cue, text="CONTACT in a raised dry run: hold.") if touches else cue
            return (told,) if cue.kind in IN_RAISED else ()
        if self._kind == "repeat" and cue.kind not in IN_REPEAT:
            return ()
        if self._silence is not None and cue.kind == "cutting stopped":
            self._silence.stopped(cue)
        return (cue,) if cue.kind in ALWAYS or self._is_sure() else ()

    def _is_repeated(self, said: Flag | Cue) -> bool:
        """Whether it was said already that nothing was heard since this contact."""
        if said.kind != "nothing since":
            return False
        is_known = said.contact in self._nothing_since
        self._nothing_since.add(said.contact)
        return is_known

    def _is_sure(self) -> bool:
        return self._position is not None and self._position.probability >= self._policy.sure_position
