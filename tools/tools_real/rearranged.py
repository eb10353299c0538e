"""Real sound of contact and of air laid where the passes of a program are, heard as `replay` hears it."""

import json
from collections.abc import Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from shutil import rmtree
from typing import Any

import numpy as np
import soundfile
from scipy.signal import resample_poly

from listen.advise.afterwards import AFTERWARDS
from listen.cli import main as cut_listen
from listen.record import read_run
from tools_real.changes import Change
from tools_real.pieces import FADE_S, IDLE, SOURCES, Contacts, Sound, Source, Take, joined, looped, recording

EDGE_S = 0.12  # of a contact that is kept as it was, at each end
COLLAR_S = 0.2
NO_FAULTS = frozenset({"chatter"})  # what a chattering cut is rightly flagged for
ALARMS = frozenset({"before its line", "cutting stopped", "overdue", "nothing since", "still cutting"})


class Sounds:
    """Contact and air of one recording, of any length.

    Parameters
    ----------
    faster : float
        It is played so much faster, in pitch too: another spindle speed, on another machine.
    """

    def __init__(self, folder: Path, source: Source, *, faster: float = 1.0) -> None:
        sound, self.rate = recording(folder, source)
        self._faster, self._sound = faster, _played(sound, faster)
        self._contacts = source.contacts
        self._airs = [self._cut(*source.air)]
        if source is SOURCES[0]:
            self._airs.append(self._cut(2.6, 3.18))  # after its last pass
        elif source is SOURCES[1]:
            idle = _played(recording(folder, IDLE)[0], faster)
            self._airs = [idle * (_rms(self._airs[0]) / _rms(idle))]

    def _cut(self, start_s: float, stop_s: float) -> Sound:
        """By the recording's own clock [s]."""
        start, stop = (round(at_s / self._faster * self.rate) for at_s in (start_s, stop_s))
        return self._sound[start:stop]

    def air(self, rng: np.random.Generator, length_s: float) -> Sound:
        """Air; it is faded into what follows."""
        piece = self._airs[int(rng.integers(len(self._airs)))]
        return looped(rng, piece, length_s=max(length_s, 0.05) + FADE_S, rate=self.rate)

    def contact(self, rng: np.random.Generator, which: int, length_s: float) -> Sound:
        """One contact: its own start and end, and as much of its middle as is needed."""
        start_s, stop_s = self._contacts[which % len(self._contacts)]
        edge_s, fade_s = EDGE_S * self._faster, FADE_S * self._faster
        rest_s = max(length_s + FADE_S - 2 * EDGE_S, 0.05)
        middle = looped(
            rng, self._cut(start_s + edge_s, stop_s - edge_s), length_s=rest_s + FADE_S, rate=self.rate
        )
        ends = (self._cut(start_s, start_s + edge_s + fade_s), self._cut(stop_s - edge_s - fade_s, stop_s))
        return joined([ends[0], middle, ends[1]], self.rate)


def _played(sound: Sound, faster: float) -> Sound:
    return sound if faster == 1.0 else resample_poly(sound, 100, round(100 * faster))


def _rms(sound: Sound) -> float:
    return float(np.sqrt(np.mean(np.square(sound))))


