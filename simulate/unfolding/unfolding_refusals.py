"""What cannot be unfolded, and what to write or to measure instead."""

import numpy as np

from craterfront.forward_model.assembly import Assembly
from craterfront.measured_files.measured_profile import MeasuredProfile
from craterfront.models.unfolding.linear_unfolding import Unfolded
from craterfront.problems import InputProblems, shown
from craterfront.unfolding.unfolding_channels import (
    is_unknown,
    measured_elements,
    sensitivity_value,
)
from craterfront.unfolding.unfolding_model import UNKNOWN_LN_SD, UnfoldingModel, unknown_instrument

_POORLY_KNOWN = 0.5  # standard uncertainty of the logarithm of a sensitivity


def refuse(assembly: Assembly, profile: MeasuredProfile) -> None:
    """Stop at what needs layers, and at what nothing would fix."""
    setup = assembly.setup
    problems = [
        f"channel {shown(channel.name)} {key}: unfold cannot allow for it; use invert"
        for channel in assembly.channels
        for key in ("self_absorption_nm2_s", "hydrogen_effect")
        if channel.is_written(key)
    ]
    problems += [
        f"channel {shown(c.name)}: has no element, so unfolding cannot tell what it shows; "
        "leave it out"
        for c in assembly.channels
        if c.element is None
    ]
    by_layer = "is given by layer, and unfolding knows no layers; write one number"
    problems += [
        f"channel {shown(c.name)} sensitivity: {by_layer}"
        for c in assembly.channels
        if isinstance(c.sensitivity, dict)
    ]
    problems += [
        f"channel {shown(c.name)} sensitivity: is 0, so it shows nothing; leave it out"
        for c in assembly.channels
        if sensitivity_value(c) == 0
    ]
    if isinstance(setup.mixing.length_nm, dict):
        problems.append(f"mixing length_nm: {by_layer}")
    if assembly.instrument(assembly.nominal).crater.ndim > 2:
        problems.append(f"crater curvature: {by_layer}")
    if profile.values_kind == "mass fraction":
        problems.append("the values are mass fractions; unfold takes intensities or atomic ones")
    problems += [
        f"{p.name}: is left open, and unfolding cannot tell it from the sample; write "
        "{ value = ..., u = ... }"
        for p in unknown_instrument(assembly)
    ]
    problems += [
        f"channel {shown(c.name)} background: cannot be told from a concentration; write "
        "{ value = ..., u = ... }"
        for c in assembly.channels
        if c.background.status == "guess"
    ]
    if not problems:
        problems = _unmeasured(assembly, profile)
    if problems:
        raise InputProblems(problems, profile.source)


def _unmeasured(assembly: Assembly, profile: MeasuredProfile) -> list[str]:
    """Where elements without a channel leave something open."""
    missing = [e for e in assembly.elements if e not in measured_elements(assembly)]
    if len(assembly.elements) == 1:
        return [f"the sample consists of {assembly.elements[0]} alone; nothing is to be unfolded"]
    if not missing:
        return []
    names = ", ".join(missing)
    free = [
        shown(c.name)
        for c in assembly.channels
        if is_unknown(c) and profile.values_kind == "intensity"
    ]
    problems = []
    if free:
        problems.append(
            f"channel {', '.join(free)} sensitivity: not known, and without a channel for {names} "
            "the sum of all fractions does not give it; write { value = ..., u = ... }, or "
            "measure every element"
        )
    preference = assembly.instrument(assembly.nominal).preference
    if preference is not None and np.ptp(preference) > 0:
        problems.append(f"mixing preference: needs a channel for {names}, too")
    return problems


def refuse_thickness(sources: list[str], profile: MeasuredProfile) -> None:
    """Stop where the depth scale rests on a layer alone."""
    if sources == ["a layer of known thickness"]:
        problem = (
            "only a layer of known thickness fixes the depth scale, and unfolding knows no layers; "
            "write erosion_rate_nm_s with its uncertainty"
        )
        raise InputProblems([problem], profile.source)


def require_known_sensitivities(model: UnfoldingModel, posterior: Unfolded) -> None:
    """Stop where neither the file nor the readings tell a sensitivity."""
    u = np.sqrt(np.diag(posterior.nuisance_covariance))
    open_ones = [
        shown(model.assembly.channels[nuisance.index].name)
        for nuisance, own in zip(model.nuisances, u, strict=True)
        if nuisance.kind == "sensitivity" and nuisance.u == UNKNOWN_LN_SD and own > _POORLY_KNOWN
    ]
    if open_ones:
        problem = (
            f"channel {', '.join(open_ones)} sensitivity: not known, and the composition varies "
            "too little for the sum of all fractions to give it; write { value = ..., u = ... }"
        )
        raise InputProblems([problem], model.likelihood.profile.source)
