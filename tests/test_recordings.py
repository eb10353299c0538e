"""The made recordings beside the project: each is heard as it was made.

Onsets within 0.1 s; offsets by the rule of DCASE task 4: 0.2 s or a fifth of the length
(DESED_task at commit c6bcb45 calls sed_eval with t_collar = 0.200 and 0.2).
"""

import json
from pathlib import Path

import pytest

from listen.replay_run import replay_recording
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
