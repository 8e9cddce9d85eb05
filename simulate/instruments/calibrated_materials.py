"""The materials of a stack with calibrated rates and densities."""

from typing import Any

from craterfront.instruments.instrument_file import InstrumentCalibration
from craterfront.instruments.instrument_numbers import DENSITY, RATE, same_material
from craterfront.problems import shown
from craterfront.samples.composition import Composed
from craterfront.samples.layer import Layer, RepeatedLayers
from craterfront.samples.solids import Material, Substrate
from craterfront.samples.stack import Stack


def with_materials(stack: Stack, calibration: InstrumentCalibration) -> tuple[Stack, list[str]]:
    """Rates and densities of calibrated materials; layers of one material share them."""
    numbers: dict[str, dict[str, Any]] = {}
    keys = {RATE: "erosion_rate_nm_s", DENSITY: "density_g_cm3"}
    for number in calibration.number:
        if number.kind in keys and number.material is not None:
            numbers.setdefault(number.material, {})[keys[number.kind]] = number.as_quantity()
    materials, notes = dict(stack.materials), []
    shared: dict[str, str] = {}  # calibrated material to that of the stack
    alone: dict[str, dict[str, Any]] = {}  # calibrated material of a single layer
    for name, known in numbers.items():
        fitting = [m for m, each in materials.items() if _is(each, m, name, calibration)]
        fitting = [name] if name in fitting else fitting
        if len(fitting) > 1:
            listed = ", ".join(shown(each) for each in fitting)
            notes.append(f"{listed} are of one composition: name one of them {shown(name)}")
        elif fitting:
            materials[fitting[0]] = materials[fitting[0]].rebuilt(**known)
            shared[name] = fitting[0]
        owners = [part for _, part in stack.parts() if _is(part, part.name, name, calibration)]
        if len(owners) == 1 and not fitting:
            alone[name] = known
        elif owners and not fitting:
            owner = owners[0]
            shared[name] = owner.label if owner.label not in materials else f"{owner.label} layers"
            composed = {k: getattr(owner, k) for k in ("composition", "composition_mass")}
            materials[shared[name]] = Material(**composed, conducts=owner.conducts, **known)

    def tied(part: Layer | Substrate) -> Any:
        every = (*shared, *alone)
        name = next((n for n in every if _is(part, part.name, n, calibration)), None)
        if name is None:
            return part
        if name in alone:
            return part.rebuilt(**alone[name])
        own = dict.fromkeys((*Composed.model_fields, "conducts"))
        return part.rebuilt(**own, material=shared[name])

    layers = tuple(
        entry.rebuilt(of=tuple(map(tied, entry.of)))
        if isinstance(entry, RepeatedLayers)
        else tied(entry)
        for entry in stack.layers
    )
    return Stack(layers=layers, substrate=tied(stack.substrate), materials=materials), notes


def _is(
    owner: Composed, own_name: str | None, name: str, calibration: InstrumentCalibration
) -> bool:
    """Whether something with a composition of its own is of a calibrated material.

    Where several have its composition, the one that has its name.
    """
    fractions = owner.atomic_fractions
    fitting = [m.name for m in calibration.material if same_material(fractions, m.fractions)]
    return bool(fractions) and (fitting == [name] or (name in fitting and own_name == name))
