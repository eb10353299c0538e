"""How sure the shipped ear is where it is right and where it is wrong, and what it hears of ways out.

`python -m tools.tools_follow.measure_ear [CLIPS] [again] [faint]` listens to made clips of half a minute at
12 and 6 dB, with "faint" at 6, 3 and 0 dB (default 60 clips), and prints, for confirmed events, log odds of
the belief at true starts, bursts in air, true ends and breaks inside a contact; the way out that was heard
beside the true one; how often the ear supposes or confirms an end in the middle of a contact; whether misses
come in rows, and what the live ear believes meanwhile, also where all others are firmly heard;
how often it supposes a start in air and takes it back; what it believes over air that was confirmed as
contact, and over the first of cuts; how often a start or an end is dated far off, and whether such dates come
in rows; how deep and for how long its belief falls in running cuts. With "again" only what the second look
misses and believes meanwhile, and how it dates. Numbers in `doubt.py`, `lost_cut.py`, `own_ear.py`,
`quiet.py`, `supposed.py` and `way_out.py` of `listen/follow` and in `runs.py` here are set from it.
"""

import sys
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from listen.blocks import Block
from listen.ears import Heard, SoundEar, shipped_model
from listen.follow.quiet import EDGE_S, LIVE, SECOND_LOOK, Quiet
from listen.states import Event, Standing, State, StateLikelihoods, log_odds
from listen.synth import EVALUATION_RANGES, Made, draw_clip

FIRST_SEED = 987_654
RATIOS_DB, FAINT_DB = (12.0, 6.0), (6.0, 3.0, 0.0)
NEAR_S, INSIDE_S = 0.25, 0.3
SHORT_S = 0.12  # a feed hold stops in no more
LEAST_S, MISSED_BELOW = 0.3, 0.3  # shorter contacts do not count; less of one heard than this share
AT_FIRST_S = 3.0  # the ear does not know the air yet
LEVELS, LASTED = np.arange(0.0, 5.1, 0.5), (1, 2, 3, 5, 8, 12, 20, 30, 50)  # log odds below even, frames
ONE_FALL = 100  # frames; what comes sooner is the same fall
LEAST_OTHERS = 4  # contacts of a clip
FIRST_S, LEAST_AIR_S = 0.6, 0.25  # of what is heard as contact, in a cut and in air
FAR_S, BESIDE_S, LEAST_LENGTH_S = 0.3, 1.0, 0.4  # of dates; of air beside a contact, where it is needed
LENGTHS_S = (0.0, 0.06, 0.12, 0.2, 0.4, 0.8, 5.0)


def clips(n_clips: int, ratios_db: tuple[float, ...] = RATIOS_DB) -> Iterator[Made]:
    """Half a minute each, with all disturbances."""
    return (clip(index, ratios_db=ratios_db) for index in range(n_clips))


def clip(index: int, *, duration_s: float = 30.0, ratios_db: tuple[float, ...] = RATIOS_DB) -> Made:
    """One of them."""
    ratio = ratios_db[index % len(ratios_db)]
    ranges = replace(
        EVALUATION_RANGES, snr_db=((1.0, ratio - 0.01, ratio + 0.01),), snr_spread_db=0.001, air_share=0.02
    )
    rng = np.random.default_rng([FIRST_SEED, index])
    return draw_clip(rng, ranges=ranges, rate=16000, duration_s=duration_s)


def told(made: Made) -> list[Heard]:
    """All that the ear says of a clip."""
    ear, size = SoundEar(shipped_model(), rate=made.rate, keep=False), made.rate // 10
    found: list[Heard] = []
    for start in range(0, made.samples.size, size):
        found += ear.push(Block(samples=made.samples[start : start + size], start=start, rate=made.rate))
    return [*found, *ear.close()]


def heard(made: Made) -> tuple[list[Event], Quiet, np.ndarray]:
    """Events of the ear, and what it believed; the last also frame by frame [s, log odds]."""
    quiet, found = Quiet(made.rate), told(made)
    beliefs = [item for item in found if isinstance(item, StateLikelihoods)]
    for item in beliefs:
        quiet.take(item)
    at = np.concatenate([item.at for item in beliefs]) / made.rate
    odds = log_odds(np.concatenate([item.contact for item in beliefs]))
    return [item for item in found if isinstance(item, Event)], quiet, np.column_stack([at, odds])


