"""Craterfront: simulate sputtering depth profiles of layered samples and invert measured ones.

``import craterfront as cf`` gives the objects of the experiment file (`Stack`, `Layer`, `Setup`,
...), `load_experiment`, `simulate`, `forecast`, `invert`, `quantify` and `read_profile`. Names are
loaded when they are first used, so that the import itself costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "craterfront.quantification.calibration": (
        "Calibration",
        "calibration_from_toml",
        "load_calibration",
    ),
    "craterfront.experiments.experiment": ("Experiment", "load_experiment", "experiment_from_toml"),
    "craterfront.samples.grading": ("graded",),
    "craterfront.instruments.instrument_calibration": ("calibrate",),
    "craterfront.instruments.instrument_file": (
        "InstrumentCalibration",
        "instrument_from_toml",
        "load_instrument",
        "write_instrument",
    ),
    "craterfront.instruments.instrument_inversion": ("invert_with_instrument",),
    "craterfront.instruments.joint_inversion": ("invert_together",),
    "craterfront.instruments.measurement_chain": ("Measurement",),
    "craterfront.answers.replicates": ("combine_spots",),
    "craterfront.samples.solids": ("Material", "Substrate"),
    "craterfront.samples.layer": ("Layer", "RepeatedLayers"),
    "craterfront.samples.stack": ("Stack",),
    "craterfront.experiments.roughness": ("Heights", "Roughness"),
    "craterfront.experiments.mixing": ("Mixing",),
    "craterfront.experiments.beginning": ("StartUp", "SurfaceTransient"),
    "craterfront.experiments.channel": ("Channel",),
    "craterfront.experiments.detection": ("Detection", "RadialWeight"),
    "craterfront.experiments.noise": ("Flicker", "Noise", "OneOverF"),
    "craterfront.experiments.depth_scale": ("DepthScale",),
    "craterfront.experiments.setup": ("Setup",),
    "craterfront.experiments.source": (
        "GlowDischarge",
        "IonBeam",
        "MeasuredRate",
        "OperatingPoint",
    ),
    "craterfront.experiments.rate_table": ("RateTable", "RelativeRate", "load_rate_table"),
    "craterfront.experiments.operating_points": ("CraterPoint",),
    "craterfront.experiments.coupling": ("Coupling", "EdgeField"),
    "craterfront.experiments.crater_shape": (
        "EdgedCrater",
        "FlatCrater",
        "MeasuredCrater",
        "ParabolicCrater",
        "RasteredCrater",
        "TiltedCrater",
    ),
    "craterfront.experiments.profile_settings": ("ProfileSettings",),
    "craterfront.notation.quantities": ("Quantity",),
    "craterfront.problems": ("InputProblems",),
    "craterfront.forecasts.forecasting": ("Forecast", "forecast"),
    "craterfront.forward_model.forward": ("simulate", "repeat"),
    "craterfront.fitting.inversion": ("Inversion", "invert"),
    "craterfront.quantification.boundaries": ("Boundary",),
    "craterfront.quantification.quantification": ("quantify",),
    "craterfront.measured_files.measured": ("read_profile",),
    "craterfront.measured_files.measured_profile": ("MeasuredProfile",),
    "craterfront.measured_files.files": ("load_profile", "read_dataset", "write_dataset"),
    "craterfront.answers.results": ("Answer", "answer", "estimate_dataset"),
    "craterfront.unfolding.unfolding": ("unfold",),
    "craterfront.unfolding.unfolding_result": ("Unfolding",),
    "craterfront.unfolding.unfolded": ("unfolded_dataset",),
    "craterfront.posterior_sampling.sampled_posterior": ("SampledPosterior", "sample_posterior"),
    "craterfront.posterior_sampling.posterior_tree": (
        "posterior_tree",
        "read_posterior",
        "write_posterior",
    ),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = ["__version__", *sorted(_HOME_OF)]

if TYPE_CHECKING:
    from craterfront.answers.replicates import combine_spots
    from craterfront.answers.results import Answer, answer, estimate_dataset
    from craterfront.experiments.beginning import StartUp, SurfaceTransient
    from craterfront.experiments.channel import Channel
    from craterfront.experiments.coupling import Coupling, EdgeField
    from craterfront.experiments.crater_shape import (
        EdgedCrater,
        FlatCrater,
        MeasuredCrater,
        ParabolicCrater,
        RasteredCrater,
        TiltedCrater,
    )
    from craterfront.experiments.depth_scale import DepthScale
    from craterfront.experiments.detection import Detection, RadialWeight
    from craterfront.experiments.experiment import Experiment, experiment_from_toml, load_experiment
    from craterfront.experiments.mixing import Mixing
    from craterfront.experiments.noise import Flicker, Noise, OneOverF
    from craterfront.experiments.operating_points import CraterPoint
    from craterfront.experiments.profile_settings import ProfileSettings
    from craterfront.experiments.rate_table import RateTable, RelativeRate, load_rate_table
    from craterfront.experiments.roughness import Heights, Roughness
    from craterfront.experiments.setup import Setup
    from craterfront.experiments.source import GlowDischarge, IonBeam, MeasuredRate, OperatingPoint
    from craterfront.fitting.inversion import Inversion, invert
    from craterfront.forecasts.forecasting import Forecast, forecast
    from craterfront.forward_model.forward import repeat, simulate
    from craterfront.instruments.instrument_calibration import calibrate
    from craterfront.instruments.instrument_file import (
        InstrumentCalibration,
        instrument_from_toml,
        load_instrument,
        write_instrument,
    )
    from craterfront.instruments.instrument_inversion import invert_with_instrument
    from craterfront.instruments.joint_inversion import invert_together
    from craterfront.instruments.measurement_chain import Measurement
    from craterfront.measured_files.files import load_profile, read_dataset, write_dataset
    from craterfront.measured_files.measured import read_profile
    from craterfront.measured_files.measured_profile import MeasuredProfile
    from craterfront.notation.quantities import Quantity
    from craterfront.posterior_sampling.posterior_tree import (
        posterior_tree,
        read_posterior,
        write_posterior,
    )
    from craterfront.posterior_sampling.sampled_posterior import SampledPosterior, sample_posterior
    from craterfront.problems import InputProblems
    from craterfront.quantification.boundaries import Boundary
    from craterfront.quantification.calibration import (
        Calibration,
        calibration_from_toml,
        load_calibration,
    )
    from craterfront.quantification.quantification import quantify
    from craterfront.samples.grading import graded
    from craterfront.samples.layer import Layer, RepeatedLayers
    from craterfront.samples.solids import Material, Substrate
    from craterfront.samples.stack import Stack
    from craterfront.unfolding.unfolded import unfolded_dataset
    from craterfront.unfolding.unfolding import unfold
    from craterfront.unfolding.unfolding_result import Unfolding


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        return getattr(import_module(_HOME_OF[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
