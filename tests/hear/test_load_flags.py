"""A whole run on load alone: a contact that draws far more or less than the sheet expects is a flag."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from listen.ears import LoadEar
from listen.job_file import load_job
from listen.plan import plan_job
from listen.session import Session
from listen.synth import Script
from listen.synth.load import LoadVoice, load_of_program, make_load
from listen.synth.script import map_time
from listen.told import Flag

RATE = 8000
JOB = Path(__file__).parent / "eight_passes.toml"


@pytest.mark.closed
@pytest.mark.parametrize(("times", "kind"), [(2.2, "load too high"), (0.3, "load too low"), (1.0, "")])
def test_load_far_off_the_sheet_is_one_flag_and_load_like_the_others_none(times: float, kind: str) -> None:
    planned = plan_job(load_job(JOB)).timeline
    sheet = replace(planned, contacts=tuple(replace(c, load_percent=8.0) for c in planned.contacts))
    sixth = sheet.contacts[5]
    drawn = tuple(replace(c, load_percent=8.0 * times) if c is sixth else c for c in sheet.contacts)
    stretches = load_of_program(replace(sheet, contacts=drawn), map_time(sheet, Script()))
    loads = make_load(np.random.default_rng(5), stretches, LoadVoice(hz=5.0, spike=40.0), rate=RATE)
    session = Session(sheet, ear=LoadEar(rate=RATE, keep=False), rate=RATE)
    said = [item for one in loads for item in session.push(one)] + list(session.close())
    flags = [(f.kind, f.contact) for f in said if isinstance(f, Flag) and f.kind.startswith("load")]
    assert flags == ([(kind, sixth.id)] if kind else [])