def heard_again(made: Made) -> tuple[list[Event], Quiet]:
    """Events of the second look, and what it believed."""
    ear = SoundEar(shipped_model(), rate=made.rate, keep=True)
    ear.push(Block(samples=made.samples, start=0, rate=made.rate))
    ear.close()
    events, quiet = list(ear.look_again()), Quiet(made.rate, tells=SECOND_LOOK)
    for item in ear.believed_again():
        quiet.take(item)
    return events, quiet


class Tally:
    """Beliefs by what was true, and ways out."""

    def __init__(self) -> None:
        self.odds: dict[str, list[float]] = {}
        self.ways_out: list[tuple[float, float]] = []  # true, heard [s]
        self.contact_s = 0.0
        self.supposed = 0  # ends in the middle of a contact
        self.clips: list[tuple[int, int]] = []  # contacts, and missed ones
        self.firm = (
            0  # contacts of which all others are firmly heard; the odds over those missed are in `odds`
        )
        self.airs: list[tuple[float, float]] = []  # mean and variance of a clip's stretches of air
        self.falls = np.zeros((len(LEVELS), len(LASTED)))
        self.watched_s = 0.0
        self.in_air: list[
            tuple[int, float]
        ] = []  # starts that a clip supposes in air and takes back, and its air [s]
        self.dated: list[tuple[int, int]] = []  # contacts of a clip, and those dated far off
        self.far: dict[str, list[bool]] = {"sooner": [], "ended later": [], "begun later": []}
        self.breaks_s: list[float] = []  # how long breaks last, to the next start or the contact's end

    def take(self, made: Made) -> None:
        """Listen to one clip."""
        truth = _truth_of(made)
        self.contact_s += float((truth[:, 2] - truth[:, 0]).sum())
        leaving = np.nan
        events, quiet, beliefs = heard(made)
        self._falls(truth, events, beliefs, made.rate)
        self._misses(truth, events, quiet, made.rate, firm=LIVE.firm)
        self._in_air(truth, events, made)
        self._confirmed(truth, events, quiet, made.rate)
        self._dates(truth, _stretches(events, made.rate))
        starts = [e.at / made.rate for e in events if e.state is State.ENTRY]
        for event in events:
            at = event.at / made.rate
            if event.standing is not Standing.CONFIRMED:
                is_end = event.state is State.AIR and event.standing is Standing.PROVISIONAL
                self.supposed += is_end and _is_inside(truth, at)
            elif event.state is State.EXIT:
                leaving = at
            elif event.state is State.ENTRY:
                self._add(self._start(truth, at), event)
                leaving = np.nan
            elif event.state is State.AIR:
                self._end(truth, at, leaving, event)
                if _is_inside(truth, at):
                    stop = truth[truth[:, 2] > at, 2][0]
                    self.breaks_s.append(min([start for start in starts if start > at] + [stop]) - at)
                self._until_confirmed(truth, at, event.decided_at / made.rate, quiet)

    def take_again(self, made: Made) -> None:
        """Look at one clip a second time."""
        events, quiet = heard_again(made)
        truth = _truth_of(made)
        self._misses(truth, events, quiet, made.rate, firm=SECOND_LOOK.firm)
        self._confirmed(truth, events, quiet, made.rate)
        self._dates(truth, _stretches(events, made.rate))

    def _dates(self, truth: np.ndarray, heard: np.ndarray) -> None:
        """Starts and ends that are dated far off; one heard with its neighbour, by the air between them."""
        n, n_far = 0, 0
        before = np.append(0.0, truth[:-1, 2])[: len(truth)]
        after = np.append(truth[1:, 0], np.inf)[: len(truth)]
        for (start, _, stop), last, following in zip(truth, before, after, strict=True):
            mine = heard[(heard[:, 0] < stop - 0.05) & (heard[:, 1] > start + 0.05)]
            if stop - start < LEAST_LENGTH_S or not len(mine):
                continue
            begun, ended = max(mine[0, 0], last), min(mine[-1, 1], following)
            sooner, later = start - begun > FAR_S, ended - stop > FAR_S
            self.far["sooner"] += [sooner] if start - last > BESIDE_S else []
            self.far["ended later"] += [later] if following - stop > BESIDE_S else []
            self.far["begun later"].append(begun - start > FAR_S)
            n, n_far = n + 1, n_far + (sooner or later or begun - start > FAR_S)
        self.dated.append((n, n_far))

    def _in_air(self, truth: np.ndarray, events: list[Event], made: Made) -> None:
        """Starts that were supposed in air, the first seconds left out."""
        tenths = np.arange(AT_FIRST_S, made.samples.size / made.rate, 0.1)
        gone = [
            e.at / made.rate
            for e in events
            if e.state is State.ENTRY and e.standing is Standing.WITHDRAWN and e.at > AT_FIRST_S * made.rate
        ]
        n = sum(bool(_is_air(truth, np.array([at]))[0]) for at in gone)
        self.in_air.append((n, 0.1 * float(_is_air(truth, tenths).sum())))

    def _confirmed(self, truth: np.ndarray, events: list[Event], quiet: Quiet, rate: int) -> None:
        """What was believed over what was confirmed as contact: air in it, and the first of each cut."""
        told = [e for e in events if e.standing is Standing.CONFIRMED and e.state in (State.ENTRY, State.AIR)]
        for a, b in pairwise(told):
            if a.state is not State.ENTRY:
                continue
            edges = sorted({a.at / rate, b.at / rate, *truth[:, [0, 2]].ravel()})
            for start, stop in pairwise(edge for edge in edges if a.at / rate <= edge <= b.at / rate):
                inside = 0.5 * (start + stop)
                is_cut = bool(((inside > truth[:, 0]) & (inside < truth[:, 2])).any())
                name, until = ("the first of a cut", min(stop, start + FIRST_S)) if is_cut else ("air", stop)
                odds = quiet.mean_odds(start, until, least=1)
                if stop - start >= (INSIDE_S if is_cut else LEAST_AIR_S) and odds is not None:
                    self.odds.setdefault(f"any time over {name} confirmed as contact", []).append(odds)

    def _falls(self, truth: np.ndarray, events: list[Event], beliefs: np.ndarray, rate: int) -> None:
        """Falls of the belief in cuts that the ear has confirmed and that go on."""
        at, odds = beliefs.T
        known = np.zeros(at.size, bool)
        told = [e for e in events if e.standing is Standing.CONFIRMED and e.state in (State.ENTRY, State.AIR)]
        for start, stop in pairwise(told):
            if start.state is State.ENTRY:
                known |= (at >= start.decided_at / rate) & (at < stop.decided_at / rate)
        cutting = np.any([(at > a + 0.5) & (at < b - 0.05) for a, b, _ in truth] or [known & False], axis=0)
        known &= cutting
        self.watched_s += float(known.sum()) / 100.0
        for i, level in enumerate(LEVELS):
            for j, lasted in enumerate(LASTED):
                below = np.convolve(odds <= -level, np.ones(lasted), "full")[: at.size] > lasted - 0.5
                found = np.flatnonzero(below & known)
                self.falls[i, j] += np.sum(np.diff(found, prepend=-2 * ONE_FALL) > ONE_FALL)

    def _until_confirmed(self, truth: np.ndarray, at: float, decided: float, quiet: Quiet) -> None:
        """What was believed from a break or an end to its confirmation, where no next contact came sooner."""
        until = quiet.mean_odds(at, decided)
        name = "a break" if _is_inside(truth, at) else "an end"
        followed = ((truth[:, 0] > at) & (truth[:, 0] < decided)).any()
        if until is not None and not followed:
            self.odds.setdefault(f"any time until {name} is confirmed", []).append(until)

    def _misses(
        self, truth: np.ndarray, events: list[Event], quiet: Quiet, rate: int, *, firm: float
    ) -> None:
        """Contacts that were missed, and what was believed over them and in the air between contacts."""
        long = truth[truth[:, 2] - truth[:, 0] >= LEAST_S]
        is_missed = missed(long, events, rate)
        self.clips.append((len(long), int(is_missed.sum())))
        self._among_firm(long, is_missed, quiet, firm)
        air = np.column_stack([truth[:-1, 2] + INSIDE_S, truth[1:, 0] - INSIDE_S])
        is_air = missed(air, events, rate)
        for name, stretches in (
            ("over a missed contact", long[is_missed][:, [0, 2]]),
            ("in air", air[is_air]),
        ):
            means = [quiet.mean_odds(start, stop) for start, stop in stretches if start > AT_FIRST_S]
            told = [mean for mean in means if mean is not None]
            self.odds.setdefault(f"any time {name}", []).extend(told)
            if name == "in air" and len(told) > 1:
                self.airs.append((float(np.mean(told)), float(np.var(told, ddof=1))))

    def _among_firm(self, long: np.ndarray, is_missed: np.ndarray, quiet: Quiet, firm: float) -> None:
        """Contacts of a clip of which all others were firmly heard; what was believed over those missed."""
        told = [quiet.mean_odds(start + EDGE_S, stop, least=1) for start, _, stop in long]
        odds = np.array([np.nan if each is None else each for each in told])
        is_firm = ~is_missed & (odds >= firm)
        for index in np.flatnonzero(np.isfinite(odds) & (long[:, 0] > AT_FIRST_S)):
            if len(long) > LEAST_OTHERS and np.delete(is_firm, index).all():
                self.firm += 1
                if is_missed[index]:
                    self.odds.setdefault("any time over one missed among firm ones", []).append(odds[index])

    def _start(self, truth: np.ndarray, at: float) -> str:
        if np.abs(truth[:, 0] - at).min(initial=9.0) < NEAR_S:
            return "starts"
        is_air = ((at < truth[:, 0] - INSIDE_S) | (at > truth[:, 2] + INSIDE_S)).all()
        return "bursts in air" if is_air else ""

    def _end(self, truth: np.ndarray, at: float, leaving: float, event: Event) -> None:
        away = np.abs(truth[:, 2] - at)
        if away.min(initial=9.0) < NEAR_S:
            _, began, stop = truth[int(np.argmin(away))]
            self.ways_out.append((stop - began, 0.0 if np.isnan(leaving) else at - leaving))
            self._add("ends, short way out" if stop - began < SHORT_S else "ends, long way out", event)
        elif _is_inside(truth, at):
            self._add("breaks in a contact", event)

    def _add(self, name: str, event: Event) -> None:
        p = min(max(event.probability, 0.005), 0.995)
        if name:
            self.odds.setdefault(name, []).append(float(np.log(p / (1.0 - p))))


