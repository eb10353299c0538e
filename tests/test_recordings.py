"""The made recordings beside the project: each is heard as it was made.

Onsets within 0.1 s; offsets by the rule of DCASE task 4: 0.2 s or a fifth of the length
(DESED_task at commit c6bcb45 calls sed_eval with t_collar = 0.200 and 0.2).
"""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from listen.blocks import Block
from listen.ears import Heard, SoundEar, shipped_model
from listen.replay_run import replay_recording
from listen.states import Event, Standing, State
from listen.timeline import VerdictKind

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
