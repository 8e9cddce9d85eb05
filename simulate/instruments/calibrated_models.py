"""The models of a setup with calibrated numbers that are for all materials."""

from collections.abc import Iterator, Mapping
from typing import Any

from craterfront.experiments.crater_shape import EdgedCrater, ParabolicCrater, TiltedCrater
from craterfront.experiments.detection import Detection
from craterfront.experiments.mixing import Mixing
from craterfront.experiments.roughness import Roughness
from craterfront.experiments.setup import Setup
from craterfront.instruments.instrument_file import InstrumentCalibration, Validity
from craterfront.instruments.instrument_numbers import CURVATURE, MIXING_LENGTH
from craterfront.problems import shown

_PLACES = {  # tables and keys of what is for all materials
    "crater tilt": ("crater", "tilt"),
    "crater edge share": ("crater", "edge_share"),
    "crater edge rate": ("crater", "edge_rate"),
    "relative spread": ("roughness", "relative_spread"),
    "grain size": ("roughness", "grain_nm"),
    "final roughness": ("roughness", "final_nm"),
    "settling depth": ("roughness", "settling_nm"),
    "mixing range": ("mixing", "range_nm"),
    "displacement": ("mixing", "displacement_nm"),
    "escape depth": ("detection", "escape_depth_nm"),
    "residence time": ("detection", "residence_s"),
    "hydrogen of half effect": ("detection", "hydrogen_half_per_nm2_s"),
    "start-up rate deficit": ("start_up", "rate_deficit"),
    "start-up decay time": ("start_up", "decay_s"),
    "surface transient excess": ("surface_transient", "rate_excess"),
    "surface transient depth": ("surface_transient", "decay_nm"),
    CURVATURE: ("crater", "curvature"),
    MIXING_LENGTH: ("mixing", "length_nm"),
}
_CRATERS = {"parabolic": ParabolicCrater, "tilted": TiltedCrater, "edged": EdgedCrater}


def with_models(setup: Setup, calibration: InstrumentCalibration) -> tuple[Setup, list[str]]:
    """What is for all materials; models that the file leaves unwritten come with it.

    Returns
    -------
    Setup
    list of str
        What was not taken over.
    """
    numbers, valid = _by_table(calibration), calibration.valid
    changed: dict[str, Any] = {
        "crater": _crater(setup, valid, numbers.get("crater", {})),
        "roughness": _roughness(setup, valid, numbers.get("roughness", {})),
        "mixing": _mixing(setup, valid, numbers.get("mixing", {})),
        "detection": _detection(setup, numbers.get("detection", {})),
    }
    for key in ("start_up", "surface_transient"):
        table, own = getattr(setup, key), numbers.get(key)
        if own:
            changed[key] = own if table is None else table.rebuilt(**own)
    written = {key: table for key, table in changed.items() if table is not None}
    return setup.rebuilt(**written), list(_other_models(setup, calibration))


def _by_table(calibration: InstrumentCalibration) -> dict[str, dict[str, Any]]:
    """Numbers that are for all materials, by table and key."""
    found: dict[str, dict[str, Any]] = {}
    for number in calibration.number:
        if number.material is None and number.kind in _PLACES:
            table, key = _PLACES[number.kind]
            found.setdefault(table, {})[key] = number.as_quantity()
    return found


def _crater(setup: Setup, valid: Validity, numbers: Mapping[str, Any]) -> Any:
    """The crater with the numbers of one of its kind; None where it stays."""
    crater = setup.crater_made
    if not numbers:
        return None
    if setup.crater is None and not setup.beam and valid.crater in _CRATERS:
        return _CRATERS[valid.crater](**numbers)
    by_layer = isinstance(getattr(crater, "curvature", None), dict)
    if crater.shape != valid.crater or by_layer:
        return None
    point = {"point": ()} if isinstance(crater, ParabolicCrater) else {}
    return crater.rebuilt(**point, **numbers)


def _roughness(setup: Setup, valid: Validity, numbers: Mapping[str, Any]) -> Roughness | None:
    rough = setup.roughness
    if not rough.is_written("growth") and valid.growth != "none":
        return rough.rebuilt(growth=valid.growth, **numbers)
    return rough.rebuilt(**numbers) if rough.growth == valid.growth else None


def _mixing(setup: Setup, valid: Validity, numbers: Mapping[str, Any]) -> Mixing | None:
    mixing = setup.mixing
    if not setup.is_written("mixing") and "length_nm" in numbers:
        return Mixing(model=valid.mixing, displacement=valid.displacement, **numbers)
    if mixing.model != valid.mixing or isinstance(mixing.length_nm, dict):
        return None
    return mixing.rebuilt(**numbers)


def _detection(setup: Setup, numbers: Mapping[str, Any]) -> Detection | None:
    """An escape depth takes the place of what it would be computed from."""
    if not numbers:
        return None
    instead = {"electron_energy_eV": None, "emission_angle_deg": None}
    taken = instead if "escape_depth_nm" in numbers else {}
    return setup.detection.rebuilt(**taken, **numbers)


def _other_models(setup: Setup, calibration: InstrumentCalibration) -> Iterator[str]:
    """Models that the file writes and that are not those of the calibration."""
    valid, rough, mixing = calibration.valid, setup.roughness, setup.mixing
    written = {
        "crater shape": (setup.crater is not None, setup.crater_made.shape, valid.crater),
        "roughness growth": (rough.is_written("growth"), rough.growth, valid.growth),
        "mixing model": (setup.is_written("mixing"), mixing.model, valid.mixing),
    }
    for place, (is_written, now, before) in written.items():
        if is_written and now != before:
            yield (
                f"{place}: {shown(now)}, and the calibration has {shown(before)}; its numbers are"
                " not used there"
            )
