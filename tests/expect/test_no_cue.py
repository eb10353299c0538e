"""Where no cue to hold is given, from the program text to the hold point.

Common practice, no source: a hold in tapping may not be obeyed, in a boring or reaming it leaves a mark, in a
peck the tool is in the hole, and in a compensation lead-in the path back to the work is not the path out.
"""

from pathlib import Path

import pytest

from listen.job_file import load_job
from listen.plan import plan_job
from listen.timeline import Timeline

pytestmark = pytest.mark.closed
JOB = """
program = "part.nc"
[stock]
min = [0.0, 0.0, -20.0]
max = [60.0, 40.0, 0.0]
material = "aluminium 6061"
[[tools]]
number = 1
kind = "{kind}"
diameter = 8.0
flutes = 2
{more}
"""
HEAD = "N10 G17 G21 G90 G94 G54 G40 G49 G80\nN20 T1 M6\nN30 S3000 M3\nN40 G0 X20. Y20.\nN50 G43 H1 Z20. D1\n"


def planned(folder: Path, body: str, *, kind: str = "flat end mill", more: str = "") -> Timeline:
    (folder / "part.nc").write_text(HEAD + body + "\nN900 G0 Z50.\nN910 M30\n")
    (folder / "job.toml").write_text(JOB.format(kind=kind, more=more))
    return plan_job(load_job(folder / "job.toml")).timeline


@pytest.mark.parametrize(
    ("kind", "body", "why"),
    [
        ("tap", "N60 G84 R5. Z-10. F3000.\nN70 G80", "no hold in tapping"),
        ("drill", "N60 G81 R5. Z-10. F200.\nN70 X40.\nN80 G80", "drilling and pecking"),
        ("drill", "N60 G83 R5. Z-10. Q2. F200.\nN70 G80", "drilling and pecking"),
        ("spot drill", "N60 G81 R5. Z-2. F200.\nN70 G80", "drilling and pecking"),
        ("reamer", "N60 G85 R5. Z-10. F200.\nN70 G80", "reaming and boring"),
        ("flat end mill", "N60 G85 R5. Z-3. F200.\nN70 G80", "no cue inside a cycle"),
        ("flat end mill", "N60 G0 Z1.\nN70 G1 X40. Z-3. F300.\nN80 G1 Z5.", "no cue in a ramp"),
        (
            "flat end mill",
            "N60 G0 X-10. Z-3.\nN65 M49\nN70 G1 X80. F600.\nN80 G1 X100.\nN85 M48",
            "M49 or tapping",
        ),
    ],
)
def test_no_cue_is_given(tmp_path: Path, kind: str, body: str, why: str) -> None:
    more = "pitch = 1.0" if kind == "tap" else "point_angle_deg = 118.0" if "drill" in kind else ""
    timeline = planned(tmp_path, body, kind=kind, more=more)
    assert timeline.contacts
    assert not any(hold.cue for hold in timeline.holds)
    assert all(why in hold.note for hold in timeline.holds), [hold.note for hold in timeline.holds]


def test_no_cue_is_given_in_a_compensation_lead_in(tmp_path: Path) -> None:
    """The first pass ends in the move that switches compensation off; the second is plain."""
    body = (
        "N60 G0 X-20. Y-20. Z-3.\nN70 G41 G1 X-10. Y5. F600.\nN80 X70.\nN90 G40 X90. Y-10.\n"
        "N100 G0 X-20.\nN110 G1 Y35.\nN120 X90."
    )
    first, last = planned(tmp_path, body).holds
    assert (first.cue, "compensation lead-in" in first.note) == (False, True)
    assert last.cue


def test_a_tool_change_ends_the_window(tmp_path: Path) -> None:
    """After the pass the tool goes home and is changed: a press counts only before that."""
    body = "N60 G0 X-10. Z-3.\nN70 G1 X80. F600.\nN80 G0 Z50.\nN90 T2 M6\nN100 S3000 M3"
    more = '[[tools]]\nnumber = 2\nkind = "flat end mill"\ndiameter = 6.0\nflutes = 2'
    timeline = planned(tmp_path, body, more=more)
    spans = timeline.spans
    change_s = float(spans.start_s[spans.kind == 5][-1])
    assert timeline.holds[0].until_s <= change_s


def test_a_plain_pass_is_told(tmp_path: Path) -> None:
    (hold,) = planned(tmp_path, "N60 G0 X-10. Z-3.\nN70 G1 X80. F600.\nN80 G1 X100.").holds
    assert hold.cue
