"""Shear and Young's modulus and density of shaft materials.

References
----------
.. [1] Shear moduli: Shigley's Mechanical Engineering Design, table A-5 (carbon steel 79.3 GPa,
   stainless 73.1 GPa, aluminium 26.9 GPa), Young's moduli likewise (207, 190, 71.7 GPa). From memory.
   Densities and titanium: common practice, no source.
"""

from dataclasses import dataclass
from typing import Literal

__all__ = ["MATERIALS", "Material", "MaterialName"]

MaterialName = Literal["steel", "stainless_steel", "aluminium", "titanium"]


@dataclass(frozen=True)
class Material:
    """Elastic constants of a shaft material."""

    shear_modulus: float
    """[Pa]"""
    youngs_modulus: float
    """[Pa]"""
    density: float
    """[kg/m^3]"""


MATERIALS: dict[str, Material] = {
    "steel": Material(79.3e9, 207e9, 7850.0),
    "stainless_steel": Material(73.1e9, 190e9, 7900.0),
    "aluminium": Material(26.9e9, 71.7e9, 2710.0),
    "titanium": Material(42.4e9, 114e9, 4430.0),
}
