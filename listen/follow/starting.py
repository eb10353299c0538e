"""Where a run may begin: at the top, in the approach, or anywhere in the program."""

import numpy as np
from numpy.typing import NDArray

from listen.follow.hypotheses import CORE, Floats, On, Phase, normal_log
from listen.follow.model import Model, slowness

Core = NDArray[np.void]
Grid = tuple[Floats, Floats]
Rates = tuple[Floats, Floats, Floats]  # log rates, their variance, log of how likely each is
MOST_STARTS = 48  # above this, a start in the middle is tried with few rates
NEAR_BEFORE, NEAR_AFTER = 6, 30  # contacts before and after where the place was lost that are tried
# How often listening begins with the program well under way: where it begins in air, and inside a contact.
MIDDLE, OPEN_MIDDLE = 0.003, 0.7
OTHER_RATE, UNTOLD = 0.03, 1e-5  # chance of another rate than was stated, or than the control tells
MOST_ASKED, MOST_NOT_HEARD = 6, 0.98  # contacts that the ear is asked about, and the chance of each at most
FEW_RATES = np.array([0.1, 0.25, 0.5, 0.75, 1.0, 1.2])


def started_at(model: Model, grid: Grid, at: float) -> Core:
    """Guesses where the program is known to start at `at`: one for each rate."""
    rates = _rates(model, grid)
    core = _blank(model, rates)
    core["k"], core["phase"] = 0, Phase.AIR
    core["t0"], core["u0"], core["q"] = at, 0.0, 0.3**2
    core["logw"] = rates[2]
    return _with_wide(core, model)


def first_guesses(model: Model, grid: Grid, at: float, *, spread_s: float, is_open: bool) -> Core:
    """Guesses after the first start of contact was heard and nothing was known before."""
    space = model.space
    if space.n == 0:
        return np.zeros(0, CORE)
    few = space.n > MOST_STARTS
    rates = _rates(model, grid)
    top = _with_wide(_from_contact(model, rates, np.array([0]), at, spread_s, is_open), model)
    if space.n == 1:
        return top
    middle = np.arange(1, space.n)
    if few and not model.clock.feed_known:
        rates = _gathered(rates)
    rest = _from_contact(model, rates, middle, at, spread_s, is_open)
    rest = rest[rest["logw"] > rest["logw"].max() - 16.0]
    result: Core = np.concatenate([top, rest])
    return result


def _gathered(rates: Rates) -> Rates:
    """The same belief in fewer rates: the likeliest one, and the others about each of `FEW_RATES`.

    Places are not to be told apart by how finely their rates are believed.
    """
    m, v, logs = rates
    best = int(np.argmax(logs))
    weights = np.where(np.arange(m.size) == best, 0.0, np.exp(logs))
    about = np.abs(m[:, None] - np.log(FEW_RATES)).argmin(axis=1) == np.arange(FEW_RATES.size)[:, None]
    share = about @ weights
    mean = about @ (weights * m) / share
    spread = about @ (weights * (m * m + v)) / share - mean**2
    return np.append(mean, m[best]), np.append(spread, v[best]), np.log(np.append(share, np.exp(logs[best])))


def anew(model: Model, grid: Grid, at: float, *, spread_s: float, near: int) -> Core:
    """Guesses where the place was lost: the start heard at `at` is of any contact not far from `near`."""
    space = model.space
    contacts = np.arange(max(near - NEAR_BEFORE, 0), min(near + NEAR_AFTER, space.n))
    if contacts.size == 0:
        return np.zeros(0, CORE)
    rates = _rates(model, grid)
    core = _at_contacts(model, rates, contacts, at, spread_s)
    core["logw"] = np.tile(rates[2], contacts.size) - np.log(contacts.size)
    core["code"] = On.FIRST
    return core


def _rates(model: Model, grid: Grid) -> Rates:
    """Log rate over the known override, its variance, and how likely each is."""
    priors = model.priors
    rates, logs = grid
    known = np.log(max(model.clock.rate, 1e-3)) if model.clock.feed_known else 0.0
    m = np.log(rates) - known
    v = np.full(m.size, priors.detent_spread**2)
    if not model.clock.feed_known:
        return m, v, logs
    m = np.concatenate([[0.0], m])
    v = np.concatenate([[priors.rate_spread**2], v])
    other = UNTOLD if model.clock.told_by_control else OTHER_RATE
    return m, v, np.concatenate([[np.log1p(-other)], logs + np.log(other)])


def _with_wide(core: Core, model: Model) -> Core:
    """Every guess twice: with gaps as computed, and on a machine that does them otherwise."""
    wide = core.copy()
    wide["vb"] *= (model.priors.wide_bias_s / model.timing.gap_bias_s) ** 2
    wide["logw"] += np.log(model.timing.wide_bias)
    core["logw"] += np.log1p(-model.timing.wide_bias)
    return np.concatenate([core, wide])


