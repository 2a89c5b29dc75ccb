"""The beam: an X-ray tube's spectrum, and how water and cortical bone attenuate it.

Attenuation coefficients: Hubbell and Seltzer, "Tables of X-Ray Mass Attenuation Coefficients",
NISTIR 5632, tables 3 (aluminium) and 4 (water; ICRU-44 cortical bone), typed from memory and
joined linearly on logarithmic axes; all absorption edges in question lie below 10 keV. Nothing
measured on a phantom rests on their last digit: a tool calibrates the density of every scan.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_ENERGIES_KEV = np.array([10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 150.0])
#: Mass attenuation coefficients at those energies. [cm2/g]
_WATER = np.array([5.329, 1.673, 0.8096, 0.3756, 0.2683, 0.2269, 0.2059, 0.1837, 0.1707, 0.1505])
_BONE = np.array([28.51, 9.032, 4.001, 1.331, 0.6655, 0.4242, 0.3148, 0.2229, 0.1855, 0.1480])
_ALUMINIUM = np.array([26.23, 7.955, 3.441, 1.128, 0.5685, 0.3681, 0.2778, 0.2018, 0.1704, 0.1378])
#: Densities of the same tables. [g/cm3]
_WATER_DENSITY, _BONE_DENSITY, _ALUMINIUM_DENSITY = 1.0, 1.92, 2.699

#: K lines of tungsten and the share of each in the quanta that leave the tube; the shares, about a
#: tenth in all at 120 kV, are rounded. [keV]
_LINES = ((57.98, 0.030), (59.32, 0.052), (67.24, 0.017), (69.07, 0.005))
#: Filtration of a scanner's tube, all of it as aluminium. [mm]
FILTRATION_MM = 8.0
#: Path at which the effective energy is taken: a thigh and the bone in it. [mm]
_PATH_WATER_MM, _PATH_BONE_MM = 200.0, 10.0

# Grid of the tabulated beam: water and bone along a ray. [mm]
WATER_STEP_MM, BONE_STEP_MM = 2.0, 0.5
_WATER_MAX_MM, _BONE_MAX_MM = 700.0, 220.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beam:
    """A beam as the detector weighs it.

    Attributes
    ----------
    weights : (e,) float array
        Share of each energy in the signal without an object; they add to 1.
    water_per_mm, bone_per_mm : (e,) float array
        Attenuation of water and of cortical bone. [1/mm]
    bone_hu : float
        Reading of cortical bone of table density after water correction, behind a thigh. [HU]
    attenuation : (w, b) float32 array
        Logarithm of incoming over transmitted signal by water and bone along the ray, in steps
        of `WATER_STEP_MM` and `BONE_STEP_MM` from 0.
    """

    weights: NDArray[np.float64]
    water_per_mm: NDArray[np.float64]
    bone_per_mm: NDArray[np.float64]
    bone_hu: float
    attenuation: NDArray[np.float32]

    def attenuate(
        self, water_mm: NDArray[np.float64], bone_mm: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return the logarithm of incoming over transmitted signal, for paths of equal shape."""
        depth = np.multiply.outer(water_mm, self.water_per_mm)
        depth += np.multiply.outer(bone_mm, self.bone_per_mm)
        return np.asarray(-np.log(np.exp(-depth) @ self.weights))

    def correct_for_water(self, attenuation: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the length of water that attenuates as much: the water correction [mm]."""
        lengths = np.arange(-40.0, _WATER_MAX_MM + 1.0, 1.0)
        table = self.attenuate(lengths, np.zeros_like(lengths))
        return np.asarray(np.interp(attenuation, table, lengths))


def _interpolate(
    table: NDArray[np.float64], energies_kev: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.asarray(np.exp(np.interp(np.log(energies_kev), np.log(_ENERGIES_KEV), np.log(table))))


def make_beam(*, kvp: float = 120.0) -> Beam:
    """Return the beam of a tube: Kramers' continuum and tungsten's K lines behind aluminium.

    The detector integrates energy: a quantum counts in proportion to its energy.

    Parameters
    ----------
    kvp : float
        Tube voltage. [kV]

    Raises
    ------
    ValueError
        If the voltage is outside that of scanners, 70 to 150 kV.
    """
    if not 70 <= kvp <= 150:
        raise ValueError(f"'kvp' must be in [70, 150] kV, got {kvp:g}.")
    energies = np.arange(15.5, kvp, 1.0)
    quanta = kvp / energies - 1.0
    quanta /= quanta.sum()
    for line, share in _LINES:
        quanta[int(np.argmin(np.abs(energies - line)))] += share * float(kvp > 69.5)
    filtration = 0.1 * FILTRATION_MM * _ALUMINIUM_DENSITY * _interpolate(_ALUMINIUM, energies)
    weights = quanta * energies * np.exp(-filtration)
    weights /= weights.sum()
    water = 0.1 * _WATER_DENSITY * _interpolate(_WATER, energies)
    bone = 0.1 * _BONE_DENSITY * _interpolate(_BONE, energies)
    passed = weights * np.exp(-_PATH_WATER_MM * water - _PATH_BONE_MM * bone)
    # By how much more bone attenuates this beam than water does behind the same signal's water.
    table = _tabulate(weights, water, bone)
    bare = Beam(
        weights=weights, water_per_mm=water, bone_per_mm=bone, bone_hu=0.0, attenuation=table
    )
    signal = -np.log(passed.sum())
    length = float(bare.correct_for_water(np.array([signal]))[0])
    behind = weights * np.exp(-length * water)
    ratio = (passed @ bone / passed.sum()) / (behind @ water / behind.sum())
    return Beam(
        weights=weights,
        water_per_mm=water,
        bone_per_mm=bone,
        bone_hu=float(1000.0 * (ratio - 1.0)),
        attenuation=table,
    )


def _tabulate(
    weights: NDArray[np.float64], water: NDArray[np.float64], bone: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Return attenuation by water and bone along a ray, as `Beam.attenuation`."""
    lengths = np.arange(0.0, _WATER_MAX_MM + 0.1, WATER_STEP_MM)
    depths = np.arange(0.0, _BONE_MAX_MM + 0.1, BONE_STEP_MM)
    through_water = np.exp(-np.multiply.outer(lengths, water))
    through_bone = np.exp(-np.multiply.outer(depths, bone))
    return np.asarray(-np.log((through_water * weights) @ through_bone.T), dtype=np.float32)
