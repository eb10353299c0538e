"""How often findings come falsely on fault-free sound, and how often planted faults are found.

Conventions
-----------
A planted fault comes up in the middle of a cut: a clean piece is followed at once by one with the fault.
It is found where a finding of one of its kinds comes within 2 s.
Every finding on a fault-free clip is false.
"""

import dataclasses
from collections import Counter

import numpy as np

from listen.blocks import Block
from listen.ears import SoundEar, shipped_model
from listen.states import Finding, Turning
from listen.synth import EVALUATION_RANGES, Made, draw_room, draw_voice
from listen.synth.draw import draw_plan
from listen.synth.plan import Plan, PlannedContact
from listen.synth.render import render
from listen.synth.voice import ToolVoice
from listen.teach.score import wilson_interval

RATES = (48000, 44100, 16000)
LENGTH_S = 25.0
FLAGGED = 0.8  # belief from which a finding is shown as a flag
AT_S, WITHIN_S = 11.0, 2.0
PLANTED = {
    "heavier by 10 dB": ("sound changed", "chatter"),
    "chatter": ("sound changed", "chatter"),
    "broken tooth": ("sound changed", "sound changed once a turn"),
    "dull edge": ("sound changed", "sound changed once a turn"),
}


def clean(index: int) -> Made:
    """A fault-free clip with all disturbances: no tool chatters in it, none squeals at an entry."""
    rng = np.random.default_rng([41, index])
    rate = int(rng.choice(RATES))
    voice = draw_voice(rng, EVALUATION_RANGES, rate, n_tools=int(rng.choice([1, 1, 2])))
    tools = tuple(dataclasses.replace(tool, chatter_share=0.0, squeal_db=-100.0) for tool in voice.tools)
    voice = dataclasses.replace(voice, tools=tools)
    room = draw_room(rng, EVALUATION_RANGES, rate)
    kind = str(rng.choice(["air", "ordinary", "dense", "long"], p=[0.1, 0.4, 0.15, 0.35]))
    plan = draw_plan(rng, EVALUATION_RANGES, voice, kind=kind, duration_s=LENGTH_S)
    return render(rng, plan, voice, room, rate)


def planted(kind: str, index: int) -> Made:
    """A clip in whose second cut a fault comes up."""
    rng = np.random.default_rng([42, index])
    voice = draw_voice(rng, EVALUATION_RANGES, 44100, n_tools=1)
    room = draw_room(rng, EVALUATION_RANGES, 44100)
    rpm = voice.tools[0].rpm
    plan = Plan(
        duration_s=24.0,
        contacts=(_piece(2.0, 6.0), _piece(7.5, AT_S), _piece(AT_S, 16.0, kind=kind), _piece(18.0, 22.0)),
        tools=((0.0, 24.0, 0),),
        spindle_s=np.array([0.0, 24.0]),
        spindle_rpm=np.array([rpm, rpm]),
        program_at_s=np.zeros(0),
        program_s=np.zeros(0),
    )
    worn = dataclasses.replace(voice, tools=(voice.tools[0], _worn(voice.tools[0], kind)))
    return render(rng, plan, worn, room, 44100)


def _piece(start_s: float, stop_s: float, *, kind: str = "") -> PlannedContact:
    chatters = kind == "chatter"
    return PlannedContact(
        start_s=start_s,
        full_s=start_s if start_s == AT_S else start_s + 0.1,
        leaving_s=stop_s if stop_s == AT_S else stop_s - 0.1,
        stop_s=stop_s,
        tool=1 if kind else 0,
        snr_db=22.0 if kind.startswith("heavier") else 12.0,
        chatter_from=0.0,
        chatter_to=1.0 if chatters else 0.0,
        chatter_db=12.0 if chatters else 0.0,
    )


