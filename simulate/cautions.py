"""Cautions that stand wherever a source setting is printed."""

CAUTION = (
    "Caution: glow-discharge sources work at hundreds of volts up to over 1 kV DC, or with RF "
    "power, and with compressed argon. Some samples give off toxic dust or gases (Be, Cd, As, Pb, "
    "fluorides). Craterfront recommends no operating point as safe: the instrument's interlocks, "
    "the laboratory's rules, local codes and trained or licensed staff decide."
)

ESTIMATE = "Results are estimates of a model and no certified test report."
