"""Quantities: every way to write a number, and every way to get it wrong."""

import math

import pytest

from craterfront.notation.quantities import Quantity, within


@pytest.mark.parametrize(
    ("written", "quantity"),
    [
        (400, Quantity(400.0)),
        (-0.5, Quantity(-0.5)),
        ({"value": 400, "u": 20}, Quantity.prior(400.0, u=20.0)),
        ({"value": 400, "u": 0}, Quantity.prior(400.0, u=0.0)),
        ({"value": -400, "u_rel": 0.25}, Quantity.prior(-400.0, u=100.0)),
        ({"value": 0, "u_rel": 0}, Quantity.prior(0.0, u=0.0)),
        ({"guess": 400}, Quantity.guess(400.0)),
        ({"guess": 400, "min": 1}, Quantity.guess(400.0, minimum=1.0)),
        ({"guess": 4, "min": 4, "max": 5}, Quantity.guess(4.0, minimum=4.0, maximum=5.0)),
        (Quantity.default(1.0), Quantity.default(1.0)),
    ],
)
def test_reads_what_is_written(written, quantity):
    read = Quantity.read(written)
    assert read == quantity
    assert type(read.value) is float
    assert float(read) == quantity.value


@pytest.mark.parametrize(
    ("written", "message"),
    [
        (True, "must be a number, got true"),
        ("400", 'must be a number, got "400"'),
        (None, "must be a number, got None"),
        ([400], "must be a number, got [400]"),
        (math.nan, "must be a finite number, got nan"),
        (-math.inf, "must be a finite number, got -inf"),
        (10**400, "must be a finite number, got a number of more than 308 digits"),
        ({}, "must be a number, or a table with value and u (or u_rel), or with guess"),
        ({"valu": 4}, "unknown key valu; did you mean value?"),
        ({"value": 4}, "value goes with one of u and u_rel (0: exactly known)"),
        ({"value": 4, "u": 1, "u_rel": 1}, "value goes with one of u and u_rel (0: exactly known)"),
        ({"value": 4, "guess": 4}, "has both value and guess"),
        ({"value": 4, "u": 1, "min": 1}, "min goes with guess, not with value"),
        ({"guess": 4, "u": 1}, "u goes with value, not with guess"),
        (
            {"value": "4", "u": True},
            'value must be a number, got "4"; u must be a number, got true',
        ),
        ({"value": 4, "u": -1}, "u must be >= 0, got -1"),
        ({"value": 4, "u_rel": -0.1}, "u_rel must be >= 0, got -0.1"),
        ({"value": 0, "u_rel": 0.1}, "u_rel of the value 0 gives no uncertainty; write u"),
        ({"value": 1e300, "u_rel": 1e300}, "u must be a finite number, got inf"),
        ({"guess": 4, "min": 5, "max": 5}, "min must be < max, got 5 and 5"),
        ({"guess": 4, "min": 5, "max": 6}, "guess must be between min 5 and max 6, got 4"),
        (Quantity(math.inf), "value must be a finite number, got inf"),
    ],
)
def test_says_what_is_wrong(written, message):
    with pytest.raises(ValueError) as caught:
        Quantity.read(written)
    assert str(caught.value) == message


def test_uncertainty_and_bounds_belong_to_one_status():
    with pytest.raises(ValueError, match="u goes with a prior"):
        Quantity(4.0, u=1.0)
    with pytest.raises(ValueError, match="u goes with a prior"):
        Quantity(4.0, status="prior")
    with pytest.raises(ValueError, match="bounds go with a guess"):
        Quantity(4.0, minimum=1.0)


@pytest.mark.parametrize(
    ("written", "message"),
    [
        (-5, "must be > 0 and <= 1, got -5"),
        ({"value": 2, "u": 1}, "value must be > 0 and <= 1, got 2"),
        (
            {"guess": 0, "max": 3},
            "guess must be > 0 and <= 1, got 0; max must be from 0 to 1, got 3",
        ),
    ],
)
def test_range_holds_for_value_and_bounds(written, message):
    with pytest.raises(ValueError) as caught:
        within(above=0, at_most=1)(Quantity.read(written))
    assert str(caught.value) == message


def test_range_lets_its_end_through_where_it_belongs_to_it():
    assert within(above=0, at_most=1)(Quantity(1.0)) == Quantity(1.0)
    assert within(at_least=0)(Quantity(0.0)) == Quantity(0.0)


@pytest.mark.parametrize(
    "quantity",
    [
        Quantity(0.1),
        Quantity.prior(400.0, u=1 / 3),
        Quantity.guess(4.0, minimum=1.0, maximum=9.0),
        Quantity.guess(4.0),
    ],
)
def test_written_form_and_repr_restore_it(quantity):
    assert Quantity.read(quantity.written()) == quantity
    assert eval(repr(quantity)) == quantity


def test_default_is_not_written():
    assert Quantity.default(5.2, u=0.1).written() is None
    assert repr(Quantity.default(5.2)) == "Quantity.default(5.2)"