def _worn(tool: ToolVoice, kind: str) -> ToolVoice:
    """The tool with its edge dull or a tooth gone, and without its habit of squealing at an entry."""
    cut = tool.cut
    if kind == "broken tooth":
        cut = dataclasses.replace(cut, runout=(-float(cut.flutes), *cut.runout[1:]))
    elif kind == "dull edge":
        cut = dataclasses.replace(cut, edge_share=cut.edge_share + 0.8)
    return dataclasses.replace(tool, cut=cut, squeal_db=-100.0)


def found_in(made: Made, *, speed_known: bool) -> list[Finding]:
    """Findings of the ear in a clip."""
    ear = SoundEar(shipped_model(), rate=made.rate, keep=False)
    known = {(c.rpm / 60.0, c.flutes) for c in made.truth.spindle} if speed_known else set()
    ear.know(tuple(Turning(spindle_hz=hz, flutes=flutes) for hz, flutes in sorted(known)))
    size = made.rate // 10
    heard: list = []
    for start in range(0, made.samples.size, size):
        heard += ear.push(Block(samples=made.samples[start : start + size], start=start, rate=made.rate))
    return [item for item in (*heard, *ear.close()) if isinstance(item, Finding)]


def false_findings(index: int) -> tuple[list[tuple[str, float]], float]:
    """Kinds and beliefs of the false findings in one clean clip, and its cutting time [s]."""
    made = clean(index)
    found = found_in(made, speed_known=True)
    cut_s = sum(c.stop - c.start for c in made.truth.contacts) / made.rate
    return [(f.kind, f.probability) for f in found], cut_s


def is_found(job: tuple[str, int]) -> tuple[bool, bool]:
    """Whether a planted fault is found at all, and as a flag."""
    kind, index = job
    made = planted(kind, index)
    low, high = (AT_S - 0.1) * made.rate, (AT_S + WITHIN_S) * made.rate
    mine = [
        f
        for f in found_in(made, speed_known=True)
        if f.kind in PLANTED[kind] and low <= f.start and f.decided_at <= high
    ]
    return bool(mine), any(f.probability >= FLAGGED for f in mine)


def report(pool, *, n_clean: int, n_planted: int) -> dict:
    """Print both tables; give what belongs in the card."""
    parts = pool.map(false_findings, range(n_clean), chunksize=1)
    cut_h = sum(cut_s for _, cut_s in parts) / 3600.0
    false = [one for found, _ in parts for one in found]
    kept: dict = {
        "clips": n_clean,
        "hours": round(n_clean * LENGTH_S / 3600.0, 2),
        "hours of cutting": round(cut_h, 3),
    }
    print(f"\nfindings on {n_clean} fault-free made clips, {kept['hours']} h, of it {cut_h:.2f} h of cutting")
    for kind in ("chatter", "sound changed", "sound changed once a turn"):
        told = Counter(belief >= FLAGGED for name, belief in false if name == kind)
        clips = sum(any(name == kind and belief >= FLAGGED for name, belief in found) for found, _ in parts)
        low, high = wilson_interval(clips, n_clean)
        kept[f"false {kind}"] = {
            "told": told.total(),
            "flagged": told[True],
            "share of clips flagged": round(clips / n_clean, 4),
        }
        print(
            f"  {kind:25} false: {told.total()} told, {told[True]} flagged, in {clips} of {n_clean} clips "
            f"(95 % interval {max(low, 0.0):.3f} to {high:.3f})"
        )
    print("planted in the middle of a cut at 12 dB: found within 2 s, and as a flag")
    for kind in PLANTED:
        rows = pool.map(is_found, [(kind, index) for index in range(n_planted)], chunksize=1)
        found, flagged = (sum(row[i] for row in rows) for i in range(2))
        low, high = wilson_interval(found, n_planted)
        kept[f"planted {kind}"] = {"clips": n_planted, "found": found, "flagged": flagged}
        print(f"  {kind:18} {found} of {n_planted} ({max(low, 0.0):.2f} to {high:.2f}), flagged {flagged}")
    print("  rubbing            not told by ear: the sheet says where chips get too thin")
    kept["rubbing"] = "not told by ear"
    return kept
