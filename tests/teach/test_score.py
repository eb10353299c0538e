"""Scores against worked examples that published tools print."""

import math

import mir_eval
import numpy as np
import pytest

from listen.errors import InputError
from listen.teach.score import (
    EventScore,
    frame_accuracy,
    match_contacts,
    score_contacts,
    wilson_interval,
)

TRUE = [(0.0, 2.5), (2.8, 4.5), (6.0, 10.0)]


@pytest.mark.reference
def test_the_event_example_of_the_public_toolbox_for_sound_events() -> None:
    """sed_eval (commit 0cb1b6d) tests: events 0.2-3.5 and 6-8, collar 0.2, share 0.5: F 0.8."""
    heard = [(0.2, 3.5), (6.0, 8.0)]
    assert score_contacts(TRUE, heard, collar_s=0.2, offset_share=0.5).f1 == pytest.approx(0.8, abs=5e-5)


@pytest.mark.reference
def test_the_same_lists_with_the_other_common_share_score_nothing() -> None:
    """DESED_task (commit c6bcb45) calls the same rule with share 0.2; by hand: no offset is within it."""
    heard = [(0.2, 3.5), (6.0, 8.0)]
    assert score_contacts(TRUE, heard, collar_s=0.2, offset_share=0.2).f1 == 0.0


@pytest.mark.reference
@pytest.mark.parametrize(("collar_s", "f1"), [(0.2, 0.0), (0.25, 1.0)])
def test_equality_with_the_collar_counts(collar_s: float, f1: float) -> None:
    """sed_eval mini example: reference 1-3 and 1.5-3, estimate 1.25-3 and 1.75-3."""
    true, heard = [(1.0, 3.0), (1.5, 3.0)], [(1.25, 3.0), (1.75, 3.0)]
    assert score_contacts(true, heard, collar_s=collar_s, offset_share=0.5).f1 == f1


@pytest.mark.reference
def test_wilson_interval_of_152_in_156() -> None:
    """A published record of 152/156 right windows prints 93.59 to 99.00 %."""
    low, high = wilson_interval(152, 156)
    assert low == pytest.approx(0.9359, abs=5e-5)
    assert high == pytest.approx(0.9900, abs=5e-5)


@pytest.mark.reference
@pytest.mark.parametrize("seed", range(20))
def test_onset_matching_equals_the_public_library(seed: int) -> None:
    """mir_eval.util.match_events pairs as many onsets as can be paired, too."""
    rng = np.random.default_rng(seed)
    true = np.sort(rng.uniform(0, 5, 12))
    heard = np.sort(rng.uniform(0, 5, 10))
    ours = match_contacts([(t, t + 1) for t in true], [(h, h + 1) for h in heard], collar_s=0.2)
    theirs = mir_eval.util.match_events(true, heard, 0.2)
    assert len(ours) == len(theirs)


@pytest.mark.closed
def test_counts_add_up_and_nothing_at_all_is_not_a_score() -> None:
    both = EventScore(true=2, heard=1, matched=1).plus(EventScore(true=0, heard=1, matched=0))
    assert (both.recall, both.precision, both.f1) == (0.5, 0.5, 0.5)
    assert math.isnan(score_contacts([], [], collar_s=0.2).f1)


@pytest.mark.closed
def test_frames_by_hand() -> None:
    """Of ten steps of 0.1 s, contact is 2-5 in truth and 3-6 as heard: two differ."""
    assert frame_accuracy([(0.2, 0.5)], [(0.3, 0.6)], duration_s=1.0, step_s=0.1) == pytest.approx(0.8)


@pytest.mark.closed
def test_nonsense_is_refused() -> None:
    with pytest.raises(InputError, match="collar must be above 0"):
        match_contacts([], [], collar_s=float("nan"))
    with pytest.raises(InputError, match="successes <= trials"):
        wilson_interval(3, 2)
