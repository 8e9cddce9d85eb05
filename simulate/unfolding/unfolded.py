"""What unfolding found: a dataset, and a short answer for people and programs."""

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront import __version__
from craterfront.experiments.experiment import experiment_to_dict
from craterfront.forward_model.forward import by_mass
from craterfront.unfolding.unfolding_result import METHOD, REST, Unfolding

if TYPE_CHECKING:
    import xarray

RESOLUTION_MEANS = "two standard deviations; a sharp edge looks as wide from 16 to 84 %"

_DESCRIPTIONS = {
    "channel": ("name of the channel", "1"),
    "element": ("symbol of the element; rest for all without a channel", "1"),
    "depth": ("depth below the original surface, middle of the cell", "nm"),
    "depth_u": ("standard uncertainty of the depth scale, common to what is above", "nm"),
    "cell_thickness": ("thickness of the cell", "nm"),
    "composition": ("atomic fraction", "1"),
    "composition_u": ("standard uncertainty of the atomic fraction at this depth scale", "1"),
    "composition_u_readings": (
        "part of it from noise and smoothness alone, with sensitivities, rates and instrument held",
        "1",
    ),
    "composition_lo": ("lower end of the band that holds 95 % in the mean over the depth", "1"),
    "composition_hi": ("upper end of the band that holds 95 % in the mean over the depth", "1"),
    "composition_mass": ("mass fraction", "1"),
    "effective_resolution": (f"effective resolution: {RESOLUTION_MEANS}", "nm"),
    "as_steep_as_resolution": (
        "1 where the composition is as steep as a sharp edge would look",
        "1",
    ),
    "measured": ("measured values, corrected for the dead time where there is one", "1"),
    "fit": ("unfolded composition, folded again", "1"),
    "residual": ("deviation from the fit over the standard deviation of the noise", "1"),
}


def unfolded_dataset(found: Unfolding) -> "xarray.Dataset":
    """Composition with its band and resolution, fit and residuals, ready to be written."""
    import xarray as xr

    likelihood = found.model.likelihood
    axis = likelihood.profile.axis
    reading = "time" if axis == "time" else "reading_depth"
    low, high = found.band()
    by_cell, by_reading = ("element", "depth"), ("channel", reading)
    variables = {
        "composition": (by_cell, found.fractions),
        "composition_u": (by_cell, found.standard_uncertainty()),
        "composition_u_readings": (by_cell, found.standard_uncertainty(nuisances=False)),
        "composition_lo": (by_cell, low),
        "composition_hi": (by_cell, high),
        "effective_resolution": (by_cell, found.resolution_nm),
        "as_steep_as_resolution": (by_cell, _steep_cells(found)),
        "depth_u": ("depth", found.depth_u_nm),
        "cell_thickness": ("depth", np.diff(found.depth_edges_nm)),
        "measured": (by_reading, likelihood.values),
        "fit": (by_reading, found.fitted),
        "residual": (by_reading, found.residual),
    }
    if REST not in found.elements:
        variables["composition_mass"] = (by_cell, by_mass(found.fractions, found.elements))
    dataset = xr.Dataset(
        variables,
        coords={
            "channel": [c.name for c in found.model.assembly.channels],
            reading: likelihood.axis_values,
            "element": found.elements,
            "depth": found.depth_nm,
        },
        attrs={
            "craterfront_version": __version__,
            "answer": json.dumps(answer_as_dict(found)),
            "experiment": json.dumps(experiment_to_dict(found.experiment)),
            "source": likelihood.profile.source,
            "notes": "\n".join([*likelihood.profile.notes, *found.warnings]),
        },
    )
    unit = "s" if axis == "time" else "nm"
    dataset[reading].attrs.update(units=unit, long_name=f"{axis} of the reading")
    for name, (long_name, units) in _DESCRIPTIONS.items():
        if name in dataset.variables:
            dataset[name].attrs.update(long_name=long_name, units=units)
    return dataset


def _steep_cells(found: Unfolding) -> np.ndarray:
    """1 within what is as steep as the resolution, shape (E, K)."""
    edges = found.depth_edges_nm
    marked = np.zeros(found.fractions.shape, dtype=np.int8)
    for row, element in zip(marked, found.elements, strict=True):
        for part in found.steep[element]:
            row[(edges[1:] > part.start_nm) & (edges[:-1] < part.end_nm)] = 1
    return marked


def answer_as_dict(found: Unfolding) -> dict[str, Any]:
    """What the table and `--json` show."""
    low, high = found.band()
    freedom = found.posterior.degrees_of_freedom()
    cell_nm = float(np.mean(np.diff(found.depth_edges_nm)))
    amplitude = [float(a) for a in found.amplitude]
    elements = [
        {
            "element": element,
            "fraction_from": float(found.fractions[e].min()),
            "fraction_to": float(found.fractions[e].max()),
            "band_half_width": float(0.5 * np.mean(high[e] - low[e])),
            "resolution_from_nm": float(found.resolution_nm[e].min()),
            "resolution_to_nm": float(found.resolution_nm[e].max()),
            "degrees_of_freedom": float(freedom[e]),
            "prior_amplitude": amplitude[e] if e < len(amplitude) else None,
        }
        for e, element in enumerate(found.elements)
    ]
    return {
        "method": METHOD,
        "prior": found.smoothness.law,
        "prior_length_nm": found.smoothness.length_cells * cell_nm,
        "depth_nm": float(found.depth_edges_nm[-1]),
        "depth_u_nm": float(found.depth_u_nm[-1]),
        "depth_scale_from": found.scale_sources,
        "elements": elements,
        "deviations": [
            {
                "name": each.name,
                "prior_u": each.prior_u,
                "value": each.value,
                "u": each.u,
                "value_in_prior_u": each.in_prior_u,
            }
            for each in found.deviations()
        ],
        "warnings": found.warnings,
    }
