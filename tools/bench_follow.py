"""How well programs are followed and judged, on drawn runs: programs, operators, ears and faults.

`tools/bench follow [RUNS]`: more runs, firmer figures (default 4 a line; 100 takes hours).
"""

import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from listen.follow import refined_verdicts
from listen.states import EarRates, State
from listen.timeline import Flag, Timeline, VerdictKind
from tools.tools_follow.programs import draw_program
from tools.tools_follow.rearranged import CHANGES, draw_case
from tools.tools_follow.runs import CALM, HARSH, RATE, STEADY, Fault, Operator, Truth, run
from tools.tools_follow.score import Score, is_false, score_run
from tools.tools_follow.yardsticks import count_events, frame_grid, warp_online

EAR = EarRates(
    false_bursts_per_hour=2.0,
    dropouts_per_hour=10.0,
    missed_share=0.002,
    onset_spread_s=0.03,
    offset_spread_s=0.05,
)
WORSE = EarRates(
    false_bursts_per_hour=20.0,
    dropouts_per_hour=60.0,
    missed_share=0.01,
    onset_spread_s=0.08,
    offset_spread_s=0.12,
)
COLUMNS = ("none", "cycle start", "feed clock")
CPU_LIMIT = 0.001  # s a second of audio, one core
PROGRAM_S = 240.0


