"""A verdict's reason names the contact's line as the control and the file do."""

import numpy as np
import pytest

from listen.follow.outcomes import Outcome
from listen.follow.verdicts import Wording
from listen.followed import VerdictKind
from tests.follow.runs import contact


@pytest.mark.closed
@pytest.mark.parametrize(
    ("block", "named"),
    [("N240", "N240 (line 31)"), ("line 31", "line 31"), ("line 31 in O2000.nc", "line 31 in O2000.nc")],
)
def test_a_line_is_named_once(block: str, named: str) -> None:
    absent = Outcome(beliefs=np.zeros(8), expected_onset_s=12.0, expected_offset_s=14.0)
    found = Wording._reason(VerdictKind.NOT_HEARD, contact(0, 12.0, 14.0, line=31, block=block), absent)
    assert found == f"{named}: contact expected about 12.0 s, none heard"