def _truth_of(made: Made) -> np.ndarray:
    """Start, leaving and stop of each contact, shape (n_contacts, 3) [s]."""
    cuts = [(c.start, c.leaving, c.stop) for c in made.truth.contacts]
    return np.array(cuts).reshape(-1, 3) / made.rate


def _stretches(events: list[Event], rate: int) -> np.ndarray:
    """Start and end of each contact as confirmed, shape (n_stretches, 2) [s]."""
    told = [e for e in events if e.standing is Standing.CONFIRMED and e.state in (State.ENTRY, State.AIR)]
    found = [(a.at, b.at) for a, b in pairwise(told) if a.state is State.ENTRY and b.state is State.AIR]
    return np.array(found).reshape(-1, 2) / rate


def missed(stretches: np.ndarray, events: list[Event], rate: int) -> np.ndarray:
    """Of which stretches next to nothing was heard as contact."""
    told = [e for e in events if e.standing is Standing.CONFIRMED and e.state in (State.ENTRY, State.AIR)]
    starts = np.array([event.at for event in told if event.state is State.ENTRY]) / rate
    stops = np.array([event.at for event in told if event.state is State.AIR]) / rate
    begin, end = stretches[:, :1], stretches[:, -1:]
    shared = np.maximum(np.minimum(stops, end) - np.maximum(starts, begin), 0.0).sum(axis=1)
    return (shared < MISSED_BELOW * (end - begin)[:, 0]) & (end > begin)[:, 0]


