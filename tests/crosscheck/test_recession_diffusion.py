"""Recession and diffusion solved a second time, with finite elements of a general-purpose library.

The equation is C_t = (D C')' + v C' in the frame of the receding surface, v = 1, with zero gradient
at the surface. Quadratic elements (package scikit-fem), Crank-Nicolson steps; nothing is shared
with the solver of the altered layer, which counts atoms in cells. The solution by elements is held
against the closed forms as well, so that three routes meet.
"""

import numpy as np
import pytest
from scipy.linalg import eigvals
from scipy.sparse.linalg import splu
from scipy.special import erfc, erfcx

from craterfront.models.altered_layers.confined_mixing import confined_decay_length
from craterfront.models.altered_layers.mixing import AlteredLayer, leaving_atoms

pytest.importorskip("skfem", reason="the extra crosscheck is not installed")
from skfem import Basis, BilinearForm, ElementLineP2, FacetBasis, LinearForm, MeshLine

pytestmark = pytest.mark.derived

IMPLICIT_STEPS = 2  # first ones, in quarters and fully implicit, which damps the jump at the start


class FiniteElements:
    """M dC/dt = A C + f for 0 < x < length; material with C = 1 enters at the lower face."""

    def __init__(self, length, elements, diffusion):
        mesh = MeshLine(np.linspace(0.0, length, elements + 1))
        inside = Basis(mesh, ElementLineP2())
        bottom = FacetBasis(
            mesh, ElementLineP2(), facets=mesh.facets_satisfying(lambda x: x[0] > 0.999 * length)
        )
        held = BilinearForm(lambda u, v, _: u * v)
        moved = BilinearForm(lambda u, v, _: (v - diffusion * v.grad[0]) * u.grad[0])
        # D C' = v (1 - C) at the lower face: no diffusive flux comes from below.
        self.mass = held.assemble(inside)
        self.rate = moved.assemble(inside) - held.assemble(bottom)
        self.entering = LinearForm(lambda v, _: v).assemble(bottom)
        self.x = inside.doflocs[0]

    def surface(self, concentration, step, end):
        """Times, and the concentration at the surface."""
        quarter = splu((self.mass - 0.25 * step * self.rate).tocsc())
        half = splu((self.mass - 0.5 * step * self.rate).tocsc())
        forward = self.mass + 0.5 * step * self.rate
        top = int(np.argmin(self.x))
        shown = [concentration[top]]
        for k in range(round(end / step)):
            if k < IMPLICIT_STEPS:
                for _ in range(4):
                    held = self.mass @ concentration + 0.25 * step * self.entering
                    concentration = quarter.solve(held)
            else:
                concentration = half.solve(forward @ concentration + step * self.entering)
            shown.append(concentration[top])
        return step * np.arange(len(shown)), np.array(shown)

    def decay(self):
        """Length over which the slowest mode fades by 1/e, at v = 1."""
        rates = eigvals(self.rate.toarray(), self.mass.toarray()).real
        return -1.0 / rates.max()


def orders(errors):
    """Order of convergence of errors that belong to halved cells."""
    return np.log2(np.array(errors[:-1]) / np.array(errors[1:]))


def leaving_step(cells, range_nm, diffusion, plane_nm, end_nm, slice_nm):
    """The solver of the altered layer: share of what lies below a plane among what leaves."""
    middle = (np.arange(round(end_nm / slice_nm)) + 0.5) * slice_nm
    below = middle > plane_nm
    atoms = slice_nm * np.column_stack([~below, below])
    layer = AlteredLayer(range_nm, diffusion, cells)
    removed, _ = leaving_atoms(atoms, layer, np.ones(2), np.ones(2))
    return middle, removed[:, 1] / slice_nm


# --- uniform diffusion ----------------------------------------------------------------------------

PLANE_NM, DIFFUSION_NM, DEEP_NM, END_NM = 10.0, 0.5, 30.0, 15.0


def closed_step(t):
    """Derived: Green function of the radiation boundary, as in tests/published/test_mixing.py."""
    root = 2.0 * np.sqrt(DIFFUSION_NM * t)
    a, b = (PLANE_NM - t) / root, (PLANE_NM + t) / root
    return 0.5 * erfc(a) + 0.5 * np.exp(-a * a) * erfcx(b)


def elements_step(elements):
    """A plane at 10 nm, D = 0.5 nm v, by finite elements, the step in proportion to the element."""
    problem = FiniteElements(DEEP_NM, elements, DIFFUSION_NM)
    start = np.heaviside(np.round(problem.x - PLANE_NM, 9), 0.5)
    return problem.surface(start, DEEP_NM / elements, END_NM)


def test_finite_elements_find_the_closed_form_of_uniform_diffusion():
    """1.7e-4, 4.3e-5 and 1.1e-5 of the step with 300, 600 and 1200 elements: second order."""
    errors = []
    for elements in (300, 600, 1200):
        t, shown = elements_step(elements)
        late = t > 2.0
        errors.append(np.abs(shown[late] - closed_step(t[late])).max())
    assert errors[-1] < 1.2e-5
    assert orders(errors) == pytest.approx(2.0, abs=0.1)


def test_the_solver_converges_to_the_finite_elements_under_uniform_diffusion():
    """8.8e-4, 2.1e-4 and 4.7e-5 of the step with cells of 0.2, 0.1 and 0.05 nm: second order."""
    t, shown = elements_step(1200)
    errors = []
    for cell in (0.2, 0.1, 0.05):
        cells = round(DEEP_NM / cell)
        z, share = leaving_step(cells, DEEP_NM, DIFFUSION_NM, PLANE_NM, END_NM, cell)
        errors.append(np.abs(np.interp(z, t, shown) - share)[z > 2.0].max())
    assert errors[-1] < 6e-5
    assert orders(errors) == pytest.approx(2.0, abs=0.2)


# --- mixing confined to a zone --------------------------------------------------------------------


@pytest.mark.parametrize("peclet", [0.1, 1.0, 5.0, 20.0])
def test_slowest_mode_of_the_confined_zone(peclet):
    """Eigenvalue of the elements against the closed form of the decay length."""
    decay = FiniteElements(1.0, 128, 0.5 / peclet).decay()
    assert decay == pytest.approx(confined_decay_length(peclet), rel=1e-6)


@pytest.mark.parametrize(
    ("peclet", "cells", "error"), [(1.0, 16, 1.2e-3), (5.0, 35, 1.1e-3), (20.0, 140, 3.0e-4)]
)
def test_the_solver_converges_to_the_finite_elements_in_a_confined_zone(peclet, cells, error):
    """Material that begins to enter a zone of unit thickness, over five thicknesses: with the cells
    that are taken by default the solver is off by a thousandth of the step at most, and by a
    quarter of that with twice as many."""
    problem = FiniteElements(1.0, 400, 0.5 / peclet)
    t, shown = problem.surface(np.zeros(problem.x.size), 0.001, 5.0)
    errors = []
    for finer in (1, 2):
        z, share = leaving_step(finer * cells, 1.0, 0.5 / peclet, 1.0, 5.0, 1.0 / 800)
        errors.append(np.abs(np.interp(z, t, shown) - share).max())
    assert errors[0] < error
    assert orders(errors) == pytest.approx(2.0, abs=0.2)
