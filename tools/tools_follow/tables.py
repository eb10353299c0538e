"""The counts of all lines as tables for a person, each share with its 95 % interval.

References
----------
Wilson (1927), "Probable inference, the law of succession, and statistical inference", JASA 22:
the interval of a share.
"""

import numpy as np

from tools.tools_follow.jobs import COLUMNS, Counts
from tools.tools_follow.made_stops import SOON_S
from tools.tools_follow.score import BELIEFS

Found = dict[str, list[Counts]]
CPU_LIMIT = 0.001  # s a second of audio, one core
FALSE_LIMIT, CUE_LIMIT = 0.05, 0.2  # a run
TOLD = {
    "told its habits, harsh": "all that the operator does being told, and nothing wrong",
    "told its feed clock, harsh": "override and holds told as they happen, which no sound tells",
}
# Of the stops of about half a minute so many go on, and start again; common practice, no source.
STOPS = {"plan looked at, then on": 6.0, "plan from the top again": 1.0, "plan from a later line": 1.0}
CUT_H = 0.18  # cutting in a drawn run, on the mean


def total(counts: list[Counts], name: str) -> float:
    """Sum of one count over all runs of a line."""
    return sum(each.get(name, 0.0) for each in counts)


def wilson(good: float, of: float) -> tuple[float, float]:
    """95 % interval of a share [0 to 1].

    >>> [round(edge, 4) for edge in wilson(9, 10)]
    [0.5958, 0.9821]
    """
    z, p = 1.96, good / of
    middle = p + z * z / (2.0 * of)
    half = z * np.sqrt(p * (1.0 - p) / of + z * z / (4.0 * of * of))
    return float((middle - half) / (1.0 + z * z / of)), float((middle + half) / (1.0 + z * z / of))


def share(good: float, of: float) -> str:
    """A share in percent, its 95 % interval, and what it is of."""
    if of <= 0.0:
        return "none"
    low, high = wilson(min(good, of), of)
    return f"{100.0 * good / of:6.2f} % ({100.0 * low:.1f}-{100.0 * high:.1f}) of {of:.0f}"


def over(value: float, limit: float) -> str:
    """By how much a limit is missed, or nothing."""
    return "" if value <= limit else f": missed by {100.0 * (value / limit - 1.0):.0f} %"


def print_tables(found: Found) -> bool:
    """Print all that was found; True where a hard limit is missed."""
    missed = False
    for name, counts in found.items():
        if name.startswith(("follow ", "plan ", "long")):
            missed |= _matched(name, counts)
        elif name.startswith("told "):
            print(f"{name}: the same runs, {TOLD[name]}")
            _places(counts)
    if all(name in found for name in STOPS):
        _stops(found)
    for known in COLUMNS:
        _verdicts(found, known)
    for name, counts in found.items():
        if name.startswith("cause "):
            _cause(name, counts)
        elif name == "slow":
            missed |= _slow(counts)
        elif name.startswith("calibration"):
            _calibration(name, counts)
        elif name.startswith("rearranged"):
            _rearranged(name, counts)
        elif name == "made stops":
            _made_stops(counts)
        elif name == "memory":
            _memory(counts)
    return missed


def _matched(name: str, counts: list[Counts]) -> bool:
    seconds = total(counts, "seconds")
    cpu = total(counts, "cpu") / seconds
    print(f"{name}: {len(counts)} runs, {seconds / 3600.0:.1f} h, no hint")
    _places(counts)
    print(f"    recovered after a hold {share(total(counts, 'recovered'), total(counts, 'holds'))}")
    print(f"    rate within 5 % {share(total(counts, 'rate'), total(counts, 'rate of'))}")
    print(f"    next start within 0.3 s or 5 % {share(total(counts, 'start'), total(counts, 'start of'))}")
    false, ear = (total(counts, name) / len(counts) for name in ("false flags", "flags on missed"))
    print(f"    false flags a run {false:.3f}, and {ear:.3f} on contacts that the ear missed")
    if total(counts, "all"):
        beside = (f"{way} {100.0 * total(counts, way) / total(counts, 'all'):.1f} %" for way in WAYS)
        print(f"    yardsticks on the same contacts, 0.2 s in: {', '.join(beside)}")
    print(f"    {cpu:.5f} s CPU a second of audio, limit {CPU_LIMIT}{over(cpu, CPU_LIMIT)}")
    return cpu > 2.0 * CPU_LIMIT


