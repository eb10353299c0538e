"""Chatter from its cause: each tooth cuts the wave that the one before it left.

Conventions
-----------
One direction of vibration x along the feed: m·x″ + c·x′ + k·x = −w·h(t)·[x(t) − x(t − τ)], τ = 60/(z·n),
h = Σ g(φ)·(Kt·cos φ + Kn·sin φ)·sin φ over the teeth in the cut, straight flutes.

References
----------
Insperger & Stépán, semi-discretisation of delayed systems, Int. J. Numer. Meth. Engng 55 (2002) and 61
(2004); Ding et al., Int. J. Mach. Tools Manuf. 50 (2010), whose benchmark is `BENCHMARK` (from memory).
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.linalg import expm

from listen.errors import InputError
from listen.synth.sound import Values


@dataclass(frozen=True, slots=True, kw_only=True)
class Mill:
    """One flexible tool and its force law.

    Attributes
    ----------
    teeth : int
    mass_kg, natural_hz, damping : float
        Modal mass, natural frequency, damping ratio.
    tangential, normal : float
        Cutting coefficients [N/m²].
    arc : (first, last)
        Angles between which a tooth cuts [rad].
    """

    teeth: int
    mass_kg: float
    natural_hz: float
    damping: float
    tangential: float
    normal: float
    arc: tuple[float, float] = (0.0, np.pi)

    def __post_init__(self) -> None:
        sizes = (self.mass_kg, self.natural_hz, self.damping, self.tangential)
        if not (self.teeth >= 1 and all(0.0 < size < np.inf for size in sizes)):
            raise InputError(f"a mill needs teeth >= 1 and sizes above 0, got {self.teeth} and {sizes}")


BENCHMARK = Mill(
    teeth=2, mass_kg=0.03993, natural_hz=922.0, damping=0.011, tangential=6e8, normal=2e8, arc=(0.0, np.pi)
)


def directional_factor(mill: Mill, angle: Values) -> Values:
    """h(t) of the equation by the angle of the first tooth, shape (n_angles,)."""
    total = np.zeros(np.shape(angle))
    for tooth in range(mill.teeth):
        own = (angle + 2.0 * np.pi * tooth / mill.teeth) % (2.0 * np.pi)
        cuts = (own >= mill.arc[0]) & (own <= mill.arc[1])
        total += cuts * (mill.tangential * np.cos(own) + mill.normal * np.sin(own)) * np.sin(own)
    return total


def _step_factors(mill: Mill, n_steps: int) -> Values:
    """Mean of h over each of the equal steps of a tooth period, shape (n_steps,)."""
    fine = (np.arange(20 * n_steps) + 0.5) / (20 * n_steps) * 2.0 * np.pi / mill.teeth
    return np.asarray(directional_factor(mill, fine).reshape(n_steps, 20).mean(axis=1))


def multiplier(mill: Mill, *, rpm: float, depth_m: float, n_steps: int = 240) -> complex:
    """Largest characteristic multiplier of one tooth period; chatter where its size is above 1.

    Parameters
    ----------
    mill : Mill
    rpm : float
    depth_m : float
        Axial depth of cut w [m].
    n_steps : int
        Steps of the semi-discretisation in a tooth period.
    """
    delay_s = 60.0 / (mill.teeth * rpm)
    step_s = delay_s / n_steps
    omega = 2.0 * np.pi * mill.natural_hz
    # rows: state and history after each step as a linear map of those at the start
    start = np.eye(n_steps + 2)
    now, past = start[:2].copy(), list(start[2:])  # past[0] is x one step ago
    past = [now[0], *past]
    stiffness = _step_factors(mill, n_steps) * depth_m / mill.mass_kg
    matrices = np.zeros((n_steps, 2, 2))
    matrices[:, 0, 1] = 1.0
    matrices[:, 1, 0] = -(omega**2) - stiffness
    matrices[:, 1, 1] = -2.0 * mill.damping * omega
    moved = free_motion(matrices, step_s)
    pushed = np.linalg.solve(matrices, moved - np.eye(2))[:, :, 1] * stiffness[:, None]
    for move, push in zip(moved, pushed, strict=True):
        delayed = 0.5 * (past[n_steps] + past[n_steps - 1])
        now = move @ now + np.outer(push, delayed)
        past = [now[0], *past[:n_steps]]
    values = np.linalg.eigvals(np.array([*now, *past[1:]]))
    return complex(values[np.argmax(np.abs(values))])


def free_motion(matrices: Values, step_s: float) -> Values:
    """exp(M·t) of matrices M = [[0, 1], [−a, −2p]], shape (n_matrices, 2, 2): e^(−pt)·(C·I + S·(M + p·I)).

    C and S are cosh(qt) and sinh(qt)/q with q² = p² − a.
    """
    half = 0.5 * matrices[:, 1, 1]
    root = np.sqrt((np.square(half) + matrices[:, 1, 0]).astype(np.complex128))
    safe = np.where(np.abs(root) < 1e-9, 1e-9, root)
    decay = np.exp(half * step_s)
    same = decay * np.cosh(safe * step_s).real
    turned = decay * (np.sinh(safe * step_s) / safe).real
    shifted = matrices - half[:, None, None] * np.eye(2)
    return np.asarray(same[:, None, None] * np.eye(2) + turned[:, None, None] * shifted)


@lru_cache(maxsize=256)
def limit_depth_m(mill: Mill, *, rpm: float, most_m: float = 0.02, n_steps: int = 120) -> float:
    """Least depth of cut that chatters at a speed [m], by halving from `most_m`."""
    low, high = 0.0, most_m
    while abs(multiplier(mill, rpm=rpm, depth_m=high / 2.0, n_steps=n_steps)) > 1.0 and high > 1e-7:
        high /= 2.0
    low = high / 2.0 if high < most_m else 0.0
    for _ in range(16):
        middle = 0.5 * (low + high)
        if abs(multiplier(mill, rpm=rpm, depth_m=middle, n_steps=n_steps)) > 1.0:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)


def chatter_line_hz(mill: Mill, *, rpm: float, depth_m: float, n_steps: int = 240) -> float:
    """The chatter line nearest above the natural frequency [Hz]."""
    tooth_pass_hz = mill.teeth * rpm / 60.0
    angle = float(np.angle(multiplier(mill, rpm=rpm, depth_m=depth_m, n_steps=n_steps)))
    lines = (np.arange(-1, 400)[:, None] + np.array([1.0, -1.0]) * angle / (2.0 * np.pi)) * tooth_pass_hz
    above = lines[lines >= mill.natural_hz]
    return float(above.min())


def vibrate(
    mill: Mill, *, rpm: float, depth_m: Values, feed_per_tooth_m: float, n_steps: int, push_m: float = 1e-9
) -> tuple[Values, Values]:
    """Vibration and cutting force in time, teeth leaving the metal included.

    Parameters
    ----------
    depth_m : ndarray, shape (n_samples,)
        Depth of cut at each step [m].
    n_steps : int
        Steps in a tooth period; a step is 60/(z·n·n_steps) seconds.
    push_m : float
        Displacement at the start, which grows where the cut is unstable [m].

    Returns
    -------
    x, force : ndarray, shape (n_samples,)
        Displacement [m] and force on the tool along x [N].
    """
    from listen.synth.kernels import step_mill

    step_s = 60.0 / (mill.teeth * rpm * n_steps)
    omega = 2.0 * np.pi * mill.natural_hz
    matrix = np.array([[0.0, 1.0], [-(omega**2), -2.0 * mill.damping * omega]])
    moved = expm(matrix * step_s)
    pushed = np.linalg.solve(matrix, moved - np.eye(2)) @ np.array([0.0, 1.0 / mill.mass_kg])
    angle = 2.0 * np.pi * np.arange(n_steps * mill.teeth) / (n_steps * mill.teeth)
    weights = directional_factor(replace(mill, teeth=1), angle)
    x, force = step_mill(depth_m, weights, moved, pushed, mill.teeth, n_steps, feed_per_tooth_m, push_m)
    return np.asarray(x), np.asarray(force)


def natural_mill(*, teeth: int, natural_hz: float, arc: tuple[float, float], damping: float = 0.02) -> Mill:
    """The benchmark's tool with another frequency, teeth and engagement, at the same stiffness."""
    stiffness = BENCHMARK.mass_kg * (2.0 * np.pi * BENCHMARK.natural_hz) ** 2
    return Mill(
        teeth=teeth,
        mass_kg=stiffness / (2.0 * np.pi * natural_hz) ** 2,
        natural_hz=natural_hz,
        damping=damping,
        tangential=BENCHMARK.tangential,
        normal=BENCHMARK.normal,
        arc=arc,
    )
