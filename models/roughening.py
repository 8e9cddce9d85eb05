"""How the spread of depth grows while a surface is sputtered.

The spread is carried in units of ion dose, since a column that is ahead at an interface stays
ahead by a dose, not by a number of nm. With s = d(dose)/dz at depth z,

    sigma(z)^2 = (initial s(0))^2 + int_0^z s^2 growth'(z) dz  [+ (spread * dose)^2, columns].

Laws of growth, as the variance gained per nm of depth [nm^2/nm]:

- statistical: one monolayer, n^(-1/3). Atoms leave at random (Poisson) with no transport between
  levels: sigma = sqrt(d z), an upper bound for amorphous material. A. Benninghoven, Z. Phys. 230
  (1970) 403; S. Hofmann, Appl. Phys. 9 (1976) 59 (both from memory).
- grains: spread^2 * grain size. The yield of grains scatters by the relative spread and is drawn
  anew every grain size: sigma = spread sqrt(grain z) (derived).
- columns: the yield differs between columns that reach through all layers: sigma = spread * z.
"""

import numpy as np

LAWS = ("none", "statistical", "grains", "columns")


def dose_spread(
    atoms_nm2: np.ndarray,
    thickness_nm: np.ndarray,
    dose: np.ndarray,
    surface_dose_per_nm: float,
    law: str,
    initial_nm: float,
    relative_spread: float,
    grain_nm: float,
) -> np.ndarray:
    """Standard deviation of the arrival dose at the faces of the slices.

    Parameters
    ----------
    atoms_nm2, thickness_nm, dose : ndarray, shape (K,)
        Atoms per area [1/nm^2], thickness [nm] and dose used of each slice, from the surface.
    surface_dose_per_nm : float
        s(0), the dose per nm of the top layer in its steady state [1/nm]: the initial roughness is
        a scatter of its thickness.
    law : str
        One of `LAWS`.
    initial_nm : float
        Roughness of the outer surface over flat interfaces, standard deviation [nm].
    relative_spread, grain_nm : float
        Relative standard deviation of the yield; grain size [nm].

    Returns
    -------
    ndarray, shape (K + 1,)
        Spread in units of `dose`; it never decreases.

    Raises
    ------
    ValueError
        For an unknown law.
    """
    if law not in LAWS:
        raise ValueError(f"unknown law of roughness growth {law!r}: one of {', '.join(LAWS)}")
    per_nm = dose / thickness_nm
    if law == "statistical":
        gained = per_nm**2 * np.cbrt(thickness_nm / atoms_nm2) * thickness_nm
    elif law == "grains":
        gained = per_nm**2 * relative_spread**2 * grain_nm * thickness_nm
    else:
        gained = np.zeros_like(dose)
    variance = (initial_nm * surface_dose_per_nm) ** 2 + np.append(0.0, np.cumsum(gained))
    if law == "columns":
        variance = variance + (relative_spread * np.append(0.0, np.cumsum(dose))) ** 2
    return np.sqrt(variance)


def variance_per_nm(
    law: str, relative_spread: float, grain_nm: float, atomic_density_per_nm3: np.ndarray
) -> tuple[np.ndarray, float]:
    """Growth of the spread of depth in uniform material.

    Parameters
    ----------
    law, relative_spread, grain_nm
        See `dose_spread`.
    atomic_density_per_nm3 : ndarray, shape (M,)
        Of each material [1/nm^3].

    Returns
    -------
    variance_nm : ndarray, shape (M,)
        Variance gained per nm of depth [nm^2/nm].
    relative : float
        Spread in proportion to the depth (columns).
    """
    none = np.zeros_like(atomic_density_per_nm3)
    if law == "statistical":
        return np.cbrt(1.0 / atomic_density_per_nm3), 0.0
    if law == "grains":
        return none + relative_spread**2 * grain_nm, 0.0
    return none, relative_spread if law == "columns" else 0.0
