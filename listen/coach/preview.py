"""What a program should sound like, before it runs: made sound on the same page as a run.

Conventions
-----------
A preview is a run folder whose sound is made and whose events are the truth of the making. Its
header says so; nothing in it was heard.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from listen.blocks import Block
from listen.contact import Contact
from listen.errors import InputError
from listen.followed import Position, Strength, Verdict, VerdictKind
from listen.job import Job
from listen.record import Run, RunWriter
from listen.record.run import MADE
from listen.record.words import counted
from listen.spans import Spans
from listen.states import Event, State
from listen.synth import (
    EVALUATION_RANGES,
    FAULTS,
    Fault,
    Made,
    Running,
    Script,
    TrueContact,
    draw_room,
    draw_voice,
    synthesise,
)
from listen.timeline import Timeline

RATE = 48000
SOUNDS = ("flac", "opus", "wav")
LONGEST_S = 600.0  # of sound; longer programs are previewed from their first contact on
LEAD_IN_S, LEAD_OUT_S = 3.0, 2.0  # of program time around the contacts asked for
POSITION_S = 0.2
AMOUNTS = {"early": 0.4, "late": 0.4, "half-way": 0.5, "heavier": 6.0, "lighter": 6.0, "chatter": 3.0}
VERDICTS = {
    "early": VerdictKind.STARTED_EARLY,
    "late": VerdictKind.STARTED_LATE,
    "half-way": VerdictKind.ENDED_EARLY,
}
STRENGTHS = {"heavier": Strength.HEAVIER, "lighter": Strength.LIGHTER, "rubbing": Strength.LIGHTER}


@dataclass(frozen=True, slots=True, kw_only=True)
class PreviewSettings:
    """What to make.

    Attributes
    ----------
    feed_override : float | None
        [percent]; None for the job's own.
    contacts : (first, last) | None
        Only these, by id; None for all that fit into `LONGEST_S`.
    begin_s : float | None
        Where in the program the sound begins [s], so that two previews do it alike; None for the start of
        a program that is made whole, else for `LEAD_IN_S` before the first contact.
    coolant : bool
    fault : str
        "" or one of `FAULTS`, planted in the second contact that is made, so that a good one is heard
        first; in the only one where there is one.
    seed : int
        Of the machine and the room.
    snr_db : float
        Of the program's strongest contact at 100 % feed override [dB].
    """

    feed_override: float | None = None
    contacts: tuple[int, int] | None = None
    begin_s: float | None = None
    coolant: bool = False
    fault: str = ""
    seed: int = 20
    snr_db: float = 24.0

    def __post_init__(self) -> None:
        if self.feed_override is not None and not 1.0 <= self.feed_override <= 200.0:
            raise InputError(f"feed override must be 1 to 200 percent, got {self.feed_override}")
        if self.fault and self.fault not in FAULTS:
            raise InputError(f"fault must be one of {', '.join(FAULTS)}; got {self.fault!r}")
        if self.contacts is not None and not 1 <= self.contacts[0] <= self.contacts[1]:
            raise InputError(f"contacts are given as FIRST to LAST, from 1 on, got {self.contacts}")


def read_range(text: str) -> tuple[int, int] | None:
    """Contacts or passes as a person writes them.

    Examples
    --------
    >>> read_range("2-5"), read_range("3"), read_range("")
    ((2, 5), (3, 3), None)
    """
    if not text.strip():
        return None
    first, dash, last = text.replace(" ", "").partition("-")
    if not first.isdigit() or (dash and not last.isdigit()):
        raise InputError(f"contacts and passes are written as 2-5 or 3, got {text!r}")
    return int(first), int(last or first)


def contacts_of_passes(timeline: Timeline, passes: tuple[int, int]) -> tuple[int, int]:
    """First and last contact of the passes asked for, as the sheet counts them.

    Raises
    ------
    InputError
        If there is no such pass.
    """
    low, high = passes
    ids = [i for one in timeline.passes if low <= one.id <= high for i in one.contact_ids]
    if not ids:
        n = len(timeline.passes)
        raise InputError(f"{timeline.program} has {n} passes, none of them from {low} to {high}")
    return min(ids), max(ids)


def make_preview(
    timeline: Timeline,
    folder: Path,
    *,
    settings: PreviewSettings,
    job: Job | None = None,
    sound: str = "flac",
    write_page: Callable[[Run, Path], None],
) -> Run:
    """Make the sound of a program and its page.

    Parameters
    ----------
    timeline : Timeline
    folder : Path
        The run folder to write; new or empty.
    settings : PreviewSettings
    job : Job | None
        Kept beside the preview, for its listing.
    sound : str
        ``flac``, ``opus`` (small) or ``wav``: FLAC for the page, and ``sound.wav`` beside it.
    write_page : callable

    Raises
    ------
    InputError
        If the program has no contact, or not the ones asked for, or the sound is none of these.
    """
    if sound not in SOUNDS:
        raise InputError(f"sound must be one of {', '.join(SOUNDS)}; got {sound!r}")
    override = settings.feed_override or timeline.feed_override
    timed = replace(timeline, feed_override=override)
    shown = cut_timeline(timed, settings.contacts, begin_s=settings.begin_s)
    made = make_sound(shown, settings)
    kept = "opus" if sound == "opus" else "flac"
    with RunWriter(folder, rate=RATE, live=False, sound=kept, timeline=shown, job=job, source=MADE) as writer:
        for start in range(0, made.samples.size, RATE):
            writer.push(Block(samples=made.samples[start : start + RATE], start=start, rate=RATE))
        writer.push(*positions_of(made, shown))
        events = tuple(event for contact in made.truth.contacts for event in _events(contact))
        writer.push(*events)
        run = writer.finish(refined=events, verdicts=tuple(_verdicts(made, shown)))
    if sound == "wav":
        _write_wav(made, folder / "sound.wav")
    write_page(run, folder / "timeline.html")
    return run


def _write_wav(made: Made, path: Path) -> None:
    """The same samples as the run's own sound, for what plays nothing else."""
    import soundfile

    soundfile.write(path, made.samples, made.rate, subtype="PCM_16")


