"""How loud a contact was over the air before it, with levels that are known."""

from collections.abc import Sequence

import numpy as np
import pytest

from listen.decide.contact_sound import ContactListener, _without
from listen.decide.kept import Kept
from listen.states import Event, Standing, State
from tests.decide.hand import HOP, LAYOUT

AIR_DB, CUT_DB, TALK_DB = -50.0, -41.0, -35.0


def levels_of(
    contacts: list[tuple[int, int]],
    loud: list[tuple[int, int]],
    *,
    kept_s: float = 10.0,
    talk: Sequence[tuple[int, int]] = (),
) -> list[float]:
    """Levels told of contacts, heard at these frames, where the sound is loud in others."""
    kept = Kept(LAYOUT, hop=HOP, kept_s=kept_s)
    listener = ContactListener(LAYOUT, kept, hop=HOP, turnings=())
    states = {a: State.ENTRY for a, _ in contacts} | {b: State.AIR for _, b in contacts}
    told = []
    for frame in range(1, max(states) + 1):
        level = CUT_DB if _lies_in(loud, frame) else AIR_DB
        level = max(level, TALK_DB) if _lies_in(talk, frame) else level
        kept.push(np.array([frame * HOP]), np.array([[level, level, *[0.0] * 6]]))
        if frame in states:
            at = frame * HOP
            event = Event(
                state=states[frame], at=at, decided_at=at, probability=1.0, standing=Standing.CONFIRMED
            )
            told += [sound.level_db for sound in listener.hear(event)]
    return told


def _lies_in(stretches: Sequence[tuple[int, int]], frame: int) -> bool:
    return any(a < frame <= b for a, b in stretches)


@pytest.mark.closed
@pytest.mark.parametrize("break_frames", [1, 7, 25])
def test_a_cut_that_the_ear_lost_for_a_moment_is_as_loud_after_it(break_frames: int) -> None:
    """By hand: 9 dB over the air before, in both pieces, though between them nothing was air."""
    contacts = [(200, 300), (300 + break_frames, 450)]
    assert levels_of(contacts, [(200, 450)]) == pytest.approx([9.0, 9.0])


@pytest.mark.closed
def test_short_air_that_is_air_counts_as_any() -> None:
    assert levels_of([(200, 300), (320, 420)], [(200, 300), (320, 420)]) == pytest.approx([9.0, 9.0])


@pytest.mark.closed
def test_a_cut_longer_than_what_is_kept_is_held_against_the_air_before_it() -> None:
    """The frames of that air are long overwritten when the cut ends."""
    assert levels_of([(200, 2000)], [(200, 2000)], kept_s=2.0) == pytest.approx([9.0])


@pytest.mark.closed
def test_a_voice_now_and_then_makes_no_contact_lighter_or_heavier() -> None:
    """By hand: words 15 dB over the air fill seven tenths of it and four tenths of the cut."""
    talk = [(100, 130), (135, 175), (240, 280)]
    assert levels_of([(200, 300)], [(200, 300)], talk=talk) == pytest.approx([9.0])


@pytest.mark.closed
@pytest.mark.parametrize(("cut_db", "left_db"), [(-47.0, -50.0), (-49.99, -60.0), (-30.0, -30.04)])
def test_what_a_cut_is_without_the_air(cut_db: float, left_db: float) -> None:
    """Air of -50 dB: at -47 dB half the power is the cut's own; a tenth of the air's is left at least."""
    assert _without(cut_db, -50.0) == pytest.approx(left_db, abs=0.03)
