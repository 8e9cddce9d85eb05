"""The instrument file: what is written is read again, and mistakes are told with their places."""

import datetime

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from craterfront.instruments.instrument_file import (
    CalibratedNumber,
    InstrumentCalibration,
    instrument_from_toml,
    load_instrument,
    rounded,
    write_instrument,
)
from craterfront.notation.toml_text import parse_toml
from craterfront.notation.toml_writing import toml_text
from craterfront.problems import InputProblems

NAMES = [("crater curvature", {}), ("erosion rate", {"material": "Cu"})]
NAMES += [("density", {"material": "Cu"}), ("sensitivity", {"channel": "Cu"})]
NAMES += [
    ("sensitivity", {"channel": "Al 396", "material": "Cu"}),
    ("background", {"channel": "Cu"}),
]


def calibration_of(mean, covariance, coordinates):
    numbers = [
        CalibratedNumber.of(m, sd, each, kind=kind, unit="nm", before="free", **of)
        for (kind, of), m, sd, each in zip(
            NAMES, mean, np.sqrt(np.diag(covariance)), coordinates, strict=False
        )
    ]
    numbers, rows = rounded(numbers, covariance)
    exact = CalibratedNumber(kind="escape depth", value=0.4, u=0.0, unit="nm")
    return InstrumentCalibration(
        title='A "round" crater, \u00e4tzend',
        date=datetime.date(2026, 1, 31),
        source={"kind": "glow discharge", "voltage_V": 700.0, "supply": "DC"},
        valid={
            "depth_to_nm": 300.0,
            "view": "collected",
            "crater": "parabolic",
            "first_material": "Cu",
        },
        material=[{"name": "Cu", "composition": {"Cu": 1.0}}],
        reference=[{"profile": "a.nc", "experiment": "a.toml"}],
        number=[*numbers, exact],
        correlation=rows,
    )


@settings(max_examples=40)
@given(st.integers(0, 10_000), st.floats(-5.0, 0.0))
def test_written_and_read_again(seed, closeness):
    """Also of numbers that are nearly the same: in units of the covariance little changes."""
    rng = np.random.default_rng(seed)
    count = len(NAMES)
    root = rng.normal(size=(count, count))
    root[-1] = root[0] + 10.0**closeness * root[-1]
    sd = 10.0 ** rng.uniform(-4, 0, count)
    covariance = root @ root.T * np.outer(sd, sd)
    size = np.sqrt(np.diag(covariance))
    assume(np.linalg.eigvalsh(covariance / np.outer(size, size))[0] > 2e-11)
    mean = rng.normal(size=count)
    coordinates = rng.choice(["linear", "logarithm", "square"], count)
    made = calibration_of(mean, covariance, coordinates)
    read = instrument_from_toml(toml_text(made.as_file()))
    assert read == made
    white = np.linalg.inv(np.linalg.cholesky(covariance))
    assert white @ read.covariance @ white.T == pytest.approx(np.eye(count), abs=0.01)
    shift = white @ ([number.mean for number in read.uncertain] - mean)
    assert np.abs(shift).max() < 0.01


@pytest.mark.parametrize("seed", range(20))
def test_numbers_that_are_all_but_the_same_can_be_read_again(seed):
    """Down to 1e-8 of their u, which no correlation of 16 digits tells."""
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(len(NAMES), len(NAMES)))
    root[-1] = root[0] + 10.0 ** rng.uniform(-8.0, -5.0) * root[-1]
    covariance = root @ root.T
    mean = rng.normal(size=len(NAMES))
    made = calibration_of(mean, covariance, ["linear"] * len(NAMES))
    read = instrument_from_toml(toml_text(made.as_file()))
    assert read == made
    np.testing.assert_allclose(read.covariance, covariance, rtol=1e-5, atol=1e-5)


def plain():
    return calibration_of([0.05, 3.0], np.diag([1e-6, 1e-4]), ["linear", "logarithm"])


def test_the_file_is_written_and_loaded(tmp_path):
    write_instrument(plain(), tmp_path / "instrument.toml")
    assert load_instrument(tmp_path / "instrument.toml") == plain()
    assert "date = 2026-01-31" in (tmp_path / "instrument.toml").read_text(encoding="utf-8")


def spoilt(**changes):
    """Messages about a file with some keys changed; None leaves a key out."""
    written = {**plain().as_file(), **changes}
    text = toml_text({key: value for key, value in written.items() if value is not None})
    with pytest.raises(InputProblems) as caught:
        instrument_from_toml(text, "x.toml")
    assert caught.value.source == "x.toml"
    return caught.value.problems


def test_all_mistakes_at_once():
    numbers = plain().as_file()["number"]
    numbers[0] |= {"kind": "crater curvatur", "u": -1.0}
    numbers[1]["material"] = "Ni"
    found = spoilt(date="yesterday", number=numbers, valid=None)
    assert 'date: must be a date such as 2026-01-31, got "yesterday"' in found
    assert "valid: missing" in found
    assert any("crater curvatur" in f and 'did you mean "crater curvature"' in f for f in found)
    assert any(f.startswith("number[1]") and f.endswith("u: must be >= 0, got -1") for f in found)
    assert any('"Ni" is not in [[material]]' in f for f in found)


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ({}, "correlation: needs a row for each of these, in order: crater curvature, erosion"),
        (
            [[1.0], [1.0]],
            'correlation "erosion rate of Cu": must be 2 numbers, up to its own, got 1',
        ),
        (
            [[1.0], [1.5, 1.0]],
            'correlation "erosion rate of Cu": must be from -1 to 1 and end with 1',
        ),
        ([[1.0], [1.0, 1.0]], "correlation: is no correlation matrix: not positive definite"),
    ],
)
def test_mistakes_in_correlations(rows, message):
    labels = [number.label for number in plain().uncertain]
    correlation = dict(zip(labels, rows, strict=True)) if rows else {}
    (found,) = spoilt(correlation=correlation)
    assert found.startswith(message)


texts = st.text(st.characters(codec="utf-8", exclude_characters="\r"), max_size=20)
scalars = st.one_of(
    texts, st.booleans(), st.integers(-(10**15), 10**15), st.floats(allow_nan=False), st.dates()
)
values = st.recursive(
    scalars,
    lambda inner: (
        st.dictionaries(texts, inner, max_size=8)
        | st.lists(st.floats(allow_nan=False), max_size=30)
        | st.lists(st.dictionaries(texts, scalars, max_size=8), min_size=1, max_size=3)
    ),
    max_leaves=12,
)


@settings(max_examples=40)
@given(st.dictionaries(texts, values, max_size=6))
def test_any_table_survives_as_text(table):
    assert parse_toml(toml_text(table), "text") == table


def test_an_experiment_file_is_named_as_such(tmp_path):
    path = tmp_path / "coating.toml"
    path.write_text('[[layer]]\ncomposition = "Cu"\nthickness_nm = 50\n[substrate]\n')
    with pytest.raises(InputProblems) as caught:
        load_instrument(path)
    assert caught.value.problems == ["is an experiment file, no calibration of an instrument"]


def test_a_matrix_that_is_no_covariance_is_refused():
    """Three numbers that all vary against each other: the least eigenvalue is 1 - 2 * 0.8."""
    with pytest.raises(ValueError, match=r"covariance: .* eigenvalue -0\.6, must be >= 0"):
        calibration_of(np.zeros(3), np.eye(3) * 1.8 - 0.8, ["linear"] * 3)