def make_sound(timeline: Timeline, settings: PreviewSettings) -> Made:
    """The sound of a program as it would come from one made machine."""
    rng = np.random.default_rng(settings.seed)
    n_tools = len({contact.tool for contact in timeline.contacts})
    voice = draw_voice(rng, EVALUATION_RANGES, RATE, n_tools=n_tools)
    room = draw_room(rng, EVALUATION_RANGES, RATE)
    coolant = Running(kind="coolant", start_s=0.0, stop_s=2.0 * LONGEST_S, ramp_s=0.2, level_db=6.0)
    kind, at = settings.fault, timeline.contacts[:2][-1].id
    planted = (Fault(kind=kind, contact=at, amount=AMOUNTS.get(kind, 0.0)),) if kind else ()
    script = Script(
        start_delay_s=1.0,
        tail_s=1.0,
        snr_db=settings.snr_db,
        faults=planted,
        running=(coolant,) if settings.coolant else (),
    )
    return synthesise(timeline, script=script, voice=voice, room=room, rate=RATE, rng=rng)


def contacts_within(timeline: Timeline, contacts: tuple[int, int] | None) -> list[Contact]:
    """The contacts from the first to the last asked for, all where none are.

    Raises
    ------
    InputError
        If there is no such contact.
    """
    low, high = contacts or (1, max((c.id for c in timeline.contacts), default=0))
    asked = [contact for contact in timeline.contacts if low <= contact.id <= high]
    if not asked:
        has = counted(len(timeline.contacts), "contact")
        raise InputError(f"{timeline.program} has {has}, none of them from {low} to {high}")
    return asked


