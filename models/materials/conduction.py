"""Which materials conduct well enough for a direct current, by a short rule."""

from collections.abc import Mapping

from craterfront.models.materials.elements import normalised

INSULATING_NON_METALS = frozenset({"O", "F", "Cl", "Br", "I"})
LEAST_SHARE = 0.25
"""Atomic fraction of these from which a compound is taken for an insulator."""

INSULATING_NITRIDES = frozenset({"Al", "B", "Si"})
LEAST_NITRIDE_SHARE = 2 / 3
"""Share of these among the partners of nitrogen from which a nitride is taken for an insulator."""

LEAST_NITROGEN = 0.25


def conducts(atomic_fractions: Mapping[str, float]) -> bool:
    """Whether a material is taken for a conductor.

    Parameters
    ----------
    atomic_fractions
        Amount by element symbol; need not sum to 1.

    Returns
    -------
    bool
        False for oxides and halides, and for nitrides of aluminium, boron and silicon. Nitrides
        and carbides of transition metals conduct, and so do metals and, well enough,
        semiconductors.

    Notes
    -----
    Common practice, no source. There are exceptions either way: some oxides conduct (RuO2, In2O3
    with tin), and films of some 10 nm let a current through whatever they are made of.
    """
    shares = normalised(atomic_fractions)
    if sum(shares.get(symbol, 0.0) for symbol in INSULATING_NON_METALS) >= LEAST_SHARE:
        return False
    nitrogen = shares.get("N", 0.0)
    partners = sum(shares.get(symbol, 0.0) for symbol in INSULATING_NITRIDES)
    return nitrogen < LEAST_NITROGEN or partners < LEAST_NITRIDE_SHARE * (1 - nitrogen)
