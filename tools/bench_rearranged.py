#!/usr/bin/env python3
"""What `replay` says of real sound along whole labelled programs, with one thing changed: for looking.

tools/bench rearranged                     every arrangement and change
tools/bench rearranged --only "held"       changes with that in their name
tools/bench rearranged --first 2 --seed 3  the first two arrangements, drawn anew
tools/bench rearranged --from 7 --first 1  the eighth alone
tools/bench rearranged --steady            with a job that states that the override stays

Programs are those of whole experiments, twenty passes each, by their labels; the sound is that of a few
real passes, stretched from their middle. Recordings and labels lie beside the checkout (../shared).
Nothing may be fitted to them.
"""

import argparse
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tools_real.changes import Change, changes
from tools_real.disturb import coded, level_controlled, with_other_microphone, with_spray, with_talk
from tools_real.labelled import labelled_passes, write_job
from tools_real.pieces import SOURCES, Source, Take
from tools_real.rearranged import Said, Sounds, rearranged, replayed, said

from listen.synth.speech import can_speak

PASSES, STEADY, CHATTER = SOURCES
FOLDER = Path(__file__).resolve().parents[2] / "shared" / "data"
N_PASSES, RPM = 20, 9000.0  # of the recorded passes; of the others it is not known
FASTER = (0.75, 1.35)
WITHIN_S = (0.5, 1.0, 3.0, 10.0)
Disturb = Callable[[np.random.Generator, Take], Take]


def spray_coming_on(rng: np.random.Generator, take: Take) -> Take:
    """From somewhere in the middle on."""
    return with_spray(rng, take, 6.0, from_s=float(rng.uniform(0.3, 0.7)) * take.samples.size / take.rate)


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrangement:
    """Which experiment's program, with whose sound, and what is done to it.

    Attributes
    ----------
    is_other : bool
        Played at another speed, which the seed draws: another machine.
    """

    experiment: str
    source: Source
    what: str
    disturb: Disturb
    talks: bool = False
    is_other: bool = False


ARRANGEMENTS = (
    Arrangement(
        experiment="Exp0-2",
        source=PASSES,
        what="spray +6 dB, Opus 16 kbit/s",
        disturb=lambda rng, take: coded(with_spray(rng, take, 6.0), "Opus 16 kbit/s"),
    ),
    Arrangement(
        experiment="Exp1-5",
        source=PASSES,
        what="talk +6 dB, AAC 48 kbit/s",
        disturb=lambda rng, take: coded(with_talk(rng, take, 6.0), "AAC 48 kbit/s"),
        talks=True,
    ),
    Arrangement(
        experiment="Exp0-3",
        source=PASSES,
        what="spray 0 dB, 8 kHz",
        disturb=lambda rng, take: coded(with_spray(rng, take, 0.0), "8 kHz mu-law"),
    ),
    Arrangement(experiment="Exp1-3", source=PASSES, what="spray +6 dB coming on", disturb=spray_coming_on),
    Arrangement(
        experiment="Exp1-8",
        source=PASSES,
        what="slow level control",
        disturb=lambda _, take: level_controlled(take, "slow level control"),
    ),
    Arrangement(experiment="Exp4-3", source=STEADY, what="a quiet cut", disturb=lambda _, take: take),
    Arrangement(experiment="Exp4-3-2", source=CHATTER, what="a chattering cut", disturb=lambda _, take: take),
    Arrangement(
        experiment="Exp1-2",
        source=PASSES,
        what="other machine and microphone, spray +6 dB, 8 kHz",
        disturb=lambda rng, take: coded(
            with_spray(rng, with_other_microphone(rng, take), 6.0), "8 kHz mu-law"
        ),
        is_other=True,
    ),
    Arrangement(
        experiment="Exp1-9",
        source=PASSES,
        what="other machine and microphone, fast level control",
        disturb=lambda rng, take: level_controlled(with_other_microphone(rng, take), "fast level control"),
        is_other=True,
    ),
    Arrangement(
        experiment="Exp1-6",
        source=STEADY,
        what="a quiet cut on another machine, Opus for voices 12 kbit/s",
        disturb=lambda rng, take: coded(with_other_microphone(rng, take), "Opus for voices 12 kbit/s"),
        is_other=True,
    ),
    Arrangement(
        experiment="Exp2-1",
        source=CHATTER,
        what="a chattering cut, talk +6 dB, slow level control",
        disturb=lambda rng, take: level_controlled(with_talk(rng, take, 6.0), "slow level control"),
        talks=True,
        is_other=True,
    ),
)