def _blank(model: Model, rates: Rates) -> Core:
    core = np.zeros(rates[0].size, CORE)
    core["m"], core["v"], core["mb"] = rates[0], rates[1], rates[0]
    slow = slowness(core["m"] + np.log(max(model.clock.rate, 1e-3)))
    core["vb"] = (model.timing.gap_bias_s * slow) ** 2
    stated = max(model.space.timeline.rapid_override, 1.0) / 100.0
    core["lr"] = np.log(model.clock.rapid or stated)
    core["vr"] = model.timing.rapid_rate_spread**2
    core["parent"] = 0
    core["noise"] = np.nan
    return core


def _from_contact(
    model: Model,
    rates: Rates,
    contacts: NDArray[np.int64],
    at: float,
    spread_s: float,
    is_open: bool,
) -> Core:
    """The first heard contact is one of `contacts`, at each of the rates."""
    space = model.space
    core = _at_contacts(model, rates, contacts, at, spread_s)
    k = core["k"]
    core["logw"] = np.tile(rates[2], contacts.size) + _came_about(model, core, k, at, spread_s, is_open)
    core["code"] = On.OPEN if is_open else On.FIRST
    if not is_open:
        return core
    whole = core.copy()  # it may have begun just then, or any time before
    length = space.stop[k] - space.start[k]
    core["u0"] = space.start[k] + 0.5 * length
    core["q"] = (length / np.exp(core["m"])) ** 2 / 12.0
    core["logw"] += np.log(0.6)
    whole["logw"] += np.log(0.4)
    return np.concatenate([core, whole])


def _at_contacts(
    model: Model,
    rates: Rates,
    contacts: NDArray[np.int64],
    at: float,
    spread_s: float,
) -> Core:
    """In each of `contacts` since `at`, at each of the rates; weights are not set."""
    core = np.tile(_blank(model, rates), contacts.size)
    k = np.repeat(contacts, rates[0].size)
    core["k"], core["since"], core["phase"], core["t0"] = k, k, Phase.IN, at
    core["u0"], core["q"] = model.space.start[k], spread_s**2
    core["predicted"] = at
    result: Core = core
    return result


def _came_about(
    model: Model, core: Core, k: NDArray[np.int64], at: float, spread_s: float, is_open: bool
) -> Floats:
    """How likely the first contact is `k` and comes `at` seconds into the recording."""
    space = model.space
    in_middle = np.where(k == 0, np.log(0.6), np.log(MIDDLE) - np.log(max(space.n - 1, 1)))
    if is_open:
        open_middle: Floats = np.where(
            k == 0, np.log1p(-OPEN_MIDDLE), np.log(OPEN_MIDDLE) - np.log(max(space.n - 1, 1))
        )
        return open_middle
    approach = model.forecast(core, space.at_start[k], at, boundary_s=spread_s, is_gap=True)
    not_heard = _not_heard_log(model, core, at, spread_s)
    behind = at - approach.mean  # of a program that starts with the recording; the anchors lie at the contact
    at_once = np.log(0.3) + normal_log(behind, approach.variance + 0.7**2)
    later = np.where(behind > 0.0, np.log(0.7 / 30.0) - behind / 30.0, -np.inf)
    from_top = np.log(0.5) + not_heard + np.logaddexp(at_once, later)
    before = np.where(k == 0, 0.0, space.stop[np.maximum(k - 1, 0)])
    gap = model.forecast(
        core, space.at_start[k] - space.amounts_until(before), at, boundary_s=spread_s, is_gap=True
    )
    within = np.where(
        at < gap.mean + 1.0, -np.log(gap.mean + 1.0), -np.log(gap.mean + 1.0) - (at - gap.mean - 1.0) / 3.0
    )
    result: Floats = np.logaddexp(from_top, in_middle + within)
    return result


def _not_heard_log(model: Model, core: Core, at: float, spread_s: float) -> Floats:
    """Log chance that none of the contacts before the first heard one was heard: not there, or missed.

    The ear is asked about the first `MOST_ASKED` of them; a miss makes the next one likelier.
    """
    priors, k = model.priors, core["k"]
    result, missed = np.zeros(k.size), np.zeros(k.size)
    for index in range(min(int(k.max()), MOST_ASKED)):
        later = np.flatnonzero(k > index)
        absent = priors.absent if index == 0 else priors.absent_again
        miss = _miss(model, core[later], index, missed[later], at, spread_s)
        result[later] += np.log(np.minimum(absent + miss, MOST_NOT_HEARD))
        missed[later] += miss / (absent + miss)
    result += np.maximum(k - MOST_ASKED, 0) * np.log(priors.absent_again)
    return result


def _miss(model: Model, core: Core, index: int, missed: Floats, at: float, spread_s: float) -> Floats:
    """Chance that contact `index` is missed after `missed` of those before it, and believed in as it was.

    `core`: guesses that a later contact begins at `at`, which date it.
    """
    space = model.space
    way = space.at_start[core["k"]] - space.at_start[index]
    start_s = at - model.forecast(core, way, at, boundary_s=spread_s, is_gap=True).mean
    length_s = (space.stop - space.start)[index] * np.exp(-core["m"]) / model.clock.rate
    told = np.nan_to_num(model.quiet.for_misses(start_s, start_s + length_s, at), nan=1.0)
    result: Floats = model.misses(np.array([index]), missed, judged=index) * told
    return result
