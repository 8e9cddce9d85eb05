"""Invert with a calibrated instrument: its numbers take the place of what the file says of them."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np

from craterfront.assembly import Assembly
from craterfront.by_layer import key_of_layer
from craterfront.channel import Channel
from craterfront.composition import Composed
from craterfront.concrete_layer import ConcreteLayer
from craterfront.crater_shape import (
    EdgedCrater,
    ParabolicCrater,
    TiltedCrater,
)
from craterfront.experiment import Experiment
from craterfront.instrument_drift import Drift, drift_of
from craterfront.instrument_file import CalibratedNumber, InstrumentCalibration
from craterfront.instrument_numbers import (
    BACKGROUND,
    CURVATURE,
    DENSITY,
    MIXING_LENGTH,
    RATE,
    SENSITIVITY,
    InstrumentNumber,
    instrument_numbers,
    material_name,
    same_composition,
    sample_numbers,
)
from craterfront.instrument_validity import outside
from craterfront.inversion import Inversion, Progress, invert
from craterfront.joint_posterior import joint_posterior
from craterfront.joint_prior import JointPrior
from craterfront.layer import Layer, RepeatedLayers
from craterfront.measured import MeasuredProfile
from craterfront.mixing import Mixing
from craterfront.problems import InputProblems, shown
from craterfront.quantities import Quantity
from craterfront.setup import Setup
from craterfront.solids import Material, Substrate
from craterfront.stack import Stack
from craterfront.table import Table

_FARTHER = 1.1  # than was supposed
_LOOSE = 10.0

_PLACES = {
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
}
_OF_CHANNEL = {
    "self-absorption": "self_absorption_nm2_s",
    "hydrogen effect": "hydrogen_effect",
    BACKGROUND: "background",
}
_CRATERS = {"parabolic": ParabolicCrater, "tilted": TiltedCrater, "edged": EdgedCrater}

AnyTable = TypeVar("AnyTable", bound=Table)


@dataclass
class InstrumentUse:
    """A calibration at work on one experiment.

    Attributes
    ----------
    calibration : InstrumentCalibration
    experiment : Experiment
        With the calibrated numbers, and with the models that the file leaves unwritten.
    notes : list of str
        What the calibration is not valid for, and what was not taken over.
    covariance : ndarray
        Of the uncertain numbers, widened.
    used : list of (int, InstrumentNumber)
        Which of them an assembly has.
    origin : str
        Where its numbers come from, for the table of what is known.
    looseness : float
        Factor on the standard uncertainties beside what the calibration says.
    """

    calibration: InstrumentCalibration
    experiment: Experiment
    notes: list[str]
    covariance: np.ndarray
    used: list[tuple[int, InstrumentNumber]] = field(default_factory=list)
    origin: str = "from the measurements before"
    looseness: float = 1.0

    def joint_prior(self, assembly: Assembly) -> JointPrior:
        """What is known jointly of the numbers that an assembly has; marks them as calibrated."""
        numbers = [*instrument_numbers(assembly), *sample_numbers(assembly)]
        pairs = matched(self.calibration, numbers)
        known = self.calibration.uncertain
        own = [p for p in pairs if _is_open(assembly, p[1]) and p[1].linear is None]
        self.used = own + [p for p in pairs if p[1].linear is not None]
        parameters = tuple(next(iter(number.powers)) for _, number in own)
        within = {}
        for (k, _), index in zip(own, parameters, strict=True):
            parameter, number = assembly.parameters[index], known[k]
            changes: dict[str, Any] = {"why": self.origin}
            if parameter.may_be_zero:  # its square is known, and what was written is in that
                if parameter.has_own_prior:
                    changes |= {"state": "calibrated", "u": 0.0}
                    within[index] = parameter.value, parameter.u
            else:
                value = float(np.clip(number.value, parameter.lower, parameter.upper))
                u = value * number.sd if number.coordinate == "logarithm" else number.u
                changes |= {"state": "calibrated", "value": value, "u": u}
            assembly.parameters[index] = replace(parameter, **changes)
        order = [k for k, _ in self.used]
        prior = JointPrior.normal(
            parameters,
            tuple(number.linear for _, number in self.used if number.linear is not None),
            tuple(known[k].coordinate for k in order),
            np.array([known[k].mean for k in order]),
            self.covariance[np.ix_(order, order)],
        )
        return replace(prior, within=within).following(_powers(assembly, prior))

    def loosened(self) -> "InstrumentUse":
        """The same with standard uncertainties so large that readings, not it, have the say."""
        return replace(self, covariance=self.covariance * _LOOSE**2, looseness=_LOOSE)

    def drift(self, inversion: Inversion) -> Drift:
        """The used numbers after the inversion against the calibration."""
        known, order = self.calibration.uncertain, [k for k, _ in self.used]
        after = joint_posterior(
            inversion, [number for _, number in self.used], [known[k].coordinate for k in order]
        )
        before = np.array([known[k].mean for k in order])
        labels = [known[k].label for k in order]
        prior = self.covariance[np.ix_(order, order)]
        return drift_of(labels, after.mean - before, prior, after.covariance, self.looseness)


def _powers(assembly: Assembly, prior: JointPrior) -> dict[int, dict[int, float]]:
    """With which powers squares that are known follow rates that are."""
    places = {
        index: j
        for j, index in enumerate(prior.parameters)
        if assembly.parameters[index].kind == "rate" and prior.coordinates[j] == "logarithm"
    }
    return {
        k: {
            places[rate]: 2.0 * power
            for rate, power in assembly.rates_behind(index).items()
            if rate in places
        }
        for k, index in enumerate(prior.parameters)
        if prior.coordinates[k] == "square"
    }


def _is_open(assembly: Assembly, number: InstrumentNumber) -> bool:
    """Whether it is a single parameter that is not held."""
    return len(number.powers) == 1 and not assembly.parameters[next(iter(number.powers))].is_fixed


def matched(
    calibration: InstrumentCalibration, numbers: Sequence[InstrumentNumber]
) -> list[tuple[int, InstrumentNumber]]:
    """Which uncertain numbers an assembly has; where several fit, those of the same name."""
    known = calibration.uncertain
    fitting = {
        k: [
            n
            for n in numbers
            if (n.kind, n.channel, bool(n.material))
            == (number.kind, number.channel or "", number.material is not None)
            and same_composition(n.composition, calibration.composition_of(number))
        ]
        for k, number in enumerate(known)
    }
    pairs = []
    for k, found in fitting.items():
        rivals = [j for j, others in fitting.items() if any(n in others for n in found)]
        if len(found) > 1 or len(rivals) > 1:
            found = [n for n in found if n.material == (known[k].material or "")]
        if len(found) == 1:
            pairs.append((k, found[0]))
    return pairs


# --- the experiment with what the calibration says ---------------------------------------------


def use_instrument(
    calibration: InstrumentCalibration, experiment: Experiment, *, widen: bool = True
) -> InstrumentUse:
    """Prepare an inversion with a calibrated instrument.

    Parameters
    ----------
    calibration : InstrumentCalibration
    experiment : Experiment
    widen : bool
        Widen and warn where the experiment is outside of what the calibration is valid for.

    Raises
    ------
    InputProblems
        When the calibration can say nothing of this kind of measurement.
    """
    view, known = experiment.setup.detection.view, calibration.valid.view
    if view != known:
        raise InputProblems(
            [f"detection view: {shown(view)}, and the calibration has {shown(known)}"]
        )
    setup, notes = _with_models(experiment.setup, calibration)
    stack, more = _with_materials(experiment.stack, calibration)
    layers = stack.expanded()
    setup = _rebuilt(setup, **_by_layer(setup, calibration, layers))
    setup = _rebuilt(setup, detection=_with_channels(setup, calibration, stack, layers))
    changed = _rebuilt(experiment, stack=stack, setup=setup)
    if not widen:
        return InstrumentUse(calibration, changed, [*notes, *more], calibration.covariance)
    away = outside(calibration, experiment)
    return InstrumentUse(
        calibration,
        changed,
        [*away.warnings, *notes, *more],
        away.widened(calibration),
        origin=f"from the calibration of {calibration.date}",
    )


def invert_with_instrument(
    profile: MeasuredProfile,
    experiment: Experiment,
    calibration: InstrumentCalibration,
    *,
    progress: Progress | None = None,
) -> Inversion:
    """Most probable sample, with the numbers of a calibrated instrument.

    As `invert`, but the joint distribution of the calibration takes the place of what the
    experiment says of the numbers that it names. The first warnings tell of what it is not valid
    for, and of a drift since.
    """
    if profile.axis != "time" or profile.values_kind != "intensity":
        what = f"the profile has {profile.values_kind} against {profile.axis}"
        raise InputProblems(
            [f"a calibrated instrument is for intensities against time; {what}"], profile.source
        )
    use = use_instrument(calibration, experiment)
    found = invert(profile, use.experiment, progress=progress, joint_prior=use.joint_prior)
    names = ", ".join(calibration.uncertain[k].label for k, _ in use.used)
    notes = [f"calibration of {calibration.date} used for: {names or 'nothing'}", *use.notes]
    drift = drift_since(use, found, progress)
    doubts = []
    if drift.is_noticed:
        doubts.append(
            f"the instrument is not as calibrated on {calibration.date}, or the sample is not as"
            f" the file says: {drift.words()}"
        )
    notes += _deeper(calibration, experiment, found)
    return replace(
        found, warnings=[*doubts, *notes, *found.warnings], doubts=[*doubts, *found.doubts]
    )


def drift_since(use: InstrumentUse, found: Inversion, progress: Progress | None = None) -> Drift:
    """How far the numbers of an inversion are from what was known before.

    What the calibration forbids may show as residuals instead: then the profile is inverted again
    with a calibration that is loosened.
    """
    drift = use.drift(found)
    if drift.is_noticed or not _falls_short(found):
        return drift
    loose = use.loosened()
    again = invert(found.profile, use.experiment, progress=progress, joint_prior=loose.joint_prior)
    return loose.drift(again)


def _falls_short(found: Inversion) -> bool:
    """Whether residuals are larger than noise that anybody wrote, or than that of readings."""
    noise = found.likelihood.noise
    fluctuates = noise.fluctuation is not None and noise.fluctuation.found
    return fluctuates or bool(noise.falls_short.any())


def _deeper(
    calibration: InstrumentCalibration, experiment: Experiment, found: Inversion
) -> Iterator[str]:
    assembly = found.likelihood.assembly
    count = len(assembly.layers) - 1
    depth = sum(float(found.values[assembly.thickness_index(i)]) for i in range(count))
    supposed = sum(float(layer.thickness_nm) for layer in experiment.stack.expanded()[:-1])
    if depth > _FARTHER * max(supposed, float(calibration.valid.depth_to_nm)):
        yield (
            f"the layers reach {depth:.4g} nm down, deeper than calibrated and than supposed: give"
            " better guesses, so that uncertainties are widened enough"
        )


def _rebuilt(table: AnyTable, **changes: Any) -> AnyTable:
    """A table with other values, checked anew."""
    written = {key: getattr(table, key) for key in table.model_fields_set}
    return type(table)(**{**written, **changes})


def _quantity(number: CalibratedNumber) -> Quantity:
    """The number as an experiment file would have it."""
    if number.coordinate == "square":
        return Quantity.guess((max(number.value, 0.0) + number.u) ** 0.5)
    return Quantity.prior(number.value, u=number.u)


def _with_models(setup: Setup, calibration: InstrumentCalibration) -> tuple[Setup, list[str]]:
    """What is for all materials; models that the file leaves unwritten come with it."""
    numbers: dict[str, dict[str, Any]] = {}
    for number in calibration.number:
        if number.material is None and number.kind in _PLACES:
            table, key = _PLACES[number.kind]
            numbers.setdefault(table, {})[key] = _quantity(number)
        elif number.material is None and number.kind == CURVATURE:
            numbers.setdefault("crater", {})["curvature"] = _quantity(number)
        elif number.material is None and number.kind == MIXING_LENGTH:
            numbers.setdefault("mixing", {})["length_nm"] = _quantity(number)
    changes: dict[str, Any] = {}
    notes = [*_other_models(setup, calibration)]
    valid = calibration.valid
    crater = setup.crater_made
    if setup.crater is None and not setup.beam and valid.crater in _CRATERS and "crater" in numbers:
        changes["crater"] = _CRATERS[valid.crater](**numbers["crater"])
    elif crater.shape == valid.crater and "crater" in numbers:
        single = not isinstance(getattr(crater, "curvature", None), dict)
        point = {"point": ()} if isinstance(crater, ParabolicCrater) else {}
        if single:
            changes["crater"] = _rebuilt(crater, **point, **numbers["crater"])
    rough = setup.roughness
    if not rough.is_written("growth") and valid.growth != "none":
        changes["roughness"] = _rebuilt(rough, growth=valid.growth, **numbers.get("roughness", {}))
    elif rough.growth == valid.growth:
        changes["roughness"] = _rebuilt(rough, **numbers.get("roughness", {}))
    mixing = setup.mixing
    if not setup.is_written("mixing") and "length_nm" in numbers.get("mixing", {}):
        changes["mixing"] = Mixing(
            model=valid.mixing, displacement=valid.displacement, **numbers["mixing"]
        )
    elif mixing.model == valid.mixing and not isinstance(mixing.length_nm, dict):
        changes["mixing"] = _rebuilt(mixing, **numbers.get("mixing", {}))
    if "detection" in numbers:
        instead = {"electron_energy_eV": None, "emission_angle_deg": None}
        taken = instead if "escape_depth_nm" in numbers["detection"] else {}
        changes["detection"] = _rebuilt(setup.detection, **taken, **numbers["detection"])
    for key in ("start_up", "surface_transient"):
        table = getattr(setup, key)
        if key in numbers:
            changes[key] = numbers[key] if table is None else _rebuilt(table, **numbers[key])
    return _rebuilt(setup, **changes), notes


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


def _with_materials(stack: Stack, calibration: InstrumentCalibration) -> tuple[Stack, list[str]]:
    """Rates and densities of calibrated materials; layers of one material share them."""
    numbers: dict[str, dict[str, Any]] = {}
    keys = {RATE: "erosion_rate_nm_s", DENSITY: "density_g_cm3"}
    for number in calibration.number:
        if number.kind in keys and number.material is not None:
            numbers.setdefault(number.material, {})[keys[number.kind]] = _quantity(number)
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
            materials[fitting[0]] = _rebuilt(materials[fitting[0]], **known)
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
            return _rebuilt(part, **alone[name])
        own = dict.fromkeys((*Composed.model_fields, "conducts"))
        return _rebuilt(part, **own, material=shared[name])

    layers = tuple(
        _rebuilt(entry, of=tuple(map(tied, entry.of)))
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
    fitting = [m.name for m in calibration.material if same_composition(fractions, m.fractions)]
    return bool(fractions) and (fitting == [name] or (name in fitting and own_name == name))


def _by_layer(
    setup: Setup, calibration: InstrumentCalibration, layers: Sequence[ConcreteLayer]
) -> dict[str, Any]:
    """Crater curvature and mixing length, where file and calibration have them by material."""
    changes: dict[str, Any] = {}
    crater = setup.crater_made
    if isinstance(crater, ParabolicCrater) and isinstance(crater.curvature, dict):
        curvature = _table(crater.curvature, CURVATURE, calibration, layers)
        changes["crater"] = _rebuilt(crater, curvature=curvature)
    if isinstance(setup.mixing.length_nm, dict):
        lengths = _table(setup.mixing.length_nm, MIXING_LENGTH, calibration, layers)
        changes["mixing"] = _rebuilt(setup.mixing, length_nm=lengths)
    return changes


def _table(
    table: Mapping[str, Quantity],
    kind: str,
    calibration: InstrumentCalibration,
    layers: Sequence[ConcreteLayer],
    channel: str | None = None,
) -> dict[str, Quantity]:
    """A table by layer with calibrated numbers in it."""
    numbers = [
        (calibration.composition_of(number), _quantity(number))
        for number in calibration.number
        if number.kind == kind and number.channel == channel and number.material is not None
    ]
    changed = dict(table)
    for layer in layers:
        key = key_of_layer(table, layer)
        for composition, quantity in numbers:
            if key is not None and same_composition(layer.composition, composition):
                changed[key] = quantity
    return changed


def _with_channels(
    setup: Setup,
    calibration: InstrumentCalibration,
    stack: Stack,
    layers: Sequence[ConcreteLayer],
) -> Any:
    """Sensitivities, backgrounds and what else belongs to channels."""
    channels = setup.detection.channels(stack.elements())
    changed = tuple(_with_numbers(channel, calibration, layers) for channel in channels)
    if changed == channels:
        return setup.detection
    return _rebuilt(setup.detection, channel=changed)


def _with_numbers(
    channel: Channel, calibration: InstrumentCalibration, layers: Sequence[ConcreteLayer]
) -> Channel:
    changes: dict[str, Any] = {}
    mine = [number for number in calibration.number if number.channel == channel.name]
    for number in mine:
        if number.kind in _OF_CHANNEL:
            changes[_OF_CHANNEL[number.kind]] = _quantity(number)
        elif number.material is None and not isinstance(channel.sensitivity, dict):
            changes["sensitivity"] = _quantity(number)
    if any(number.kind == SENSITIVITY and number.material is not None for number in mine):
        known = [calibration.composition_of(n) for n in mine if n.material is not None]
        table = channel.sensitivity
        if not channel.is_written("sensitivity"):
            table = {
                material_name(layer): Quantity.default(1.0)
                for layer in layers
                if any(same_composition(layer.composition, each) for each in known)
            }
        if isinstance(table, dict) and table:
            changes["sensitivity"] = _table(table, SENSITIVITY, calibration, layers, channel.name)
    return _rebuilt(channel, **changes) if changes else channel