def in_air(clips: list[tuple[int, float]]) -> tuple[float, float]:
    """Supposed starts in a second of air, and how many seconds of air that is worth by the clips' scatter.

    A gamma distribution of the clips' rates, by its moments.
    """
    n, seconds = np.array(clips, float).T
    rate = n.sum() / seconds.sum()
    scatter = float(((n - rate * seconds) ** 2 - rate * seconds).sum() / (seconds**2).sum())
    return float(rate), float(rate / max(scatter, 1e-9))


def worth(clips: list[tuple[int, int]]) -> float:
    """How many contacts the beta distribution of the clips' shares of misses is worth.

    By how much likelier a second contact of a clip is missed where a first was: the correlation
    between two of one clip is 1 / (1 + worth).
    """
    n, m = np.array(clips, float).T
    share, again = m.sum() / n.sum(), (m * (m - 1.0)).sum() / max((m * (n - 1.0)).sum(), 1.0)
    return float((1.0 - share) / max(again - share, 1e-9) - 1.0)


def fall_law(falls: np.ndarray, watched_s: float) -> np.ndarray:
    """How often the belief falls below a level L for t frames, as a power of t: the law of `lost_cut.py`.

    Least squares of the logs, weighted with the counts; machines that fall far more than others weigh on it.
    """
    level, lasted = np.nonzero(falls)
    n = falls[level, lasted]
    depth, log_t = LEVELS[level], np.log(np.array(LASTED)[lasted])
    terms = np.column_stack([np.ones(n.size), depth, depth**2, log_t, depth * log_t])
    weight = np.sqrt(n)
    law: np.ndarray = np.linalg.lstsq(terms * weight[:, None], np.log(n / watched_s) * weight, rcond=None)[0]
    return law