def main(arguments: list[str]) -> int:
    """Print all lines; 1 where a hard limit is missed."""
    n_runs = int(arguments[0]) if arguments else 4
    began = time.monotonic()
    missed = follow_lines(n_runs)
    fault_lines(n_runs)
    missed |= cause_lines(max(n_runs // 3, 3))
    calibration_lines(n_runs)
    rearranged_lines(n_runs)
    missed |= long_line()
    print(f"in {time.monotonic() - began:.0f} s")
    return int(missed)


def drawn(
    seed: int,
    operator: Operator,
    *,
    ear: EarRates = EAR,
    faults: tuple[Fault, ...] = (),
    kind: str | None = None,
) -> tuple[Timeline, Truth]:
    """Program and run of one seed."""
    rng = np.random.default_rng(seed)
    timeline = draw_program(rng, duration_s=PROGRAM_S, kind=kind)
    return timeline, run(rng, timeline, operator, ear=ear, faults=faults)


def share(good: float, of: float) -> str:
    """A share in percent, with what it is of."""
    return f"{100.0 * good / of:6.2f} % of {of:.0f}" if of else "  none"


def follow_lines(n_runs: int) -> bool:
    """Contacts matched to their line, beside the yardsticks; CPU."""
    print(
        "following, no hint      online: 0.5 s in        once over          smoothed"
        "      hardest tenth, once over"
    )
    missed = False
    for operator in (CALM, HARSH, STEADY):
        scores, beside = [], Counter[str]()
        for seed in range(n_runs):
            timeline, truth = drawn(seed, operator)
            scores.append(score_run(timeline, truth, EAR))
            beside.update(yardsticks(timeline, truth))
        missed |= _follow_line(operator, scores, beside)
    return missed


def _follow_line(operator: Operator, scores: list[Score], beside: Counter[str]) -> bool:
    def total(name: str) -> float:
        return float(sum(getattr(score, name) for score in scores))

    shares = sorted(s.at_end / s.n_heard for s in scores if s.n_heard)
    tenth = float(np.mean(shares[: max(len(shares) // 10, 1)]))
    cpu = total("cpu_s") / total("audio_s")
    heard = total("n_heard")
    matched = "  ".join(share(total(name), heard) for name in ("online", "at_end", "smoothed"))
    print(f"  {operator.name:8} {total('audio_s') / 3600.0:5.1f} h   {matched}   {100.0 * tenth:6.2f} %")
    of = max(beside["all"], 1)
    beside_text = ", ".join(
        f"{name} {100.0 * beside[name] / of:.1f} %" for name in ("counting", "warping", "grid")
    )
    print(f"           yardsticks on the same contacts, 0.2 s in: {beside_text}")
    rate = share(total("rate_good"), total("rate_all"))
    start = share(total("start_good"), total("start_all"))
    print(f"           rate within 5 % after two contacts: {rate}; next start within 0.3 s or 5 %: {start}")
    print(f"           {cpu:.5f} s CPU a second of audio, limit {CPU_LIMIT}{over(cpu, CPU_LIMIT)}")
    return cpu > 2.0 * CPU_LIMIT


def over(value: float, limit: float) -> str:
    """By how much a limit is missed, or nothing."""
    return "" if value <= limit else f": missed by {100.0 * (value / limit - 1.0):.0f} %"


def yardsticks(timeline: Timeline, truth: Truth) -> Counter[str]:
    """How many starts each yardstick takes for the right contact."""
    heard = []
    for event in truth.events:
        if event.state == State.ENTRY:
            heard.append((event.at / RATE, event.at / RATE))
        elif event.state == State.AIR:
            heard[-1] = (heard[-1][0], event.at / RATE)
    firsts: dict[int, float] = {}
    for start, _, contact in truth.stretches:
        firsts.setdefault(contact, start)
    counts: Counter[str] = Counter()
    ways = {
        "counting": count_events(timeline, heard),
        "warping": warp_online(timeline, heard, truth.end_s),
        "grid": frame_grid(timeline, heard, truth.end_s),
    }
    for contact, start in firsts.items():
        near = [i for i, (at, _) in enumerate(heard) if abs(at - start) < 0.35]
        if contact < 0 or not near:
            continue
        counts["all"] += 1
        for name, guesses in ways.items():
            counts[name] += guesses[near[0]] == contact
    return counts


def fault_lines(n_runs: int) -> None:
    """Recall of planted faults and false flags, for each kind of hint."""
    print("verdicts (live), planted faults found")
    for known in COLUMNS:
        found: Counter[str] = Counter()
        for seed in range(n_runs):
            for kind in ("none", "early", "absent", "cut short"):
                found.update(one_fault(seed, kind, known))
        names = ("early 4", "early 2", "absent", "cut short")
        recall = "; ".join(f"{name} {share(found[name], found['of ' + name])}" for name in names)
        print(f"  {known:12} {recall}  (early: z at least 4, and 2 to 4)")
        false = found["false"] / max(found["clean runs"], 1)
        unsure = share(found["cannot tell"], found["judged"])
        print(f"               false flags a clean run {false:.2f}; cannot tell {unsure}")
        print(f"               cues: {cue_text(found)}")


def cue_text(found: Counter[str]) -> str:
    """Cues in words."""
    return (
        f"before its line {share(found['cue early'], found['of early 4'])}, "
        f"cutting stopped {share(found['cue stopped'], found['of cut short'])}, "
        f"false ones {found['cue false'] / max(found['clean runs'], 1):.2f} a run"
    )


def one_fault(seed: int, kind: str, known: str) -> Counter[str]:
    """One run with one fault of this kind, scored."""
    rng = np.random.default_rng(10_000 + seed)
    operator = (CALM, STEADY)[seed % 2]
    timeline, _ = drawn(seed, operator)
    contact = int(rng.integers(2, len(timeline.contacts)))
    amount = {"early": float(rng.uniform(1.0, 10.0)), "cut short": float(rng.uniform(0.2, 0.7))}.get(
        kind, 0.0
    )
    faults = () if kind == "none" else (Fault(kind=kind, contact=contact, amount=amount),)
    timeline, truth = drawn(seed, operator, faults=faults)
    score = score_run(timeline, truth, EAR, known=known)
    counts: Counter[str] = Counter()
    counts["judged"] = len(timeline.contacts)
    counts["cannot tell"] = len(timeline.contacts) - sum(
        v.kind != VerdictKind.CANNOT_TELL for v in score.verdicts.values()
    )
    cues = [(cue.kind, cue.contact) for cue in score.cues]
    if kind == "none":
        counts["clean runs"] = 1
        counts["false"] = len(score.flags)
        counts["cue false"] = sum(name in ("before its line", "cutting stopped") for name, _ in cues)
        counts["cue false"] -= sum(  # holds inside a cut are rightly said
            any(start < hold[0] < stop for hold in truth.holds) for start, stop, _ in _whole(truth)
        )
        counts["cue false"] = max(counts["cue false"], 0)
        return counts
    return counts + _found(kind, contact, timeline, truth, score, cues)


def _whole(truth: Truth) -> list[tuple[float, float, int]]:
    ends: dict[int, list[float]] = {}
    for start, stop, contact in truth.stretches:
        ends.setdefault(contact, [start, stop])[1] = stop
    return [(start, stop, contact) for contact, (start, stop) in ends.items()]


def _found(
    kind: str,
    contact: int,
    timeline: Timeline,
    truth: Truth,
    score: Score,
    cues: list[tuple[str, int | None]],
) -> Counter[str]:
    counts: Counter[str] = Counter()
    verdict = score.verdicts.get(contact)
    right = {
        "early": VerdictKind.STARTED_EARLY,
        "absent": VerdictKind.NOT_HEARD,
        "cut short": VerdictKind.ENDED_EARLY,
    }[kind]
    is_right = verdict is not None and verdict.kind == right
    if kind == "early":
        air = timeline.contacts[contact].start - timeline.contacts[contact - 1].stop
        spread = float(np.hypot(truth.timing_spread * air, 0.04))
        z = truth.early.get(contact, 0.0) / spread
        name = "early 4" if z >= 4.0 else "early 2"
        if z >= 2.0:
            counts[f"of {name}"] += 1
            counts[name] += is_right
            counts["cue early"] += z >= 4.0 and ("before its line", contact + 1) in cues
        return counts
    counts[f"of {kind}"] += 1
    counts[kind] += is_right
    counts["cue stopped"] += kind == "cut short" and ("cutting stopped", contact + 1) in cues
    return counts


def cause_lines(n_runs: int) -> bool:
    """One cause, one flag; nothing wrongly not heard at 10 % override."""
    flags: dict[str, list[int]] = {"dry run": [], "tool gone": [], "offset": []}
    for seed in range(n_runs):
        for kind in flags:
            fault = Fault(kind=kind, contact=6, amount={"tool gone": 0.5, "offset": 2.0}.get(kind, 0.0))
            timeline, truth = drawn(seed, STEADY, faults=(fault,), kind="holes" if kind == "offset" else None)
            score = score_run(timeline, truth, EAR, known="feed clock")
            flags[kind].append(len(score.flags))
    print(
        "one cause, one flag (feed clock): flags a run "
        + ", ".join(f"{k} {np.mean(v):.2f}" for k, v in flags.items())
    )
    slow = replace(STEADY, first_override=(0.1,), rapid=(0.25,))
    wrong = judged = 0
    for seed in range(n_runs):
        timeline, truth = drawn(seed, slow, ear=replace(EAR, missed_share=0.0))
        score = score_run(timeline, truth, EAR)
        wrong += sum(v.kind == VerdictKind.NOT_HEARD for v in score.verdicts.values())
        judged += len(score.verdicts)
    print(f"at 10 % override, no hint: {wrong} of {judged} contacts wrongly not heard, must be 0")
    return wrong > 0


def calibration_lines(n_runs: int) -> None:
    """Probability beside how often the verdict was right, for the stated ear and a worse one."""
    for name, ear in (("as stated", EAR), ("worse than stated", WORSE)):
        bins: dict[int, list[bool]] = {}
        n_flags = n_unsure = n_all = 0
        for seed in range(n_runs):
            timeline, truth = drawn(500 + seed, (CALM, HARSH)[seed % 2], ear=ear)
            score = score_run(timeline, truth, EAR)
            for contact, verdict in score.verdicts.items():
                n_all += 1
                n_unsure += verdict.kind == VerdictKind.CANNOT_TELL
                if verdict.kind != VerdictKind.CANNOT_TELL:
                    right = not is_false(verdict) and _heard_there(truth, contact, verdict.heard_onset)
                    bins.setdefault(min(int(verdict.probability * 20), 19), []).append(right)
            n_flags += len(score.flags)
        text = ", ".join(
            f"{0.05 * b + 0.025:.3f}: {np.mean(bins[b]):.3f} ({len(bins[b])})"
            for b in sorted(bins)
            if len(bins[b]) > 9
        )
        print(f"calibration, ear {name}: said: right (contacts) {text}")
        print(f"    cannot tell {share(n_unsure, n_all)}, flags a run {n_flags / n_runs:.2f}")


def _heard_there(truth: Truth, contact: int, onset: int | None) -> bool:
    return onset is not None and any(
        abs(onset / RATE - start) < 0.5 for start, _, c in truth.stretches if c == contact
    )


def rearranged_lines(n_runs: int) -> None:
    """Short runs of passes with one thing changed, judged afterwards."""
    print("rearranged short runs    verdicts right (ear as stated)   (worse ear, stated as it is)")
    for index, change in enumerate(CHANGES):
        texts = []
        for ear in (EAR, WORSE):
            right = total = whole = 0
            for seed in range(n_runs):
                case = draw_case(np.random.default_rng(100 * seed + index), change, ear=ear)
                verdicts = refined_verdicts(
                    case.timeline, case.truth.events, (), (), RATE, ear, end=round(case.truth.end_s * RATE)
                )
                good = [v.kind == k for v, k in zip(verdicts, case.right, strict=False)]
                right, total, whole = right + sum(good), total + len(good), whole + all(good)
            texts.append(f"{share(right, total):20} runs wholly right {100.0 * whole / n_runs:4.0f} %")
        print(f"  {change:18}     {texts[0]}    {texts[1]}")


def long_line() -> bool:
    """Three hours and more: still right, and no slower; memory is fixed by construction."""
    rng = np.random.default_rng(77)
    timeline = draw_program(rng, duration_s=4.0 * 3600.0)
    truth = run(rng, timeline, CALM, ear=EAR)
    score = score_run(timeline, truth, EAR)
    cpu = score.cpu_s / score.audio_s
    flags = len([flag for flag in score.flags if isinstance(flag, Flag)])
    hours = f"one run of {score.audio_s / 3600.0:.1f} h, {len(timeline.contacts)} contacts"
    online, smoothed = (share(n, score.n_heard) for n in (score.at_end, score.smoothed))
    print(f"{hours}: once over {online}, smoothed {smoothed}, {flags} flags, {cpu:.5f} s CPU a second")
    return cpu > 2.0 * CPU_LIMIT


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
