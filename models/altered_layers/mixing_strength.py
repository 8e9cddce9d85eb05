"""Strength of ion mixing from the energy that ions deposit: two pictures, and what they are worth.

Atoms that are set in motion jump about by R, in random directions: a diffusion that is constant per
ion. Against the surface that recedes by Y/n per ion and area it has the strength

    D/v = K F_D R^2 / Y

with the energy F_D that an ion deposits per depth, the yield Y, and K from counting the jumps:

- displacements, after Haff and Switkowski, and Andersen: K = 0.42 / (6 E_d), E_d = 25 eV for an
  atom that leaves its site;
- relocation in cascades, after Sigmund and Gras-Marti: K = 0.608 / (6 E_r), E_r = 8 eV for the many
  slow recoils that move without leaving a vacancy behind.

Formulas and constants are from memory. R is about 1 nm; the pictures differ by a factor of 4.5, and
R^2 adds one of 1.5 to 2 to either. What stands on firmer ground is how they scale: F_D and Y grow
alike with energy and angle, so D/v hardly depends on either, nor does the decay length 4 D/v where
the depth that ions reach does not limit it. Measured decay lengths, however, grow with a power of
the energy of 0.3 to 0.6 and fall with the angle (from memory), as that depth does. For this reason,
and as its strength is known no better, mixing in an experiment without a written length takes the
projected range instead of these estimates.
"""

from collections.abc import Mapping

from craterfront.models.altered_layers.confined_mixing import confined_decay_length
from craterfront.models.materials.elements import normalised
from craterfront.models.materials.yield_formulas import nuclear_stopping_eV_A2, recoil_factor
from craterfront.models.validity import check_positive

JUMP_NM = 1.0
"""Root mean square distance R of a jump (from memory)."""

DISPLACEMENT_PER_EV = 0.42 / (6.0 * 25.0)
"""K of displacements [1/eV]."""

RELOCATION_PER_EV = 0.608 / (6.0 * 8.0)
"""K of relocation in cascades between atoms of like mass [1/eV]."""

SPREAD_FACTOR = 2.0
"""Standard uncertainty of D/v in either picture, as a factor: mostly of R^2 (an estimate)."""


def deposited_energy_eV_nm(
    atomic_fractions: Mapping[str, float],
    energy_eV: float,
    atomic_density_per_nm3: float,
    ion: str = "Ar",
) -> float:
    """Energy that an ion deposits in nuclear collisions, per depth below the surface [eV/nm].

    n times the sum of x alpha S_n over the elements, with the nuclear stopping cross sections and
    the shares alpha of Y. Yamamura and H. Tawara, At. Data Nucl. Data Tables 62 (1996) 149, which
    make the sputter yield proportional to it. Normal incidence.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.
    energy_eV
        Ion energy [eV], > 0.
    atomic_density_per_nm3
        Atomic density of the target [1/nm^3].
    ion
        Element of the ion.
    """
    check_positive("energy_eV", energy_eV)
    check_positive("atomic_density_per_nm3", atomic_density_per_nm3)
    per_atom_eV_nm2 = 0.01 * sum(
        x * recoil_factor(symbol, ion) * nuclear_stopping_eV_A2(energy_eV, symbol, ion)
        for symbol, x in normalised(atomic_fractions).items()
    )
    return float(per_atom_eV_nm2) * atomic_density_per_nm3


def mixing_per_recession_nm(
    deposited_eV_nm: float,
    atoms_per_ion: float,
    jumps_per_eV: float = DISPLACEMENT_PER_EV,
    jump_nm: float = JUMP_NM,
) -> float:
    """Strength of mixing over the speed of the surface, D/v = K F_D R^2 / Y [nm].

    Parameters
    ----------
    deposited_eV_nm
        F_D [eV/nm], see `deposited_energy_eV_nm`, > 0.
    atoms_per_ion
        Sputter yield Y at the same angle of incidence, > 0. Both grow alike with the angle, so both
        may be taken at normal incidence.
    jumps_per_eV
        K of a picture [1/eV]: `DISPLACEMENT_PER_EV` or `RELOCATION_PER_EV`.
    jump_nm
        R [nm], > 0.

    Returns
    -------
    float
        D/v [nm], uncertain by `SPREAD_FACTOR` within its picture.
    """
    check_positive("deposited_eV_nm", deposited_eV_nm)
    check_positive("atoms_per_ion", atoms_per_ion)
    check_positive("jumps_per_eV", jumps_per_eV)
    check_positive("jump_nm", jump_nm)
    return jumps_per_eV * deposited_eV_nm * jump_nm**2 / atoms_per_ion


def trailing_length_nm(mixing_nm: float, range_nm: float) -> float:
    """Trailing decay length of a buried monolayer under mixing confined to a range [nm].

    Parameters
    ----------
    mixing_nm
        D/v [nm], > 0.
    range_nm
        Depth to which ions mix [nm], > 0; about twice their projected range along the normal.

    Returns
    -------
    float
        4 D/v for weak mixing, the range for strong mixing; see `confined_mixing`.
    """
    check_positive("mixing_nm", mixing_nm)
    check_positive("range_nm", range_nm)
    return range_nm * confined_decay_length(0.5 * range_nm / mixing_nm)
