"""Load of the sheet against load measured, as one page without script: scatter, residuals, a table.

Conventions
-----------
Expected load is in percent of rated power or in watts, measured rise in the unit of the log: one
factor between them is fitted (the median of all ratios), so a page says which contacts stand out
from the others, not whether all are off. A residual is measured over fitted, less one, in percent.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listen.blocks import LOAD_UNITS
from listen.record import Run

TOO_HIGH, TOO_LOW = 60.0, -60.0  # percent of what the others lead one to expect; taste, not measured
WIDTH, HEIGHT, EDGE = 460, 300, 50
TICKS = (1.0, 2.0, 2.5, 5.0, 10.0)  # steps between figures on an axis, times a power of ten
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
STYLE = (
    "body{font:15px/1.45 sans-serif;margin:1.5rem auto;max-width:62rem;padding:0 1rem}"
    "figure{display:inline-block;margin:0 1rem 1rem 0}svg{max-width:100%}table{border-collapse:collapse}"
    "td,th{padding:.15rem .8rem;text-align:right;border-bottom:1px solid #ccc;white-space:nowrap}"
    "td:first-child,td:last-child{text-align:left}"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPoint:
    """One contact or block.

    Attributes
    ----------
    name : str
        "contact 3, N110".
    expected : float
        By the sheet, in its unit, above 0.
    measured : float
        Rise over idle, in the unit of the log.
    """

    name: str
    expected: float
    measured: float


def load_points(run: Run) -> tuple[LoadPoint, ...]:
    """Contacts of a run that were heard, have an expected load, and load values inside."""
    if run.timeline is None or not run.loads:
        return ()
    expected = {one.id: one for one in run.timeline.contacts}
    at = np.array([sample.at for sample in run.loads])
    load = np.array([sample.percent for sample in run.loads])
    heard = [(c, c.heard) for c in run.contacts if c.heard is not None and c.heard.offset is not None]
    inside = np.zeros(at.size, dtype=np.bool_)
    for _, span in heard:
        inside |= (at >= span.onset - run.rate // 2) & (at < (span.offset or 0) + run.rate // 2)
    points = []
    for contact, span in heard:
        sheet = expected.get(contact.id)
        want = float("nan") if sheet is None else _expected(sheet.load_percent, sheet.power_w)
        quarter = ((span.offset or 0) - span.onset) // 4
        mine = (at >= span.onset + quarter) & (at < (span.offset or 0) - quarter)
        rest = ~inside & (np.abs(at - span.onset) < 30 * run.rate)
        if want > 0.0 and mine.any() and rest.any():
            rise = abs(float(load[mine].mean() - np.median(load[rest])))
            points.append(LoadPoint(name=f"{contact.id}, {contact.block}", expected=want, measured=rise))
    return tuple(points)


def _expected(percent: float, power_w: float) -> float:
    return percent if np.isfinite(percent) else power_w


def residuals(points: Sequence[LoadPoint]) -> NDArray[np.float64]:
    """Measured over fitted, less one [percent], shape (n_points,)."""
    ratio = np.array([point.measured / point.expected for point in points])
    middle = float(np.median(ratio)) if ratio.size else 1.0
    gone: NDArray[np.float64] = 100.0 * (ratio / max(middle, 1e-12) - 1.0)
    return gone


MEANS = (
    f"Higher: by more than {TOO_HIGH:.0f} %: overload, a dull or another tool, deeper than planned? "
    f"Lower: by more than {-TOO_LOW:.0f} %: little or nothing cut?"
)


def remark(residual: float) -> str:
    """Higher, lower, or "" inside the limits; `MEANS` says what either may mean."""
    if residual > TOO_HIGH:
        return "higher"
    return "lower" if residual < TOO_LOW else ""


def write_load_page(
    points: Sequence[LoadPoint], path: Path, *, title: str, expected_unit: str, measured_unit: str
) -> None:
    """Write the page; it works from disk with the network off.

    Parameters
    ----------
    points : sequence of LoadPoint
        At least two.
    path : Path
    title, expected_unit, measured_unit : str
        For a person.
    """
    expected = np.array([point.expected for point in points])
    measured = np.array([point.measured for point in points])
    rest = residuals(points)
    slope = float(np.median(measured / expected))
    r = float(np.corrcoef(expected, measured)[0, 1])
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    said = (
        f"{len(points)} points, correlation {r:.2f}; one factor fitted: {slope:.3g} {measured_unit} for each "
        f"{expected_unit} expected (dashed); residuals spread by {spread:.0f} % (median absolute deviation, "
        f"scaled). {MEANS}"
    )
    names = tuple(point.name for point in points)
    across = f"expected [{expected_unit}]"
    scatter = _plot(expected, measured, names, across, f"measured rise [{measured_unit}]", slope=slope)
    below = _plot(expected, rest, names, across, "residual [%]", slope=0.0)
    path.write_text(_page(title, said, (scatter, below), _table(points, rest)), encoding="utf-8")


def write_run_load_page(run: Run, folder: Path) -> Path | None:
    """The page of a run, beside its timeline; None where fewer than three contacts can be compared."""
    points = load_points(run)
    if len(points) < 3:
        return None
    path = folder / "load.html"
    in_percent = run.timeline is not None and all(
        np.isfinite(one.load_percent) for one in run.timeline.contacts
    )
    write_load_page(
        points,
        path,
        title="Load of the sheet against measured load",
        expected_unit="% of rated power" if in_percent else "W",
        measured_unit=LOAD_UNITS[run.loads[0].kind],
    )
    return path


def _page(title: str, said: str, figures: tuple[str, ...], table: str) -> str:
    drawn = "".join(f"<figure>{figure}</figure>" for figure in figures)
    return (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
        f"<title>{escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<h1>{escape(title)}</h1>\n"
        f"<p>{escape(said)}</p>\n{drawn}\n{table}\n</body>\n</html>\n"
    )


def _table(points: Sequence[LoadPoint], rest: NDArray[np.float64]) -> str:
    rows = "".join(
        f"<tr><td>{escape(point.name)}</td><td>{point.expected:.3g}</td><td>{point.measured:.3g}</td>"
        f"<td>{residual:+.0f} %</td><td>{escape(remark(residual))}</td></tr>\n"
        for point, residual in zip(points, rest.tolist(), strict=True)
    )
    heads = "".join(f"<th>{name}</th>" for name in ("", "expected", "measured", "residual", ""))
    return f"<table>\n<tr>{heads}</tr>\n{rows}</table>"


def _plot(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    names: tuple[str, ...],
    across: str,
    up: str,
    *,
    slope: float,
) -> str:
    """A scatter with the fitted line, as SVG; a dot says its name where a pointer rests on it."""
    low, high = min(0.0, float(y.min())), max(float(y.max()), slope * float(x.max()), 1e-9)
    right = float(x.max()) or 1.0

    def place(a: float, b: float) -> tuple[float, float]:
        across_px = EDGE + a / right * (WIDTH - EDGE - 10)
        return across_px, HEIGHT - EDGE - (b - low) / (high - low) * (HEIGHT - EDGE - 24)

    dots = "".join(
        f'<circle cx="{p:.1f}" cy="{q:.1f}" r="3.5" fill="none" stroke="currentColor">'
        f"<title>{escape(name)}: {b:.3g}</title></circle>"
        for name, b, (p, q) in zip(names, y.tolist(), map(place, x.tolist(), y.tolist()), strict=True)
    )
    (x0, y0), (x1, y1) = place(0.0, 0.0), place(right, slope * right)
    labels = [_text(WIDTH - 10, HEIGHT - EDGE + 34, "end", across), _text(EDGE, 14, "start", up)]
    labels += [_text(place(a, low)[0], HEIGHT - EDGE + 16, "middle", f"{a:g}") for a in _ticks(0.0, right)]
    labels += [_text(EDGE - 6, place(0.0, b)[1] + 4, "end", f"{b:g}") for b in _ticks(low, high)]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" role="img" '
        f'aria-label="{escape(up)} over {escape(across)}">'
        f'<path d="M{EDGE} 24V{HEIGHT - EDGE}H{WIDTH - 10}" fill="none" stroke="currentColor"/>'
        f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="currentColor" stroke-dasharray="5 4"/>'
        f"{dots}{''.join(labels)}</svg>"
    )


def _text(x: float, y: float, anchor: str, text: str) -> str:
    return (
        f'<text x="{x:.0f}" y="{y:.0f}" font-size="12" fill="currentColor" text-anchor="{anchor}">'
        f"{escape(text)}</text>"
    )


def _ticks(low: float, high: float) -> list[float]:
    """Four to nine round figures from the least to the greatest value."""
    power = 10.0 ** np.floor(np.log10((high - low) / 8.0))
    step = next(power * tick for tick in TICKS if (high - low) / (power * tick) <= 8.0)
    found: list[float] = (step * np.arange(np.ceil(low / step), np.floor(high / step) + 1.0)).tolist()
    return found