def _places(counts: list[Counts]) -> None:
    """Contacts matched, and what was believed of it, once each was over."""
    for way in ("half a second in", "once over", "smoothed"):
        print(f"    matched {way:17} {share(total(counts, way), total(counts, 'heard'))}")
    undecided, heard = total(counts, "undecided"), total(counts, "heard")
    wrong = heard - undecided - total(counts, "once over")
    print(f"    once over: carried as one of several {share(undecided, heard)}, wrong {share(wrong, heard)}")
    shares = sorted(each["once over"] / each["heard"] for each in counts if each["heard"])
    tenth = shares[: max(len(shares) // 10, 1)]
    print(f"    hardest tenth of the runs, once over {100.0 * np.mean(tenth):.2f} %")
    for name in ("alike", "unlike"):
        _believed(f"{name:6} to the contacts beside: ", counts, name)
    for at in range(len(BELIEFS) + 1):
        _believed("place ", counts, f"belief {at}")


def _believed(text: str, counts: list[Counts], name: str) -> None:
    """What was believed of some places beside how often it was right."""
    of = total(counts, f"of {name}")
    if of:
        believed = 100.0 * total(counts, f"believed {name}") / of
        print(f"    {text}believed {believed:.1f} %, right {share(total(counts, f'right {name}'), of)}")


def _stops(found: Found) -> None:
    """Belief in the place after a stop, by how often each ends so: restarts alone are all surprise."""
    print("stops of about half a minute, of eight of which two start again: place once a contact is over")
    for name in ("alike", "unlike"):
        of, believed, right = (
            sum(weight * total(found[line], f"{what} {name}") for line, weight in STOPS.items())
            for what in ("of", "believed", "right")
        )
        if of:
            print(f"    {name:6} believed {100.0 * believed / of:.1f} %, right {100.0 * right / of:.1f} %")


WAYS = ("counting", "warping", "grid")


def _verdicts(found: Found, known: str) -> None:
    rows = {name: counts for name, counts in found.items() if name.endswith(f", {known}")}
    if not rows:
        return
    print(f"verdicts live, hint: {known}")
    for name, counts in rows.items():
        kind = name.removesuffix(f", {known}")
        is_clean = kind.startswith("clean")
        if is_clean:
            _clean(kind, counts)
        for size in (" z4", " z2", "") if not is_clean else ():
            if total(counts, f"of{size}"):
                _recall(
                    kind + size.replace(" z4", ", z at least 4").replace(" z2", ", z 2 to 4"), counts, size
                )


def _clean(kind: str, counts: list[Counts]) -> None:
    n = len(counts)
    false, ear = total(counts, "false flags") / n, total(counts, "flags on missed") / n
    before, stopped = total(counts, "cue false before") / n, total(counts, "cue false stopped") / n
    print(f"    {n} runs, {kind}: false flags a run {false:.3f}{over(false, FALSE_LIMIT)}")
    both = false + ear
    print(f"        with those on contacts that the ear missed {both:.3f}{over(both, FALSE_LIMIT)}")
    kinds = sorted({name for each in counts for name in each if name.startswith("flag ")})
    print("        " + ", ".join(f"{name[5:]} {total(counts, name):.0f}" for name in kinds))
    print(f"        cannot tell {share(total(counts, 'cannot tell'), total(counts, 'judged'))}")
    cues = f"before its line {before:.3f}, cutting stopped {stopped:.3f}"
    print(f"        false cues a run: {cues}{over(before + stopped, CUE_LIMIT)}")


def _recall(kind: str, counts: list[Counts], size: str) -> None:
    of = total(counts, f"of{size}")
    print(f"    {kind:28} right {share(total(counts, f'right{size}'), of)}")
    if total(counts, f"flags{size}") or kind != "extra":
        rest = ("cannot tell", "flagged", "flagged at once", "cued", "cued at once")
        text = ", ".join(f"{name} {100.0 * total(counts, name + size) / of:.1f} %" for name in rest)
        print(f"        {text}; flags a run {total(counts, f'flags{size}') / of:.2f}")


def _cause(name: str, counts: list[Counts]) -> None:
    n = len(counts)
    one, live = (share(total(counts, way), n) for way in ("exactly one", "live"))
    print(
        f"{name} (feed clock): flags a run {total(counts, 'flags') / n:.2f}, exactly one {one}, live {live}"
    )
    if name == "cause offset":
        print(f"    one size said, within a fifth {share(total(counts, 'size within a fifth'), n)}")


def _slow(counts: list[Counts]) -> bool:
    wrong, judged = total(counts, "wrong"), total(counts, "judged")
    print(f"at 10 % override, no hint: {wrong:.0f} of {judged:.0f} contacts wrongly not heard, must be 0")
    return wrong > 0


def _calibration(name: str, counts: list[Counts]) -> None:
    print(f"{name}: {len(counts)} runs")
    for at in range(11):
        n = total(counts, f"n {at}")
        if n:
            said = 100.0 * total(counts, f"said {at}") / n
            print(f"    said {said:5.1f} %, right {share(total(counts, f'right {at}'), n)}")
    unsure = share(total(counts, "cannot tell"), total(counts, "judged"))
    print(f"    cannot tell {unsure}, flags a run {total(counts, 'flags') / len(counts):.2f}")


def _rearranged(name: str, counts: list[Counts]) -> None:
    of = total(counts, "of")
    for way in ("refined", "live"):
        unsure = 100.0 * total(counts, f"{way} cannot tell") / of
        whole = 100.0 * total(counts, f"{way} whole") / len(counts)
        text = f"{share(total(counts, way), of)}, cannot tell {unsure:.1f} %, runs wholly right {whole:.0f} %"
        print(f"{name if way == 'refined' else '':32} {way:8} {text}")


def _made_stops(counts: list[Counts]) -> None:
    """How soon stops are said, and how often falsely: no wait is both short and sure enough."""
    hours, of = total(counts, "cutting") / 3600.0, total(counts, "of")
    false = total(counts, "false") / max(hours, 1e-9) * CUT_H
    print(f"stops on made sound at 12 and 6 dB, whole chain, feed clock: {hours:.2f} h of cutting")
    print(f"    false cues a run {false:.2f}{over(false, CUE_LIMIT)}")
    for soon_s in SOON_S:
        print(f"    said within {soon_s:.2f} s of it {share(total(counts, f'within {soon_s}'), of)}")
    told, wrongly = (total(counts, name) for name in ("absent told", "wrongly absent"))
    print(f"    contacts that are not there called not heard {share(told, total(counts, 'absent of'))}")
    print(f"    contacts that are there called not heard {share(wrongly, total(counts, 'contacts'))}")


def _memory(counts: list[Counts]) -> None:
    first, last = counts[0]["first"] / 1e6, counts[0]["last"] / 1e6
    print(f"memory of the follower: {first:.2f} MB after 1 h, {last:.2f} MB after {counts[0]['hours']:.1f} h")
