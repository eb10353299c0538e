"""The force of a chattering cut, worked out from its cause, in place of the force of a clean one."""

from dataclasses import replace

import numpy as np

from listen.synth.force import engaged_arc
from listen.synth.made import TrueChatter
from listen.synth.regenerative import chatter_line_hz, limit_depth_m, natural_mill, vibrate
from listen.synth.sound import Sound, Values
from listen.synth.voice import ToolVoice

FEED_M = 1e-4
STEPS = 100  # in a tooth period, for the stability limit


def regenerate(
    drive: Sound, over: float, tool: ToolVoice, *, full: int, leaving: int, rate: int
) -> TrueChatter | None:
    """Put the force of a cut at `over` times the stability limit into `drive` (changed).

    Returns where its vibration is above a tenth of its greatest, and its line; None where it is stable.
    """
    mill = natural_mill(teeth=tool.cut.flutes, natural_hz=tool.chatter_hz, arc=engaged_arc(tool.cut))
    limit_m = limit_depth_m(mill, rpm=tool.rpm, n_steps=STEPS)
    n_steps = int(np.clip(60.0 * rate / (mill.teeth * tool.rpm), 60, 600))
    step_s = 60.0 / (mill.teeth * tool.rpm * n_steps)
    time: Values = np.arange(int(drive.size / rate / step_s) + 2, dtype=np.float64) * step_s
    depth = over * limit_m * _engagement(time * rate, full, leaving, drive.size)
    x, force = vibrate(mill, rpm=tool.rpm, depth_m=depth, feed_per_tooth_m=FEED_M, n_steps=n_steps)
    _, rigid = vibrate(
        replace(mill, mass_kg=1e9),
        rpm=tool.rpm,
        depth_m=np.full(8 * n_steps, over * limit_m),
        feed_per_tooth_m=FEED_M,
        n_steps=n_steps,
    )
    scaled = force / (np.std(rigid) + 1e-12)
    places = np.arange(drive.size) / rate
    drive[:] = np.interp(places, time, scaled).astype(np.float32)
    if over <= 1.0:
        return None
    wave = np.zeros(x.size)
    wave[n_steps:] = np.abs(x[n_steps:] - x[:-n_steps])
    loud = np.flatnonzero(wave > 0.1 * wave.max())
    return TrueChatter(
        start=int(time[loud[0]] * rate),
        stop=min(drive.size, int(time[loud[-1]] * rate) + 1),
        frequency_hz=chatter_line_hz(mill, rpm=tool.rpm, depth_m=over * limit_m, n_steps=STEPS),
        level_db=float(20.0 * np.log10(np.std(drive[full : max(leaving, full + 2)]) + 1e-9)),
    )


def _engagement(at: Values, full: int, leaving: int, stop: int) -> Values:
    """Share of the full engagement at each place [samples]."""
    edges = [0.0, float(max(full, 1)), float(max(leaving, full + 1)), float(max(stop, leaving + 2))]
    return np.asarray(np.interp(at, edges, [0.0, 1.0, 1.0, 0.0]))
