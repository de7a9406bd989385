"""Coefficients of linear expansion, for lengths stated at 20 degrees Celsius (ISO 1).

Metals from a web copy of Callister, Materials Science and Engineering, Table B.6; ABS and cast epoxy
as the spread of a web table of engineering plastics; PLA and acrylate resin from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from shared.errors import PlanInvalid


@dataclass(frozen=True)
class Expansion:
    """Coefficient of one material, 1e-6 per kelvin.

    half_spread_ppm_per_kelvin : where the source gives a range, half of it; ``ppm_per_kelvin`` is its middle
    """

    material: str
    ppm_per_kelvin: float
    source: str
    half_spread_ppm_per_kelvin: float = 0.0


_CALLISTER = "Callister, Materials Science and Engineering, Table B.6"
_PLASTICS = "table of engineering plastics, spread of grades"
_MEMORY = "from memory"
_VALUES: tuple[Expansion, ...] = (
    Expansion("aluminium 356.0", 21.5, _CALLISTER),
    Expansion("aluminium 6061", 23.6, _CALLISTER),
    Expansion("grey iron", 11.4, _CALLISTER),
    Expansion("ductile iron", 11.2, _CALLISTER),
    Expansion("steel 1020", 11.7, _CALLISTER),
    Expansion("steel A36", 11.7, _CALLISTER),
    Expansion("steel 4340", 12.3, _CALLISTER),
    Expansion("magnesium AZ91", 26.0, _CALLISTER),
    Expansion("ABS", 90.0, _PLASTICS, 18.0),
    Expansion("epoxy", 55.0, _PLASTICS, 10.0),
    Expansion("PLA", 68.0, _MEMORY),
    Expansion("acrylate resin", 90.0, _MEMORY, 30.0),
)
_OTHER_WORDS = {"aluminum": "aluminium", "gray": "grey"}
_OTHER_NAMES = {"a356": "aluminium 356", "356": "aluminium 356", "6061": "aluminium 6061"}


def _plain(name: str) -> str:
    words = name.casefold().replace("-", " ").replace("_", " ").split()
    joined = " ".join(_OTHER_WORDS.get(word, word) for word in words).removesuffix(".0")
    return _OTHER_NAMES.get(joined, joined)


MATERIALS: Mapping[str, Expansion] = MappingProxyType({_plain(entry.material): entry for entry in _VALUES})


def expansion_of(material: str) -> Expansion:
    """Coefficient of a material by name; case, hyphens and American spelling do not matter.

    Raises
    ------
    PlanInvalid
        For a material that is not in the table; lists those that are.

    """
    found = MATERIALS.get(_plain(material))
    if found is None:
        what = f"the expansion of {material!r} is not known here"
        raise PlanInvalid(
            f"temperature.material: {what}.",
            advice=f"Known are {', '.join(entry.material for entry in _VALUES)}; "
            "for another material give expansion_ppm_per_kelvin.",
            faults=[f"temperature.material: {what}"],
        )
    return found
