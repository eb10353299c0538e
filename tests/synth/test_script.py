"""The operator's doings and planted faults: the time map by hand, the truth to the sample."""

import dataclasses
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from listen.contact import Contact
from listen.errors import InputError
from listen.spans import SpanKind, Spans
from listen.synth import (
    TRAINING_RANGES,
    Fault,
    Made,
    Room,
    Script,
    Voice,
    draw_room,
    draw_voice,
    map_time,
    synthesise,
)
from listen.timeline import Timeline

RATE = 16000


def _spans(pieces: list[tuple[SpanKind, float]]) -> Spans:
    stops = np.cumsum([length for _, length in pieces])
    n_spans = len(pieces)
    nowhere = np.zeros((n_spans, 3))
    return Spans(
        start_s=np.concatenate([[0.0], stops[:-1]]),
        stop_s=stops,
        kind=np.array([int(kind) for kind, _ in pieces], np.int8),
        line=np.arange(1, n_spans + 1, dtype=np.int32),
        tool=np.ones(n_spans, np.int32),
        begin=nowhere,
        end=nowhere,
        centre=nowhere,
        sweep=np.zeros(n_spans),
        axis=np.full(n_spans, 2, np.int8),
    )


def _contact(number: int, start: float) -> Contact:
    return Contact(
        id=number,
        tool=1,
        line=number,
        block=f"line {number}",
        start=start,
        ramp_in=0.2,
        ramp_out=0.2,
        stop=start + 2.0,
        tooth_pass_hz=300.0,
        power_w=100.0,
        load_percent=5.0,
        place=(0.0, 0.0, 0.0),
        spindle_rpm=6000.0,
        flutes=3,
        feed_mm_per_min=600.0,
        way="side cut",
        radial_width_mm=2.0,
        strength_db=0.0,
    )


TIMELINE = Timeline(
    program="made up",
    spans=_spans(
        [(SpanKind.SPINDLE, 1.0), (SpanKind.RAPID, 1.0), (SpanKind.FEED, 10.0), (SpanKind.WAIT, 0.0)]
    ),
    contacts=(_contact(1, 3.0), _contact(2, 6.0), _contact(3, 9.0)),
    duration=12.0,
)


@pytest.mark.closed
def test_time_map_by_hand() -> None:
    """Start after 2 s; rapid at 50 % takes 2 s; feed at 50 % from clip 5 s on; a hold of 4 s at program 4 s.

    Clip 2: start. 3: spindle done. 5: rapid done (program 2). Then half speed: program 4 at clip 9, held
    until 13; program 12 at clip 13 + 16 = 29; wait 3 s: 32; tail 2 s: 34.
    """
    script = Script(
        feed_override=((5.0, 50.0),), rapid_override=((0.0, 50.0),), holds=((4.0, 4.0),), wait_s=3.0
    )
    made = map_time(TIMELINE, script)
    assert made.clip_first(2.0) == pytest.approx(5.0)
    assert made.clip_first(4.0) == pytest.approx(9.0)
    assert made.clip_last(4.0) == pytest.approx(13.0)
    assert made.clip_first(12.0) == pytest.approx(29.0)
    assert made.clip_s[-1] == pytest.approx(34.0)


@pytest.mark.closed
def test_an_override_of_nothing_for_ever_is_refused() -> None:
    with pytest.raises(InputError, match=r"an override of 0 percent from 6\.0 s on would never end"):
        map_time(TIMELINE, Script(feed_override=((6.0, 0.0),)))


@lru_cache(maxsize=1)
def _voice_and_room() -> tuple[Voice, Room]:
    rng = np.random.default_rng(21)
    voice = draw_voice(rng, TRAINING_RANGES, RATE, n_tools=1)
    room = draw_room(rng, TRAINING_RANGES, RATE)
    quiet = dataclasses.replace(room.microphone, ratio=0.0, codec="", dropouts_per_s=0.0, starts_silent_s=0.0)
    tool = dataclasses.replace(voice.tools[0], squeal_db=-100.0, noise_db=-15.0, unevenness=0.05)
    voice = dataclasses.replace(voice, tools=(tool,), spindle_db=-10.0, speed_dip=0.0)
    return voice, dataclasses.replace(room, microphone=quiet)


