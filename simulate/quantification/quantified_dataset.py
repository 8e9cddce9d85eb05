"""A quantified profile as a dataset, and as plain numbers."""

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from craterfront.models.detection.sum_normalisation import Estimates, Gradient, SumNormalisation
from craterfront.quantification.spans import Span

if TYPE_CHECKING:
    import xarray

_MEANINGS = {
    "composition_mass": ("1", "mass fraction"),
    "composition": ("1", "atomic fraction"),
    "depth": ("nm", "depth, middle of the reading"),
    "mass_rate": ("ug/s", "sputtered mass per time"),
    "density": ("g/cm3", "density by the mixing rule"),
    "erosion_rate": ("nm/s", "erosion rate"),
    "areal_mass": ("g/m2", "mass per area of an element from the surface to the reading"),
    "areal_mass_total": ("g/m2", "mass per area from the surface to the reading"),
    "span_start": ("s", "time at which a span begins"),
    "span_end": ("s", "time at which a span ends"),
    "span_thickness": ("nm", "thickness of a span"),
    "span_areal_mass": ("g/m2", "mass per area of an element in a span"),
    "span_areal_mass_total": ("g/m2", "mass per area of a span"),
    "time": ("s", "time, middle of the reading"),
    "element": ("1", "element"),
    "span": ("1", "part of the profile between two boundaries"),
}


def quantified_dataset(
    time: np.ndarray,
    elements: list[str],
    normalisation: SumNormalisation,
    spans: list[Span],
    start_s: float,
) -> "xarray.Dataset":
    """All numbers with their units and meanings.

    Parameters
    ----------
    time : ndarray, shape (T,)
        Middles of the readings [s].
    elements : list of str
    normalisation : SumNormalisation
    spans : list of Span
    start_s : float
        Where the first reading begins [s].
    """
    import xarray as xr

    found = normalisation.readings()

    def estimates(gradients: list[Gradient]) -> Estimates:
        values = np.array([g.value for g in gradients])
        return Estimates(values, np.array([normalisation.u(g) for g in gradients]))

    rows = [estimates(span.masses) for span in spans]
    by_element = Estimates(np.array([r.value for r in rows]), np.array([r.u for r in rows]))
    variables: dict[str, tuple[Any, Estimates]] = {
        "composition_mass": (("element", "time"), found.mass_fraction),
        "composition": (("element", "time"), found.atomic_fraction),
        "depth": ("time", found.depth_nm),
        "mass_rate": ("time", found.mass_rate_ug_s),
        "density": ("time", found.density_g_cm3),
        "areal_mass": (("element", "time"), found.areal_mass_g_m2),
        "areal_mass_total": ("time", found.total_areal_mass_g_m2),
        "span_thickness": ("span", estimates([span.thickness for span in spans])),
        "span_areal_mass": (("span", "element"), by_element),
        "span_areal_mass_total": ("span", estimates([span.total_mass for span in spans])),
    }
    values = {name: (dims, e.value) for name, (dims, e) in variables.items()}
    values |= {f"{name}_u": (dims, e.u) for name, (dims, e) in variables.items()}
    values["erosion_rate"] = ("time", found.erosion_rate_nm_s)
    values["span_start"] = ("span", np.array([span.start.at_s for span in spans]) + start_s)
    values["span_end"] = ("span", np.array([span.end.at_s for span in spans]) + start_s)
    coords = {"time": time, "element": elements, "span": [span.name for span in spans]}
    return _described(xr.Dataset(values, coords=coords).set_coords("depth"))


def _described(dataset: "xarray.Dataset") -> "xarray.Dataset":
    """With unit and long name of every variable."""
    for name in dataset.variables:
        units, meaning = _MEANINGS[str(name).removesuffix("_u")]
        what = f"standard uncertainty: {meaning}" if str(name).endswith("_u") else meaning
        dataset[name].attrs.update(units=units, long_name=what)
    return dataset


def span_rows(dataset: "xarray.Dataset") -> list[dict[str, Any]]:
    """The spans of a quantified profile as plain numbers for tables and JSON."""
    rows = []
    for n, name in enumerate(dataset["span"].values):
        span = dataset.isel(span=n)
        masses = {
            str(symbol): {
                "areal_mass_g_m2": float(span["span_areal_mass"][i]),
                "areal_mass_u_g_m2": float(span["span_areal_mass_u"][i]),
            }
            for i, symbol in enumerate(dataset["element"].values)
        }
        rows.append(
            {
                "span": str(name),
                "start_s": float(span["span_start"]),
                "end_s": float(span["span_end"]),
                "thickness_nm": float(span["span_thickness"]),
                "thickness_u_nm": float(span["span_thickness_u"]),
                "areal_mass_g_m2": float(span["span_areal_mass_total"]),
                "areal_mass_u_g_m2": float(span["span_areal_mass_total_u"]),
                "elements": masses,
            }
        )
    return rows


def answer_as_dict(dataset: "xarray.Dataset") -> dict[str, Any]:
    """What the command line prints as JSON: plain numbers, strings and lists."""
    return {
        "craterfront_version": dataset.attrs["craterfront_version"],
        "notes": [line for line in dataset.attrs["notes"].split("\n") if line],
        "constants": json.loads(dataset.attrs["constants"]),
        "spans": span_rows(dataset),
    }
