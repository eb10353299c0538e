"""The made recordings beside the project: each is heard as it was made.

Onsets within 0.1 s; offsets by the rule of DCASE task 4: 0.2 s or a fifth of the length
(DESED_task at commit c6bcb45 calls sed_eval with t_collar = 0.200 and 0.2).
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from listen.advise import Advise
from listen.blocks import Block
from listen.ears import Heard, SoundEar, shipped_model
from listen.follow import Follower
from listen.followed import Position, Verdict, VerdictKind
from listen.job_file import load_job
from listen.plan import plan_job
from listen.replay_run import replay_recording
from listen.states import EarRates, Event, Learnt, Standing, State, StateLikelihoods
from listen.timeline import Timeline
from listen.told import Cue, Flag

pytestmark = pytest.mark.closed
FOLDER = Path(__file__).resolve().parents[1] / "recordings_synthetic"
EXPECTED = VerdictKind.AS_EXPECTED


@pytest.mark.parametrize(
    ("name", "verdicts"),
    [
        ("good", [EXPECTED] * 3),
        ("never", [EXPECTED, VerdictKind.NOT_HEARD, EXPECTED]),
        ("gone", [EXPECTED, EXPECTED, VerdictKind.ENDED_EARLY]),
    ],
)
def test_what_became_of_each_contact(name: str, verdicts: list[VerdictKind], tmp_path: Path) -> None:
    run = replay_recording(
        FOLDER / f"{name}.ogg",
        out=tmp_path / "run",
        write_page=lambda run, path: None,
        job=FOLDER / "step.toml",
    )
    assert [contact.verdict for contact in run.contacts] == verdicts
    truth = json.loads((FOLDER / f"{name}.json").read_text())["contacts"]
    heard = {contact.id: contact.heard for contact in run.contacts if contact.heard}
    assert sorted(heard) == [made["contact"] for made in truth]
    for made in truth:
        stretch = heard[made["contact"]]
        assert stretch.onset / run.rate == pytest.approx(made["entry_s"], abs=0.1)
        length_s = made["air_s"] - made["entry_s"]
        assert stretch.offset / run.rate == pytest.approx(made["air_s"], abs=max(0.2, 0.2 * length_s))


def test_the_run_teaches_the_ear_its_own_sound_and_that_is_told() -> None:
    """Three contacts with air between: known by the last of them, and nothing in the first ten seconds."""
    sound, rate = soundfile.read(FOLDER / "good.ogg")
    heard = tuple(
        SoundEar(shipped_model(), rate=rate, keep=False).push(Block(samples=sound, start=0, rate=rate))
    )
    told = [item for item in heard if isinstance(item, Learnt)]
    assert [one.part for one in told] == sorted(one.part for one in told)
    assert told[-1].part == 1.0
    assert told[0].at > 10 * rate


def test_a_cut_that_the_run_knows_does_not_end_at_every_dip() -> None:
    """Five dips of 6 dB, 100 ms each, in the third contact: untaught, the ear tells each as an end."""
    sound, rate = soundfile.read(FOLDER / "good.ogg")
    last = json.loads((FOLDER / "good.json").read_text())["contacts"][-1]
    for dip_s in last["entry_s"] + 1.0 + 0.5 * np.arange(5):
        sound[round(dip_s * rate) : round((dip_s + 0.1) * rate)] *= 0.5
    ear = SoundEar(shipped_model(), rate=rate, keep=False)
    heard = (*ear.push(Block(samples=sound, start=0, rate=rate)), *ear.close())
    ends = [item for item in heard if isinstance(item, Event) and item.state is State.AIR]
    inside = [end for end in ends if last["entry_s"] + 0.5 < end.at / rate < last["air_s"] - 0.2]
    assert sum(end.standing is Standing.PROVISIONAL for end in inside) <= 2
    assert sum(end.standing is Standing.CONFIRMED for end in inside) <= 3


def test_what_was_never_cut_is_flagged_however_often_the_ear_is_said_to_miss() -> None:
    """Its rates are counted on few contacts, and change a little with each fit."""
    sound, rate = soundfile.read(FOLDER / "never.ogg")
    timeline = plan_job(load_job(FOLDER / "step.toml")).timeline
    ear = SoundEar(shipped_model(), rate=rate, keep=False)
    told: list[Heard] = []
    for start in range(0, sound.size, rate // 10):
        told += ear.push(Block(samples=sound[start : start + rate // 10], start=start, rate=rate))
    told += ear.close()
    for missed, bursts in ((0.002, 0.6), (0.005, 2.0), (0.01, 0.6), (0.02, 2.0)):
        rates = replace(ear.rates, missed_share=missed, false_bursts_per_hour=bursts)
        flags = flags_of(timeline, rate, rates, told, sound.size)
        assert [(flag.kind, flag.contact) for flag in flags] == [("not heard", 2)]


def flags_of(timeline: Timeline, rate: int, rates: EarRates, told: list[Heard], end: int) -> list[Flag | Cue]:
    """What is flagged of a run, the ear being said to err so often."""
    follower, advise = Follower(timeline, rate=rate, ear=rates), Advise(timeline, rate)
    given: list[Position | Verdict | Cue] = []
    for item in told:
        if isinstance(item, StateLikelihoods):
            follower.listen(item)
        elif isinstance(item, Event):
            given += follower.push((item,), item.decided_at)
    given += follower.close(end)
    return [said for item in given for said in advise.push(item) if isinstance(said, Flag)]


@pytest.mark.parametrize("name", ["good", "early", "never", "gone"])
def test_a_microphone_that_was_mute_at_first_takes_no_first_sound_for_a_contact(name: str) -> None:
    """2.5 s of zeros before the recording change nothing of what is heard, live or afterwards."""
    sound, rate = soundfile.read(FOLDER / f"{name}.ogg")
    mute = round(2.5 * rate)
    begun = heard_in(sound, rate)
    later = heard_in(np.concatenate([np.zeros(mute), sound]), rate)
    for whole, shifted in zip(begun, later, strict=True):
        assert [state for _, state in whole] == [state for _, state in shifted]
        places = [at - mute for at, _ in shifted]
        np.testing.assert_allclose(places, [at for at, _ in whole], rtol=0, atol=0.1 * rate)


def heard_in(sound: NDArray[np.float64], rate: int) -> list[list[tuple[int, State]]]:
    """Where contacts begin and end, as confirmed live and as known afterwards [samples]."""
    ear = SoundEar(shipped_model(), rate=rate, keep=True)
    told: list[Heard] = []
    for start in range(0, sound.size, rate // 10):
        told += ear.push(Block(samples=sound[start : start + rate // 10], start=start, rate=rate))
    live = [item for item in (*told, *ear.close()) if isinstance(item, Event)]
    edges = (State.ENTRY, State.AIR)
    return [
        [(one.at, one.state) for one in events if one.state in edges and one.standing is Standing.CONFIRMED]
        for events in (live, ear.look_again())
    ]
