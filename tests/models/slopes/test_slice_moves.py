"""Changes of sums over slices, group by group, against the plain sum of all terms."""

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from craterfront.models.erosion_front.arrival import Arrival
from craterfront.models.erosion_front.floor import Floor
from craterfront.models.slopes import slice_moves
from craterfront.models.slopes.arrival_slopes import FloorSlopes
from craterfront.models.slopes.dose_axis_slopes import arrival_slopes
from craterfront.models.slopes.seen_slopes import seen
from craterfront.models.slopes.slice_moves import SliceMoves

GROUP = slice_moves._GROUP
NO_CHANGE = slice_moves._ROUNDING  # of the largest change in a direction
SMALL = 1e-6  # and yet a change
WAYS = [
    "all", "none", "together", "nearly together", "from one on", "one", "tiny",
    "small beside one", "tiny beside one",
]  # fmt: skip


def change(rng, way, shape):
    """How slices, along the first axis, change in one direction."""
    which = rng.integers(shape[0])
    out = rng.standard_normal(shape)
    if way == "none":
        out[:] = 0.0
    elif way == "together":
        out[:] = out[0]
    elif way == "nearly together":
        out = 1.0 + SMALL * out
    elif way == "from one on":
        out[:which] = 0.0
    elif way == "one":
        out[np.arange(shape[0]) != which] = 0.0
    elif way == "tiny":
        out *= 1e-20
    elif way == "small beside one":
        out[np.arange(shape[0]) != which] *= SMALL
    elif way == "tiny beside one":
        out[np.arange(shape[0]) != which] *= 0.1 * NO_CHANGE
    return out


@dataclass(frozen=True)
class Case:
    """Slices that change, and the shares of some neighbours."""

    held: np.ndarray
    of_held: np.ndarray
    of_faces: np.ndarray
    shares: np.ndarray
    first: int
    ways: list[str]

    @property
    def asked_for(self) -> slice:
        return slice(self.first, self.first + self.shares.shape[2])

    def moves(self) -> SliceMoves:
        return SliceMoves.of(self.held, self.of_held, self.of_faces)

    def left_out(self) -> np.ndarray:
        """Twice what terms that are no change can come to, shape (N, P, Q); the rest is rounding.

        Derived: from the largest changes in each direction, as if all slices changed so much.
        """
        part, slices = self.asked_for, len(self.held)
        largest = np.abs(self.of_held).max(axis=(0, 2))[None, :, None]
        farthest = np.abs(self.of_faces).max(axis=1)[:, None]
        terms = plain_sum(
            np.abs(self.shares),
            np.abs(self.held[part]),
            np.broadcast_to(largest, self.of_held.shape)[part],
            np.broadcast_to(farthest, (3, slices, len(self.ways)))[:, part],
        )
        return 2.0 * NO_CHANGE * terms


@st.composite
def cases(draw):
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    slices = draw(st.integers(1, 3 * GROUP + 5))
    doses, width = draw(st.integers(1, 3)), draw(st.integers(1, 3))
    ways = draw(st.lists(st.sampled_from(WAYS), min_size=1, max_size=5))
    first = draw(st.integers(0, slices))
    count = draw(st.integers(0, slices - first))
    held = rng.standard_normal((slices, width))
    return Case(
        held,
        np.stack([change(rng, way, held.shape) for way in ways], axis=1),
        np.stack(
            [np.stack([change(rng, way, (slices,)) for way in ways], axis=1) for _ in range(3)]
        ),
        rng.standard_normal((4, doses, count)),
        first,
        ways,
    )


def plain_sum(shares, held, of_held, of_faces):
    """The sum in the docstring of the module, over the slices that the shares are of."""
    by_held = np.einsum("nk,kpq->npq", shares[0], of_held)
    return by_held + np.einsum("ink,ikp,kq->npq", shares[1:], of_faces, held)


@settings(max_examples=300)
@given(cases())
def test_groups_add_up_to_the_plain_sum(case):
    part, doses, width = case.asked_for, case.shares.shape[1], case.held.shape[1]
    found = np.zeros((doses, len(case.ways), width))
    case.moves().add(case.shares, case.first, found)
    expected = plain_sum(case.shares, case.held[part], case.of_held[part], case.of_faces[:, part])
    assert np.all(np.abs(found - expected) <= case.left_out())


