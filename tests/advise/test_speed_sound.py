"""A spindle that turns at another speed than the program's, found by what the cuts sing (made sound)."""

import dataclasses

import pytest

from listen.timeline import Timeline
from listen.told import Flag
from tools.tools_advise.made import listen_to, make_run, timeline_of

pytestmark = pytest.mark.closed
SEED = 100  # a machine whose teeth can be heard


def at_speed(timeline: Timeline, rpm: float) -> Timeline:
    """The same program with another speed written into it."""
    contacts = [
        dataclasses.replace(c, spindle_rpm=rpm, tooth_pass_hz=rpm * c.flutes / 60.0)
        for c in timeline.contacts
    ]
    return dataclasses.replace(timeline, contacts=tuple(contacts))


@pytest.mark.parametrize(("programmed", "kinds"), [(6000.0, ["tooth pass off"]), (8000.0, [])])
def test_the_speed_that_is_heard(programmed: float, kinds: list[str]) -> None:
    """Made at 8000 rpm with three flutes: 400 Hz. The voice's own speed is off by up to a few percent."""
    timeline = timeline_of()
    told = listen_to(at_speed(timeline, programmed), make_run(timeline, SEED).samples, [])
    flags = [item for item in told if isinstance(item, Flag) and item.kind == "tooth pass off"]
    assert [flag.kind for flag in flags] == kinds
    for flag in flags:
        assert "or four flutes" in flag.text
        assert "expected 300 Hz (6000 rpm, three flutes)" in flag.text
        assert 7600 < float(flag.text.split(" rpm")[0].split()[-1]) < 8400
