"""The first nanometres: the rate settles while gas from the beam builds up in the sample.

What ions leave behind, and the change of the surface that they bring about, grow with the ions
that have arrived and are complete after about their range. The rate nears its final value v with
depth z,

    dz/dt = v [1 + a exp(-z / z_tr)],

a the excess at first and z_tr the length of the transient. In the time t' = z / v that the depth
takes at the final rate, with T = z_tr / v (derived, by integration):

    t' = t + T ln(1 + a (1 - exp(-t / T)))

So the sample is ahead by T ln(1 + a) in the end, the depth by z_tr ln(1 + a). To first order in a
this is a start-up in time (`start_up`) with the deficit -a and the decay time T, whose shift is a T
exactly: the two differ by a^2 T / 2. Under oxygen the rate near the surface can exceed that of the
bulk more than tenfold (study by medium-energy ion scattering, Appl. Surf. Sci. 203-204 (2003) 363,
looked up, abstract).
"""

import numpy as np


def eroded_dose_s(dose_s: np.ndarray, excess: float, decay_s: float) -> np.ndarray:
    """Dose at the final rate that erodes as deep as the dose supplied.

    Parameters
    ----------
    dose_s : ndarray
        Dose supplied [s], any shape, at least 0.
    excess : float
        Rate at first over the final one, less 1: a > -1.
    decay_s : float
        T, the time in which the final rate erodes z_tr [s], > 0.
    """
    return dose_s + decay_s * np.log1p(-excess * np.expm1(-dose_s / decay_s))


def eroded_dose_slopes(
    dose_s: np.ndarray, excess: float, decay_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Derivatives of `eroded_dose_s` by the excess and by T; that by the dose is the rate."""
    left = np.exp(-dose_s / decay_s)
    settled = -np.expm1(-dose_s / decay_s)
    whole = 1.0 + excess * settled
    by_decay = np.log1p(excess * settled) - excess * left * dose_s / (decay_s * whole)
    return decay_s * settled / whole, by_decay


def relative_rate(dose_s: np.ndarray, excess: float, decay_s: float) -> np.ndarray:
    """Rate over the final one, of the shape of the doses supplied: the derivative of the above."""
    left = np.exp(-dose_s / decay_s)
    return 1.0 + excess * left / (1.0 + excess * (1.0 - left))


def supplied_dose_s(eroded_s: np.ndarray, excess: float, decay_s: float) -> np.ndarray:
    """Dose supplied where that of the depth, at the final rate, is given: the inverse.

    Notes
    -----
    t = t' + T ln(1 - a/(1 + a) (1 - exp(-t' / T))) (derived).
    """
    share = excess / (1.0 + excess)
    return eroded_s + decay_s * np.log1p(share * np.expm1(-eroded_s / decay_s))
