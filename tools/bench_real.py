#!/usr/bin/env python3
"""What the ear makes of real recordings cut, disturbed and put together again: for looking, no test.

tools/bench real            every take, three drawings of each
tools/bench real --draws 1  a third of it

The recordings lie beside the checkout (../shared); without them there is nothing to print. Whoever
sets a limit after looking at this must say so in the model's card.
"""

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from tools_ear.clips import Clip
from tools_ear.hearing import hear
from tools_real.disturb import CODINGS, CONTROLS, coded, level_controlled, with_spray, with_talk
from tools_real.pieces import IDLE, SOURCES, Take, air_of, put_together, renamed

from listen.ears import shipped_model
from listen.synth.speech import can_speak
from listen.teach.score import EventScore, score_contacts, wilson_interval

COLLAR_S = 0.2
PASSES, STEADY, CHATTER = SOURCES
FOLDER = Path(__file__).resolve().parents[2] / "shared" / "data"
NOTHING = EventScore(true=0, heard=0, matched=0)


def takes(draw: int) -> Iterator[Take]:
    """All takes of one drawing."""
    rng = np.random.default_rng([91, draw])
    passes = put_together(rng, FOLDER, PASSES, n_contacts=12)
    yield from disturbed(rng, passes, talk_db=(-6.0, 0.0, 6.0), spray_db=(0.0, 3.0, 6.0, 9.0))
    yield with_spray(rng, passes, 6.0, from_s=passes.contacts[5][1] + 0.7)
    for slower, n_contacts in ((2.0, 6), (10.0, 3)):
        slow = put_together(rng, FOLDER, PASSES, n_contacts=n_contacts, slower=slower)
        slow = renamed(slow, f"{slower:g} times as slow", slow.samples)
        yield slow
        yield with_spray(rng, slow, 3.0)
    for source in (STEADY, CHATTER):
        take = put_together(rng, FOLDER, source, n_contacts=2, gap_s=(1.5, 5.0))
        yield from disturbed(rng, take, talk_db=(0.0, 6.0), spray_db=(0.0,))
    air = air_of(rng, FOLDER, IDLE, length_s=60.0)
    yield from disturbed(rng, air, talk_db=(0.0, 6.0, 12.0), spray_db=())
    yield with_spray(rng, air, 6.0, from_s=30.0)


def disturbed(
    rng: np.random.Generator, take: Take, *, talk_db: tuple[float, ...], spray_db: tuple[float, ...]
) -> Iterator[Take]:
    """A take as it is, with talk, with spray, through every codec and level control."""
    yield take
    if can_speak():
        yield from (with_talk(rng, take, level) for level in talk_db)
    yield from (with_spray(rng, take, level) for level in spray_db)
    yield from (coded(take, name) for name in CODINGS)
    yield from (level_controlled(take, name) for name in CONTROLS)


def main(arguments: list[str]) -> int:
    """Print what is heard of each kind of take; 0, for nothing here is a limit."""
    parser = argparse.ArgumentParser(prog="tools/bench real")
    parser.add_argument("--draws", type=int, default=3)
    draws = parser.parse_args(arguments).draws
    if not FOLDER.is_dir():
        print("real recordings: not beside this checkout")
        return 0
    model, rows, startled, air_s = shipped_model(), {}, 0, 0.0
    for draw in range(draws):
        for take in takes(draw):
            clip = Clip(name=take.name, samples=take.samples, rate=take.rate, contacts=take.contacts)
            heard = hear(clip, model)
            startled += heard.startled
            air_s += clip.duration_s - sum(b - a for a, b in take.contacts)
            before = rows.get(take.name, (NOTHING, NOTHING))
            now = (
                score_contacts(take.contacts, found, collar_s=COLLAR_S)
                for found in (heard.live, heard.refined)
            )
            rows[take.name] = tuple(a.plus(b) for a, b in zip(before, now, strict=True))
    show(rows)
    print(f"live: {startled} starts supposed in {air_s / 60.0:.0f} minutes of air")
    return 0


def show(rows: dict[str, tuple[EventScore, ...]]) -> None:
    """One line a kind, and the sums."""
    print(f"{'':46} contacts   live: found  false   refined: found  false   (start within {COLLAR_S:g} s)")
    whole = (NOTHING, NOTHING)
    for name, scores in rows.items():
        print(line(name, scores))
        whole = tuple(a.plus(b) for a, b in zip(whole, scores, strict=True))
    print(line("all", whole))
    for name, score in zip(("live", "refined"), whole, strict=True):
        low, high = wilson_interval(score.matched, score.true)
        found = f"found {score.matched / score.true:.3f} (95 % interval {low:.3f} to {high:.3f})"
        print(f"{name}: F1 {score.f1:.3f}, {found}")


def line(name: str, scores: tuple[EventScore, ...]) -> str:
    """Counts of one kind."""
    live, refined = scores
    return (
        f"{name:46} {live.true:8d} {live.matched:13d} {live.heard - live.matched:6d} "
        f"{refined.matched:16d} {refined.heard - refined.matched:6d}"
    )
