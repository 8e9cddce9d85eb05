"""A sampled posterior as an xarray DataTree in netCDF, as ArviZ opens it."""

import json
import os
import re
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront import __version__
from craterfront.experiments.experiment import experiment_to_dict
from craterfront.file_access import write_whole
from craterfront.measured_files.files import MOST_BYTES
from craterfront.posterior_sampling.sampled_posterior import SampledPosterior
from craterfront.problems import InputProblems

if TYPE_CHECKING:
    import xarray

GROUPS = ("posterior", "sample_stats", "observed_data", "posterior_predictive", "log_likelihood")


def posterior_tree(sampled: SampledPosterior) -> "xarray.DataTree":
    """All draws with what they predict, one group for each, dimensions chain and draw first.

    Groups are posterior (one variable for each number, named after it), sample_stats,
    observed_data, posterior_predictive and log_likelihood; the last two with every so many draws.
    """
    import xarray as xr

    likelihood = sampled.inversion.likelihood
    chains, draws = sampled.sample.log_density.shape
    every = {"chain": np.arange(chains), "draw": np.arange(draws)}
    some = {"chain": every["chain"], "draw": every["draw"][:: sampled.thinning]}
    axis = likelihood.profile.axis
    readings = {
        "channel": [channel.name for channel in likelihood.assembly.channels],
        axis: (axis, likelihood.axis_values, {"units": "s" if axis == "time" else "nm"}),
    }
    of_readings = ("channel", axis)
    variables = {
        name: (
            ("chain", "draw"),
            number.draws,
            {
                "units": number.unit or "1",
                "long_name": number.name,
                "r_hat": number.r_hat,
                "ess_bulk": number.bulk,
                "ess_tail": number.tail,
            },
        )
        for name, number in zip(variable_names(sampled), sampled.numbers, strict=True)
    }
    density = {"units": "1", "long_name": "logarithm of the posterior density, up to a constant"}
    observed = {
        "units": "1",
        "long_name": "measured values, corrected for the dead time where there is one",
    }
    predicted = {"units": "1", "long_name": "readings with noise that the draws predict"}
    likelihoods = {
        "units": "1",
        "long_name": "logarithm of the likelihood of each reading, up to a constant of its own",
    }
    in_draws = ("chain", "draw", *of_readings)
    datasets = {
        "posterior": xr.Dataset(variables, every),
        "sample_stats": xr.Dataset(
            {"lp": (("chain", "draw"), sampled.sample.log_density, density)}, every
        ),
        "observed_data": xr.Dataset(
            {"reading": (of_readings, likelihood.values, observed)}, readings
        ),
        "posterior_predictive": xr.Dataset(
            {"reading": (in_draws, sampled.predicted, predicted)}, {**some, **readings}
        ),
        "log_likelihood": xr.Dataset(
            {"reading": (in_draws, sampled.log_likelihood, likelihoods)}, {**some, **readings}
        ),
    }
    attributes = _attributes(sampled)
    datasets["posterior"].attrs.update(attributes)
    tree = xr.DataTree.from_dict(datasets)
    tree.attrs.update(
        attributes,
        experiment=json.dumps(experiment_to_dict(sampled.inversion.experiment)),
        source=sampled.inversion.profile.source,
    )
    return tree


def variable_names(sampled: SampledPosterior) -> list[str]:
    """Names of the numbers with nothing but letters, digits and underscores, each once."""
    names: list[str] = []
    for number in sampled.numbers:
        plain = name = re.sub(r"\W+", "_", number.name).strip("_")
        count = 1
        while name in names:
            count += 1
            name = f"{plain}_{count}"
        names.append(name)
    return names


def _attributes(sampled: SampledPosterior) -> dict[str, Any]:
    found = sampled.sample
    return {
        "craterfront_version": __version__,
        "inference_library": "craterfront",
        "inference_library_version": __version__,
        "method": found.method,
        "seed": sampled.seed,
        "evaluations": found.evaluations,
        "pareto_k": found.pareto_k,
        "r_hat": max((n.r_hat for n in sampled.numbers), default=1.0),
        "ess": min((min(n.bulk, n.tail) for n in sampled.numbers), default=found.effective),
        "doubts": "\n".join(sampled.doubts()),
        "warnings": "\n".join(sampled.warnings()),
    }


def write_posterior(tree: "xarray.DataTree", path: str | os.PathLike[str]) -> None:
    """Write a tree as netCDF-4 with groups, whole or not at all."""
    write_whole(path, lambda place: tree.to_netcdf(place, engine="h5netcdf"))


def read_posterior(path: str | os.PathLike[str]) -> "xarray.DataTree":
    """Read a tree into memory.

    Raises
    ------
    InputProblems
        For a file that is missing, unreadable or damaged, or holds no posterior.
    """
    import xarray as xr

    try:
        with xr.open_datatree(path, engine="h5netcdf", decode_timedelta=False) as opened:
            if opened.nbytes > MOST_BYTES:
                problem = f"holds {opened.nbytes / 1e6:.0f} MB of numbers"
                raise InputProblems([f"{problem}, at most {MOST_BYTES / 1e6:.0f} MB"], str(path))
            tree = opened.load()
    except (OSError, ValueError, KeyError, TypeError, RuntimeError) as error:
        first = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputProblems([f"cannot be read as netCDF: {first[:200]}"], str(path)) from None
    missing = [group for group in GROUPS if group not in tree.children]
    if missing:
        raise InputProblems([f"has no group {', '.join(missing)}"], str(path))
    return tree
