"""What it takes to cut a material: kc1.1 and mc by VDI 3323 group.

The constants are those that a printed turning catalogue of 2017 (p. 558) gives for the groups of
VDI 3323; rows marked "from memory" are not in it. A job may give its own kc11 and mc.
"""

import difflib
import re
from dataclasses import dataclass

from listen.job import Material

CATALOGUE = "printed turning catalogue, 2017, p. 558"
MEMORY = "from memory"
_HARD_MC = 0.22  # the catalogue prints no mc for hardened materials; from memory


@dataclass(frozen=True, slots=True, kw_only=True)
class CuttingForce:
    """Specific cutting force: kc = kc11 · h^(-mc), h in mm, kc in N/mm².

    Attributes
    ----------
    group : str
        VDI 3323 group, "own" for constants from the job.
    names : tuple of str
        Words by which a job may name it.
    source : str
    fire : bool
        Whether its chips can burn.
    """

    group: str
    names: tuple[str, ...]
    kc11: float
    mc: float
    source: str = CATALOGUE
    fire: bool = False

    def at(self, chip_mm: float) -> float:
        """Specific cutting force at a mean chip thickness [N/mm²].

        Examples
        --------
        >>> round(find_material(Material(name="C45 steel")).at(0.1))
        2489
        """
        return float(self.kc11 * max(chip_mm, 1e-4) ** -self.mc)


def _row(group: str, names: str, kc11: float, mc: float, source: str = CATALOGUE) -> CuttingForce:
    words = tuple(name.strip() for name in names.split(","))
    return CuttingForce(
        group=group, names=words, kc11=kc11, mc=mc, source=source, fire=group.startswith("S36")
    )


MATERIALS = (
    _row("P1", "mild steel, low carbon steel, steel s235, steel s275, steel 1018, steel 1020", 1350.0, 0.21),
    _row("P2", "steel, carbon steel, c45 steel, steel c45, steel 1045, steel s355", 1500.0, 0.22),
    _row("P3", "quenched carbon steel, c45 quenched", 1675.0, 0.24),
    _row("P5", "high carbon steel quenched", 1900.0, 0.24),
    _row("P6", "low alloy steel, alloy steel, steel 4140, 42crmo4, steel 4340", 1775.0, 0.24),
    _row("P9", "low alloy steel quenched, 42crmo4 quenched, steel 4140 prehardened", 1800.0, 0.24),
    _row("P10", "tool steel, high alloy steel, steel d2, steel h13", 2450.0, 0.23),
    _row("P11", "tool steel quenched", 2500.0, 0.23),
    _row("P12", "ferritic stainless, martensitic stainless, stainless 416, stainless 430", 1875.0, 0.21),
    _row(
        "M14", "stainless, stainless steel, austenitic stainless, stainless 304, stainless 316", 2150.0, 0.20
    ),
    _row("K15", "nodular iron, ductile iron", 1150.0, 0.20),
    _row("K16", "nodular iron pearlitic", 1350.0, 0.28),
    _row("K17", "cast iron, grey iron, gray iron, grey cast iron", 1225.0, 0.25),
    _row("K18", "grey iron pearlitic", 1350.0, 0.28),
    _row("N21", "aluminium soft, aluminium 1050, aluminium 5083, aluminium 5052", 700.0, 0.25),
    _row(
        "N22",
        "aluminium, aluminum, aluminium 6061, aluminium 6082, aluminium 7075, aluminium 2024",
        800.0,
        0.25,
    ),
    _row("N23", "cast aluminium, aluminium casting", 700.0, 0.25),
    _row("N25", "cast aluminium high silicon", 750.0, 0.25),
    _row("N26", "brass, bronze, copper", 700.0, 0.27),
    _row("S31", "iron based heat resistant alloy", 2600.0, 0.24),
    _row("S32", "iron based heat resistant alloy hardened", 3100.0, 0.24),
    _row("S33", "nickel alloy, nickel based alloy, nickel alloy 718, cobalt based alloy", 3300.0, 0.24),
    _row("S36", "titanium, titanium pure, titanium grade 2", 1700.0, 0.23),
    _row("S37", "titanium alloy, ti6al4v, ti 6al 4v, titanium ti6al4v, titanium grade 5", 2110.0, 0.22),
    _row(
        "H38", "hardened steel, hardened steel 55 hrc", 4600.0, _HARD_MC, f"kc1.1: {CATALOGUE}; mc {MEMORY}"
    ),
    _row("H39", "hardened steel 60 hrc", 4700.0, _HARD_MC, f"kc1.1: {CATALOGUE}; mc {MEMORY}"),
    _row("H40", "chilled iron", 4600.0, _HARD_MC, f"kc1.1: {CATALOGUE}; mc {MEMORY}"),
    _row("H41", "hardened iron", 4500.0, _HARD_MC, f"kc1.1: {CATALOGUE}; mc {MEMORY}"),
    _row("no group (plastic)", "plastic, pom, acetal, nylon, pe, hdpe, pmma, acrylic", 150.0, 0.25, MEMORY),
    _row("no group (wood)", "wood, mdf, plywood, tooling board, wax", 60.0, 0.25, MEMORY),
    CuttingForce(
        group="no group (magnesium)",
        names=("magnesium", "magnesium az91", "magnesium az31", "az91", "az31"),
        kc11=280.0,
        mc=0.19,
        source=MEMORY,
        fire=True,
    ),
)


def _titanium_burns(material: CuttingForce) -> bool:
    return material.fire or material.group in ("S36", "S37")


def find_material(material: Material) -> CuttingForce | None:
    """The constants of a job's material; None where its name says nothing known.

    Own constants in the job win over the table.

    Examples
    --------
    >>> find_material(Material(name="aluminium 6061")).group
    'N22'
    """
    by_name = _by_name(material.name)
    if material.kc11 is not None:
        fire = by_name is not None and _titanium_burns(by_name)
        mc = material.mc if material.mc is not None else 0.25
        return CuttingForce(
            group="own", names=(material.name,), kc11=material.kc11, mc=mc, source="the job", fire=fire
        )
    return by_name


_SUFFIX = re.compile(r"(?<=\d)(?:[a-z]{1,2}\d?)$")
_TREATED = frozenset({"soft", "cast", "casting", "hardened", "quenched", "heat", "resistant", "hrc"})
_GENERIC = _TREATED | {"alloy", "based", "low", "high", "carbon", "pure", "grade", "no", "group"}
"""Words that name no material by themselves."""


def _by_name(name: str) -> CuttingForce | None:
    wanted = re.sub(r"\s+", " ", name.strip().lower().replace("-", " "))
    if not wanted:
        return None
    every = {word: row for row in MATERIALS for word in row.names}
    every.update({row.group.lower(): row for row in MATERIALS if "no group" not in row.group})
    if wanted in every:
        return every[wanted]
    words = set(wanted.split())
    words |= {_SUFFIX.sub("", word) for word in words}  # S235JR is S235, 304L is 304
    shared = {key: words & set(key.split()) for key in every}
    told = [(len(own), -len(key.split()), key) for key, own in shared.items() if not own <= _GENERIC]
    if told:
        return every[max(told)[2]]
    near = difflib.get_close_matches(wanted, list(every), n=1, cutoff=0.8)
    return every[near[0]] if near else None


def can_burn(material: Material) -> bool:
    """Whether the chips are a known fire hazard (magnesium, titanium)."""
    found = find_material(material)
    return found is not None and _titanium_burns(found)