@given(cases())
def test_what_does_not_change_is_left_as_it_was(case):
    doses, width = case.shares.shape[1], case.held.shape[1]
    before = np.random.default_rng(0).standard_normal((doses, len(case.ways), width))
    found = before.copy()
    case.moves().add(case.shares, case.first, found)
    still = [way == "none" for way in case.ways]
    assert np.array_equal(found[:, still], before[:, still])
    if not case.shares.size:
        assert np.array_equal(found, before)


@given(cases())
def test_what_slices_lose_together(case):
    part = case.asked_for
    found = case.moves().lost(part.start, part.stop)
    assert found == pytest.approx(np.einsum("kpq->pq", case.of_held[part]), abs=1e-12)


@pytest.mark.parametrize("which", [0, GROUP - 1, GROUP, 2 * GROUP, 2 * GROUP + 2])
def test_only_the_group_of_a_slice_that_changes_is_multiplied(which):
    """How far slices move apart is told from the first of their group."""
    slices = 2 * GROUP + 3
    alone = np.zeros(slices)
    alone[which] = 1.0
    of_faces = np.tile(alone[:, None], (3, 1, 1))
    moves = SliceMoves.of(np.ones((slices, 1)), alone[:, None, None], of_faces)
    expected = np.arange(3) == which // GROUP
    assert np.array_equal(moves.changing[:, :, 0], np.tile(expected, (4, 1)))


def test_slices_that_move_together_do_not_move_apart():
    slices = GROUP + 1
    of_faces = np.zeros((3, slices, 1))
    of_faces[0] = 0.7
    moves = SliceMoves.of(np.ones((slices, 1)), np.zeros((slices, 1, 1)), of_faces)
    assert not moves.changing.any()
    out = np.zeros((1, 1, 1))
    moves.add(np.ones((4, 1, slices)), 0, out)
    assert out.item() == pytest.approx(0.7 * slices)


# --- with slices on the dose axis ---


def of_directions(rng, ways, slices, width):
    """Doses, squares of spreads, and what is held at both edges, each by direction."""
    return (
        np.stack([change(rng, way, (slices,)) for way in ways], axis=1),
        np.stack([0.1 * change(rng, way, (slices + 1,)) for way in ways], axis=1),
        np.stack([change(rng, way, (slices, width)) for way in ways]),
        np.stack([change(rng, way, (slices, width)) for way in ways]),
    )


def everything(of_held, of_faces):
    """All groups marked as changing in all directions."""
    groups = -(-len(of_held) // GROUP)
    return np.ones((4, groups, of_held.shape[1]), dtype=bool)


@settings(max_examples=15, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(2 * GROUP - 3, 3 * GROUP + 5),
    st.lists(st.sampled_from(WAYS), min_size=1, max_size=4),
)
def test_what_is_seen_is_the_same_with_everything_multiplied(seed, slices, ways):
    """More intervals than a block takes, so that blocks begin within groups."""
    rng = np.random.default_rng(seed)
    dose = rng.uniform(0.05, 0.3, slices)
    spread = np.full(slices + 1, 0.4)
    floor = Floor.of(np.array([[1.05, 0.95, 0.6], [0.98, 0.9, 0.4]]))
    arrival = Arrival.of(dose, spread, floor)
    dose_moves, variance_moves, *edge_moves = of_directions(rng, ways, slices, 2)
    still = FloorSlopes.none(2, len(ways))
    slopes = arrival_slopes(arrival, dose, spread, dose_moves, variance_moves, still)
    edges = rng.uniform(size=(2, slices, 2))
    start = np.linspace(0.0, 1.2 * dose.sum(), 150)

    def slopes_seen():
        return seen(arrival, slopes, *edges, *edge_moves, start, start + 0.1).slopes

    in_groups = slopes_seen()
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(slice_moves, "_changing", everything)
        of_all = slopes_seen()
    largest = np.abs(of_all).max(axis=(1, 2), keepdims=True)
    assert np.all(np.abs(in_groups - of_all) <= 1e-10 * largest)