def rearranged(rng: np.random.Generator, sounds: Sounds, change: Change) -> Take:
    """The sound of a changed run, with its true contacts, one for each stretch of cutting."""
    parts, contacts, made, at_s = [], [], 0, 0.0
    n_fade = round(FADE_S * sounds.rate)

    def add(piece: Sound) -> tuple[float, float]:
        nonlocal made
        start = made - (n_fade if parts else 0)
        parts.append(piece)
        made = start + piece.size
        return start / sounds.rate, made / sounds.rate

    if change.before_s > 0.0:
        add(sounds.air(rng, change.before_s))
    for i, cut in enumerate(change.cuts):
        if i > 0:
            add(sounds.air(rng, cut.start_s - at_s))
        contacts.append(add(sounds.contact(rng, cut.number, cut.stop_s - cut.start_s)))
        at_s = cut.stop_s
    add(sounds.air(rng, change.after_s))
    return Take(
        name=change.name, samples=joined(parts, sounds.rate), rate=sounds.rate, contacts=tuple(contacts)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What the run said, held against what was right.

    Attributes
    ----------
    wrong : tuple of (pass from 1, its verdict)
    matched, true : int
        Passes whose start was heard within 0.2 s of the truth, of those that were cut.
    invented : int
        Contacts heard that belong to no pass, and passes heard that were not cut.
    flags : tuple of str
        All that were raised, chatter apart.
    flagged_after_s : float
        From the fault to the first flag at the time; infinite where there was none, or no fault.
    told_after_s : float
        The same to the first flag or cue that asks to look or to hold.
    alarms : int
        Such cues in the whole run.
    """

    wrong: tuple[tuple[int, str], ...]
    matched: int
    true: int
    invented: int
    flags: tuple[str, ...]
    flagged_after_s: float
    told_after_s: float
    alarms: int

    def is_right(self, change: Change) -> bool:
        """Every verdict is one that is right, nothing was invented, and one cause drew one flag."""
        return not self.wrong and not self.invented and len(self.flags) <= change.most_flags


def replayed(take: Take, job: Path, folder: Path) -> dict[str, Any]:
    """The run of a take, through the command, with its cues; `folder` is used again and again."""
    run = folder / "run" / "run.json"
    rmtree(run.parent, ignore_errors=True)
    soundfile.write(folder / "take.flac", np.clip(take.samples, -1.0, 1.0), take.rate)
    wanted = ["--job", str(job), "--out", str(run.parent), "--keep", "decisions"]
    with redirect_stdout(StringIO()):
        cut_listen(["replay", str(folder / "take.flac"), *wanted])
    whole = read_run(run.parent)
    cues = [{"at_s": cue.at / whole.rate, "kind": cue.kind, "contact": cue.contact} for cue in whole.cues]
    return {**json.loads(run.read_text(encoding="utf-8")), "cues": cues}


def said(run: dict[str, Any], change: Change, contacts: Contacts) -> Said:
    """What a run said of each pass."""
    passes = [each for each in run["contacts"] if each["line"] is not None]
    starts_s = _starts(change, contacts)
    heard = {i: each["heard"]["onset_s"] for i, each in enumerate(passes) if each["heard"]}
    pairs = zip(passes, change.right, strict=True)
    flags = [flag for flag in run["flags"] if flag["kind"] not in NO_FAULTS]
    at_s = [flag["at_s"] for flag in flags if not flag["text"].endswith(AFTERWARDS)]
    alarms_s = [cue["at_s"] for cue in run["cues"] if cue["kind"] in ALARMS]
    return Said(
        wrong=tuple((i + 1, p["verdict"]) for i, (p, right) in enumerate(pairs) if p["verdict"] not in right),
        matched=sum(i in heard and abs(heard[i] - start_s) <= COLLAR_S for i, start_s in starts_s.items()),
        true=len(starts_s),
        invented=len(run["contacts"]) - len(passes) + len(heard.keys() - starts_s.keys()),
        flags=tuple(flag["kind"] for flag in flags),
        flagged_after_s=_after_fault_s(at_s, change, contacts),
        told_after_s=_after_fault_s([*at_s, *alarms_s], change, contacts),
        alarms=len(alarms_s),
    )


def _after_fault_s(at_s: Sequence[float], change: Change, contacts: Contacts) -> float:
    """From the fault to the first of these; what came before it is not of it."""
    if change.fault_s is None:
        return float("inf")
    fault_s = contacts[0][0] - change.cuts[0].start_s + change.fault_s
    return min((each - fault_s for each in at_s if each > fault_s), default=float("inf"))


def _starts(change: Change, contacts: Sequence[tuple[float, float]]) -> dict[int, float]:
    """When each pass that was cut began [s], by its number."""
    starts_s: dict[int, float] = {}
    for cut, (start_s, _) in zip(change.cuts, contacts, strict=True):
        starts_s.setdefault(cut.number, start_s)
    return starts_s