def _is_air(truth: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Which times lie in no contact, and near none."""
    is_near = (at[:, None] > truth[:, 0] - INSIDE_S) & (at[:, None] < truth[:, 2] + INSIDE_S)
    result: np.ndarray = ~is_near.any(axis=1)
    return result


def _is_inside(truth: np.ndarray, at: float) -> bool:
    """Whether a time lies in a contact, not near its ends."""
    return bool(((at > truth[:, 0] + INSIDE_S) & (at < truth[:, 2] - INSIDE_S)).any())


def main(arguments: list[str]) -> None:
    """Listen and print."""
    tally, is_again = Tally(), "again" in arguments
    ratios_db = FAINT_DB if "faint" in arguments else RATIOS_DB
    for made in clips(int(arguments[0]) if arguments else 60, ratios_db):
        (tally.take_again if is_again else tally.take)(made)
    for name, odds in sorted(tally.odds.items()):
        print(f"log odds at {name:20} {np.mean(odds):5.2f} ± {np.std(odds):.2f} of {len(odds)}")
    n, m = np.array(tally.clips).sum(axis=0)
    print(f"missed {m} of {n} contacts; a clip's share is worth {worth(tally.clips):.1f} contacts")
    least = min(tally.odds.get("any time over one missed among firm ones", [np.inf]))
    print(
        f"contacts of which all others are firm: {tally.firm}; log odds over those missed from {least:.1f} on"
    )
    for name, far in tally.far.items():
        print(f"{name} by more than {FAR_S} s: {np.mean(far):.4f} of {len(far)}")
    n, m = np.array(tally.dated).sum(axis=0)
    print(f"dated far off {m / n:.4f} of {n}; a clip's share is worth {worth(tally.dated):.1f} contacts")
    if is_again:
        return
    rate, air_s = in_air(tally.in_air)
    print(f"starts supposed in air and taken back: {rate:.3f} a second, worth {air_s:.1f} s of air")
    hours = tally.contact_s / 3600.0
    confirmed = len(tally.odds.get("breaks in a contact", []))
    for lasted in (0.3, 0.5, 0.8, 1.2, 2.0, 3.0):
        print(f"breaks longer than {lasted} s: {np.mean(np.array(tally.breaks_s) > lasted):.2f}")
    print(f"ends in the middle of {hours:.2f} h of contact: supposed {tally.supposed}, confirmed {confirmed}")
    means, variances = np.array(tally.airs).T
    inside = np.sqrt(variances.mean())
    print(f"log odds in air: {means.mean():.1f} ± {means.std():.1f} between clips, ± {inside:.1f} inside one")
    for level, falls in zip(LEVELS, 3600.0 * tally.falls / max(tally.watched_s, 1.0), strict=True):
        each = ", ".join(f"{10 * n} ms {value:.1f}" for n, value in zip(LASTED, falls, strict=True))
        print(f"falls to {-level:.1f} or below an hour of cutting, by how long they last: {each}")
    print(
        "log of falls a second: {:.2f} {:+.2f} L {:+.2f} L², times t to the {:.2f} {:+.2f} L".format(
            *fall_law(tally.falls, tally.watched_s)
        )
    )
    ways_out = np.array(tally.ways_out).reshape(-1, 2)
    for low, high in pairwise(LENGTHS_S):
        mine = ways_out[(ways_out[:, 0] >= low) & (ways_out[:, 0] < high)]
        if len(mine):
            told = mine[mine[:, 1] > 0.0]
            part = np.median(told[:, 1] / np.maximum(told[:, 0], 1e-3)) if len(told) else 0.0
            unheard = 100.0 * (1.0 - len(told) / len(mine))
            print(f"way out {low:.2f} to {high:.2f} s: unheard {unheard:.0f} %, else {part:.2f}; {len(mine)}")


if __name__ == "__main__":
    main(sys.argv[1:])