def _make(script: Script) -> Made:
    voice, room = _voice_and_room()
    rng = np.random.default_rng(1)
    return synthesise(TIMELINE, script=script, voice=voice, room=room, rate=RATE, rng=rng)


@pytest.mark.closed
def test_the_truth_is_where_the_program_and_the_faults_put_it() -> None:
    """Clip time is program time + 2 s here; first touch is felt within one tooth period (10 ms / 3)."""
    made = _make(
        Script(
            faults=(
                Fault(kind="early", contact=1, amount=0.5),
                Fault(kind="missing", contact=2),
                Fault(kind="half-way", contact=3, amount=0.5),
            )
        )
    )
    one, three = made.truth.contacts
    assert (one.contact, one.fault, three.contact, three.fault) == (1, "early", 3, "half-way")
    assert made.truth.missing == (2,)
    seconds = np.array([one.start, one.full, one.stop, three.start, three.stop]) / RATE
    np.testing.assert_allclose(seconds, [4.5, 4.7, 7.0, 11.0, 12.0], rtol=0, atol=0.012)
    np.testing.assert_allclose(made.truth.program_at[-1] / RATE, made.samples.size / RATE, rtol=0, atol=1e-6)


@pytest.mark.closed
def test_a_contact_held_in_the_metal_stands_twice() -> None:
    """Hold at program 7 s (clip 9 s) for 2 s: sound until 9.04 s (four turns of 10 ms), again from 11 s."""
    made = _make(Script(holds=((7.0, 2.0),)))
    assert [c.contact for c in made.truth.contacts] == [1, 2, 2, 3]
    first, second = made.truth.contacts[1:3]
    assert first.stop / RATE == pytest.approx(9.04, rel=0, abs=0.012)
    assert second.start / RATE == pytest.approx(11.0, rel=0, abs=0.012)


@pytest.mark.closed
def test_ten_percent_override_is_fifteen_decibels_less_and_ten_times_longer() -> None:
    """Force ~ chip^0.75: 20·0.75·log10(0.1) = −15 dB."""
    whole, tenth = _make(Script()), _make(Script(feed_override=((0.0, 10.0),)))
    one, other = whole.truth.contacts[0], tenth.truth.contacts[0]
    assert other.snr_db - one.snr_db == pytest.approx(-15.0, rel=0, abs=1e-9)
    assert (other.stop - other.start) / (one.stop - one.start) == pytest.approx(10.0, rel=0.01)


def _line_over_floor(samples: NDArray[np.float64], hz: float) -> float:
    """Power at a line over that of its neighbourhood [dB]."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size))) ** 2
    per_bin = RATE / samples.size
    near = spectrum[int((hz - 4.0) / per_bin) : int((hz + 4.0) / per_bin) + 1].max()
    around = spectrum[int((hz - 60.0) / per_bin) : int((hz + 60.0) / per_bin)]
    return float(10.0 * np.log10(near / np.median(around)))


@pytest.mark.closed
def test_a_cut_carries_lines_of_the_tooth_pass() -> None:
    """6000 rpm, 3 teeth: 300 Hz and multiples; in the air before they are weaker by 6 dB or more."""
    made = _make(Script(snr_db=25.0))
    one = made.truth.contacts[0]
    cut = made.samples[one.full : one.leaving]
    air = made.samples[one.start - cut.size : one.start]
    lines = [300.0 * k for k in range(1, 12)]
    gained = [_line_over_floor(cut, hz) - _line_over_floor(air, hz) for hz in lines]
    assert sorted(gained)[-3] > 6.0


@pytest.mark.closed
def test_chatter_from_its_cause_is_told_with_its_line() -> None:
    made = _make(Script(snr_db=20.0, faults=(Fault(kind="chatter", contact=2, amount=2.0),)))
    (chatter,) = made.truth.chatter
    two = made.truth.contacts[1]
    assert two.start <= chatter.start < chatter.stop <= two.stop
    voice, _ = _voice_and_room()
    assert 1.0 < chatter.frequency_hz / voice.tools[0].chatter_hz < 1.3
    middle = made.samples[two.full + RATE // 2 : two.leaving]
    assert _line_over_floor(middle, chatter.frequency_hz) > 10.0


@pytest.mark.closed
def test_an_unknown_fault_is_refused() -> None:
    with pytest.raises(InputError, match=r"kind of fault must be one of early, late, missing"):
        Fault(kind="loud", contact=1)