def begin_of(timeline: Timeline, contacts: tuple[int, int] | None) -> float:
    """Where in the program its preview begins [s]: a little before the first contact asked for.

    At its start where it is made whole.

    Raises
    ------
    InputError
        If there is no such contact.
    """
    asked = contacts_within(timeline, contacts)
    is_whole = contacts is None and timeline.duration <= _longest(timeline)
    return 0.0 if is_whole else max(0.0, asked[0].start - LEAD_IN_S)


def _longest(timeline: Timeline) -> float:
    """The program time that fits into `LONGEST_S` [s]."""
    return LONGEST_S * timeline.feed_override / 100.0


def cut_timeline(
    timeline: Timeline, contacts: tuple[int, int] | None, *, begin_s: float | None = None
) -> Timeline:
    """The program from `begin_s`, else `begin_of`, to a little after the last contact asked for.

    Raises
    ------
    InputError
        If there is no such contact.
    """
    begin = begin_of(timeline, contacts) if begin_s is None else begin_s
    asked = contacts_within(timeline, contacts)
    asked = [contact for contact in asked if contact.stop - begin <= _longest(timeline)] or asked[:1]
    is_whole = contacts is None and begin == 0.0 and timeline.duration <= _longest(timeline)
    end = timeline.duration if is_whole else asked[-1].stop + LEAD_OUT_S
    return replace(
        timeline,
        spans=_cut_spans(timeline.spans, begin, end),
        contacts=tuple(_moved(contact, begin) for contact in asked),
        duration=max(0.0, min(end, timeline.duration) - begin),
        passes=(),
        holds=(),
    )


def _moved(contact: Contact, begin: float) -> Contact:
    return replace(contact, start=contact.start - begin, stop=contact.stop - begin)


def _cut_spans(spans: Spans, begin: float, end: float) -> Spans:
    inside = (spans.stop_s > begin) & (spans.start_s < end)
    kept = {field.name: getattr(spans, field.name)[inside] for field in fields(Spans)}
    kept["start_s"] = np.clip(kept["start_s"], begin, end) - begin
    kept["stop_s"] = np.clip(kept["stop_s"], begin, end) - begin
    return Spans(**kept)


def positions_of(made: Made, timeline: Timeline) -> Iterator[Position]:
    """Where the program is, by the truth."""
    truth, spans = made.truth, timeline.spans
    for at in range(0, made.samples.size, round(POSITION_S * made.rate)):
        now, soon = np.interp([at, at + made.rate * POSITION_S], truth.program_at, truth.program_s)
        index = min(int(np.searchsorted(spans.stop_s, now, side="right")), len(spans) - 1)
        rate = float(soon - now) / POSITION_S
        yield Position(at=at, program_time=float(now), line=int(spans.line[index]), spread=0.0, rate=rate)


def _events(contact: TrueContact) -> Iterator[Event]:
    places = (contact.start, contact.full, contact.leaving, contact.stop)
    for state, at in zip((State.ENTRY, State.STEADY, State.EXIT, State.AIR), places, strict=True):
        yield Event(state=state, at=at, decided_at=at, probability=1.0)


def _verdicts(made: Made, timeline: Timeline) -> Iterator[Verdict]:
    """What became of each contact, by the truth."""
    truth = made.truth
    for contact in timeline.contacts:
        pieces = [piece for piece in truth.contacts if piece.contact == contact.id]
        fault = next((piece.fault for piece in pieces if piece.fault), "")
        onset, offset = np.interp([contact.start, contact.stop], truth.program_s, truth.program_at)
        heard = (pieces[0].start, pieces[-1].stop) if pieces else (None, None)
        yield Verdict(
            contact=contact.id,
            kind=VERDICTS.get(fault, VerdictKind.AS_EXPECTED) if pieces else VerdictKind.NOT_HEARD,
            probability=1.0,
            called_at=round(float(offset)),
            expected_onset=round(float(onset)),
            expected_offset=round(float(offset)),
            heard_onset=heard[0],
            heard_offset=heard[1],
            strength=STRENGTHS.get(fault, Strength.AS_EXPECTED),
            reason=f"made so{f', with a planted fault: {fault}' if fault else ''}",
        )
