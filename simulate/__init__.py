"""Craterfront: simulate sputtering depth profiles of layered samples and invert measured ones.

``import craterfront as cf`` gives the objects of the experiment file (`Stack`, `Layer`, `Setup`,
...), `load_experiment`, `simulate`, `forecast`, `invert`, `quantify` and `read_profile`. Names are
loaded when they are first used, so that the import itself costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "craterfront.calibration": ("Calibration", "calibration_from_toml", "load_calibration"),
    "craterfront.experiment": ("Experiment", "load_experiment", "experiment_from_toml"),
    "craterfront.grading": ("graded",),
    "craterfront.instrument_calibration": ("calibrate",),
    "craterfront.instrument_file": (
        "InstrumentCalibration",
        "instrument_from_toml",
        "load_instrument",
        "write_instrument",
    ),
    "craterfront.instrument_inversion": ("invert_with_instrument",),
    "craterfront.joint_inversion": ("invert_together",),
    "craterfront.measurement_chain": ("Measurement",),
    "craterfront.replicates": ("combine_spots",),
    "craterfront.solids": ("Material", "Substrate"),
    "craterfront.layer": ("Layer", "RepeatedLayers"),
    "craterfront.stack": ("Stack",),
    "craterfront.roughness": ("Heights", "Roughness"),
    "craterfront.mixing": ("Mixing",),
    "craterfront.beginning": ("StartUp", "SurfaceTransient"),
    "craterfront.channel": ("Channel",),
    "craterfront.detection": ("Detection", "RadialWeight"),
    "craterfront.noise": ("Flicker", "Noise", "OneOverF"),
    "craterfront.depth_scale": ("DepthScale",),
    "craterfront.setup": ("Setup",),
    "craterfront.source": ("GlowDischarge", "IonBeam", "MeasuredRate", "OperatingPoint"),
    "craterfront.rate_table": ("RateTable", "RelativeRate", "load_rate_table"),
    "craterfront.operating_points": ("CraterPoint",),
    "craterfront.coupling": ("Coupling", "EdgeField"),
    "craterfront.crater_shape": (
        "EdgedCrater",
        "FlatCrater",
        "MeasuredCrater",
        "ParabolicCrater",
        "RasteredCrater",
        "TiltedCrater",
    ),
    "craterfront.profile_settings": ("ProfileSettings",),
    "craterfront.quantities": ("Quantity",),
    "craterfront.problems": ("InputProblems",),
    "craterfront.forecasting": ("Forecast", "forecast"),
    "craterfront.forward": ("simulate", "repeat"),
    "craterfront.inversion": ("Inversion", "invert"),
    "craterfront.boundaries": ("Boundary",),
    "craterfront.quantification": ("quantify",),
    "craterfront.measured": ("read_profile",),
    "craterfront.measured_profile": ("MeasuredProfile",),
    "craterfront.files": ("load_profile", "read_dataset", "write_dataset"),
    "craterfront.results": ("Answer", "answer", "estimate_dataset"),
    "craterfront.unfolding": ("unfold",),
    "craterfront.unfolding_result": ("Unfolding",),
    "craterfront.unfolded": ("unfolded_dataset",),
    "craterfront.sampled_posterior": ("SampledPosterior", "sample_posterior"),
    "craterfront.posterior_tree": ("posterior_tree", "read_posterior", "write_posterior"),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = ["__version__", *sorted(_HOME_OF)]

if TYPE_CHECKING:
    from craterfront.beginning import StartUp, SurfaceTransient
    from craterfront.boundaries import Boundary
    from craterfront.calibration import Calibration, calibration_from_toml, load_calibration
    from craterfront.channel import Channel
    from craterfront.coupling import Coupling, EdgeField
    from craterfront.crater_shape import (
        EdgedCrater,
        FlatCrater,
        MeasuredCrater,
        ParabolicCrater,
        RasteredCrater,
        TiltedCrater,
    )
    from craterfront.depth_scale import DepthScale
    from craterfront.detection import Detection, RadialWeight
    from craterfront.experiment import Experiment, experiment_from_toml, load_experiment
    from craterfront.files import load_profile, read_dataset, write_dataset
    from craterfront.forecasting import Forecast, forecast
    from craterfront.forward import repeat, simulate
    from craterfront.grading import graded
    from craterfront.instrument_calibration import calibrate
    from craterfront.instrument_file import (
        InstrumentCalibration,
        instrument_from_toml,
        load_instrument,
        write_instrument,
    )
    from craterfront.instrument_inversion import invert_with_instrument
    from craterfront.inversion import Inversion, invert
    from craterfront.joint_inversion import invert_together
    from craterfront.layer import Layer, RepeatedLayers
    from craterfront.measured import read_profile
    from craterfront.measured_profile import MeasuredProfile
    from craterfront.measurement_chain import Measurement
    from craterfront.mixing import Mixing
    from craterfront.noise import Flicker, Noise, OneOverF
    from craterfront.operating_points import CraterPoint
    from craterfront.posterior_tree import posterior_tree, read_posterior, write_posterior
    from craterfront.problems import InputProblems
    from craterfront.profile_settings import ProfileSettings
    from craterfront.quantification import quantify
    from craterfront.quantities import Quantity
    from craterfront.rate_table import RateTable, RelativeRate, load_rate_table
    from craterfront.replicates import combine_spots
    from craterfront.results import Answer, answer, estimate_dataset
    from craterfront.roughness import Heights, Roughness
    from craterfront.sampled_posterior import SampledPosterior, sample_posterior
    from craterfront.setup import Setup
    from craterfront.solids import Material, Substrate
    from craterfront.source import GlowDischarge, IonBeam, MeasuredRate, OperatingPoint
    from craterfront.stack import Stack
    from craterfront.unfolded import unfolded_dataset
    from craterfront.unfolding import unfold
    from craterfront.unfolding_result import Unfolding


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        return getattr(import_module(_HOME_OF[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
