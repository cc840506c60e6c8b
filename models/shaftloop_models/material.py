"""Shear modulus and density of shaft materials.

References
----------
.. [1] Shear moduli: Shigley's Mechanical Engineering Design, table A-5 (carbon steel 79.3 GPa,
   stainless 73.1 GPa, aluminium 26.9 GPa). From memory. Densities: common practice, no source.
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
    density: float
    """[kg/m^3]"""


MATERIALS: dict[str, Material] = {
    "steel": Material(79.3e9, 7850.0),
    "stainless_steel": Material(73.1e9, 7900.0),
    "aluminium": Material(26.9e9, 2710.0),
    "titanium": Material(42.4e9, 4430.0),
}
