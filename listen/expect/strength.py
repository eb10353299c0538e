"""How strong each contact is beside the others, whether it is heard, and what it can reveal."""

import math
from dataclasses import replace

from listen.contact import Audible, Contact, Reveals
from listen.expect import cutting
from listen.expect.contacts import WAYS_DOWN, Cut
from listen.expect.materials import CuttingForce, find_material
from listen.job import Job

EASY_N, FAINT_N = 20.0, 2.0  # cutting force heard easily, faintly; common practice, no source
EASY_DB, FAINT_DB = -20.0, -35.0  # the same against the strongest contact, where no material is known
TELLING_DB = 3.0  # a change of strength that can be noticed
TOO_DEEP_MM = 2.0  # the wrong set-up that `reveals` is about


def with_strength(cuts: list[Cut], job: Job) -> list[Cut]:
    """Fill in strength, whether it is heard, and what it reveals."""
    material = find_material(job.material)
    strengths = [_relative_force(cut, material) for cut in cuts]
    cutting_ones = [s for cut, s in zip(cuts, strengths, strict=True) if s > 0.0 and _cuts(cut.contact)]
    most = max(cutting_ones, default=max((s for s in strengths if s > 0.0), default=1.0))
    done = []
    for cut, strength in zip(cuts, strengths, strict=True):
        level = min(20.0 * math.log10(max(strength / most, 1e-4)), 0.0)
        override = 1.0 if cut.contact.way == "tapping" else job.machine.feed_override / 100.0
        audible = _audible(cut, level, override)
        contact = replace(cut.contact, strength_db=level, audible=audible)
        done.append(replace(cut, contact=replace(contact, reveals=_reveals(contact))))
    return done


def _cuts(contact: Contact) -> bool:
    """False for what must never happen, rapid or spindle standing: it is no scale for the rest."""
    return contact.way != "rapid" and contact.spindle_rpm > 0.0


def _relative_force(cut: Cut, material: CuttingForce | None) -> float:
    contact = cut.contact
    if math.isfinite(cut.force_n):
        return cut.force_n
    chip = contact.mean_chip_mm if math.isfinite(contact.mean_chip_mm) else 0.05
    kc = material.at(chip) if material is not None else 800.0 * max(chip, 1e-4) ** -0.25
    turning = max(contact.spindle_rpm, 1.0) * max(contact.radial_width_mm, 0.1)
    return cut.removal_mm3_per_s * kc / turning


def _audible(cut: Cut, level_db: float, override: float) -> Audible:
    change = cutting.level_change_at(max(override, 0.01), cut.mc)
    if math.isfinite(cut.force_n):
        force = cut.force_n * 10.0 ** (change / 20.0)
        easy, faint = force >= EASY_N, force >= FAINT_N
    else:
        easy, faint = level_db + change >= EASY_DB, level_db + change >= FAINT_DB
    return Audible.EASY if easy else Audible.FAINT if faint else Audible.NOT_BY_EAR


def _reveals(contact: Contact) -> Reveals:
    """What a tool set 2 mm too deep would show: downwards it starts early, sideways it is louder."""
    if contact.audible == Audible.NOT_BY_EAR:
        return Reveals.NOT_BY_EAR
    if contact.way in WAYS_DOWN:
        return Reveals.TIME
    depth = contact.axial_depth_mm
    louder = 20.0 * math.log10((depth + TOO_DEEP_MM) / depth) if depth > 0.0 else 0.0
    return Reveals.STRENGTH if louder >= TELLING_DB else Reveals.NOT_BY_EAR