def results(
    arrangement: Arrangement, wanted: argparse.Namespace, folder: Path
) -> Iterator[tuple[Change, Said]]:
    """Every change of one arrangement."""
    seed = wanted.seed
    passes = labelled_passes(FOLDER, arrangement.experiment, n_passes=N_PASSES)
    drawn = np.random.default_rng([94, seed]).uniform(*FASTER)
    faster = float(round(drawn, 2)) if arrangement.is_other else 1.0
    job = write_job(folder, passes, rpm=RPM * faster, is_steady=wanted.steady)
    sounds = Sounds(FOLDER, arrangement.source, faster=faster)
    for change in changes(np.random.default_rng([92, seed]), passes):
        if wanted.only not in change.name:
            continue
        rng = np.random.default_rng([93, seed])
        take = rearranged(rng, sounds, change)
        run = replayed(arrangement.disturb(rng, take), job, folder)
        yield change, said(run, change, take.contacts)


def main(arguments: list[str]) -> int:
    """Print what was said of each changed run; 0, for nothing here is a limit."""
    parser = argparse.ArgumentParser(prog="tools/bench rearranged")
    parser.add_argument("--only", default="")
    parser.add_argument("--from", dest="start", type=int, default=0)
    parser.add_argument("--first", type=int, default=len(ARRANGEMENTS))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--steady", action="store_true")
    wanted = parser.parse_args(arguments)
    if not FOLDER.is_dir():
        print("real recordings: not beside this checkout")
        return 0
    told: list[tuple[Change, Said]] = []
    for arrangement in ARRANGEMENTS[wanted.start :][: wanted.first]:
        print(f"-- {arrangement.experiment}, {arrangement.source.name}, {arrangement.what}")
        if arrangement.talks and not can_speak():
            print("no speech synthesiser is installed: left out")
            continue
        with tempfile.TemporaryDirectory() as folder:
            for change, heard in results(arrangement, wanted, Path(folder)):
                told.append((change, heard))
                print(line(change, heard), flush=True)
    show(told)
    return 0


def line(change: Change, heard: Said) -> str:
    """One changed run."""
    wrong = ", ".join(f"{number} {verdict}" for number, verdict in heard.wrong[:4])
    more = f" and {len(heard.wrong) - 4} more" if len(heard.wrong) > 4 else ""
    what = "right" if heard.is_right(change) else "WRONG"
    flags = f"flags {len(heard.flags)} of at most {change.most_flags}"
    kinds = f" ({', '.join(heard.flags)})" if len(heard.flags) > change.most_flags else ""
    start = f"{what} {change.name:32} starts {heard.matched:2d} of {heard.true:2d}  {flags}{kinds}"
    return f"{start}  {'wrong: ' + wrong + more if wrong else ''}".rstrip()


def show(told: list[tuple[Change, Said]]) -> None:
    """The sums."""
    if not told:
        return
    show_flags(told)
    n_verdicts = sum(len(change.right) for change, _ in told)
    right = n_verdicts - sum(len(heard.wrong) for _, heard in told)
    beyond = sum(max(0, len(heard.flags) - change.most_flags) for change, heard in told)
    print(f"runs wholly right {sum(h.is_right(c) for c, h in told)} of {len(told)}")
    print(f"verdicts right {right} of {n_verdicts} ({right / n_verdicts:.4f})")
    matched, true = sum(h.matched for _, h in told), sum(h.true for _, h in told)
    print(f"starts within 0.2 s {matched} of {true} ({matched / max(true, 1):.4f})")
    print(f"invented contacts {sum(h.invented for _, h in told)}, flags beyond one for one cause {beyond}")


def show_flags(told: list[tuple[Change, Said]]) -> None:
    """False ones of runs without a fault; of planted faults, how many drew theirs, and how soon."""
    clean = [heard for change, heard in told if change.most_flags == 0 and "in the cut" not in change.name]
    n_false, n_cues = sum(len(heard.flags) for heard in clean), sum(heard.alarms for heard in clean)
    print(
        f"runs without a fault or a stop in a cut {len(clean)}: false flags {n_false}, alarming cues {n_cues}"
    )
    planted = [heard for change, heard in told if change.fault_s is not None]
    if not planted:
        return
    n_ever = sum(bool(heard.flags) for heard in planted)
    flagged = _soon([heard.flagged_after_s for heard in planted])
    print(f"planted faults {len(planted)}: flagged {n_ever}, at the time within {flagged}")
    print(f"  with cues that ask to look or to hold, within {_soon([h.told_after_s for h in planted])}")


def _soon(after_s: list[float]) -> str:
    return ", ".join(f"{within_s:g} s {np.mean(np.array(after_s) <= within_s):.3f}" for within_s in WITHIN_S)
