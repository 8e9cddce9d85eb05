"""By how much is the quick engine off? A dozen cases, with all that couples columns in them.

Run as ``python -m studies.resolved_table`` from ``tests``: it prints the Markdown table that stands
in the guide (`simulate/guide/resolved.md`), with the notes that `simulate` gives for each case.
"""

import numpy as np

from craterfront.experiments.experiment import experiment_from_toml
from craterfront.forward_model.assembly import Assembly
from craterfront.forward_model.forward import simulate
from craterfront.forward_model.resolved import recommendations

LAMP = """
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
redeposited_share = {share}
"""

METALS = [("Cu", 60.0), ("Ni", 35.0), ("Cr", 35.0), ("Ti", 20.0)]


def stack(layers, substrate=("Fe", 30.0)):
    """TOML of layers (composition, rate, thickness) on a substrate (composition, rate)."""
    text = ""
    for composition, rate, thickness in layers:
        text += f'[[layer]]\ncomposition = "{composition}"\nthickness_nm = {thickness}\n'
        text += f"erosion_rate_nm_s = {rate}\n"
        text += "conducts = true\ndensity_g_cm3 = 4.0\n" if "O" in composition else ""
    metal, rate = substrate
    return text + f'[substrate]\ncomposition = "{metal}"\nerosion_rate_nm_s = {rate}\n'


def setup(share=0.0, curvature=0.05, crater="", extra="", mixing='"diffusive"'):
    """TOML of a lamp with a crater."""
    shape = crater or f'shape = "parabolic"\ncurvature = {curvature}'
    text = f"{LAMP.format(share=share)}[crater]\n{shape}\n"
    text += f"[mixing]\nmodel = {mixing}\nlength_nm = 2.0\n"
    return text + ("range_nm = 4.0\n" if "diff" in mixing else "") + f"{extra}\n"


def current(**drawn):
    """TOML of relative currents."""
    names = ", ".join(f"{name} = {value}" for name, value in drawn.items())
    return f"[coupling]\nannuli = 24\nrelative_current = {{ {names} }}"


def edge_field(change, depth_nm, width):
    """TOML of an edge field."""
    numbers = f"change = {change}, depth_nm = {depth_nm}, width = {width}"
    return f"[coupling]\nannuli = 24\nedge_field = {{ {numbers} }}"


FEW = "[coupling]\nannuli = 24"
THIN = stack([("Cu", 60.0, 20.0)])
PAIRS = stack([(m, r, 50.0) for m, r in METALS])
THICK = stack([("Ni", 35.0, 2000.0)])
OXIDE = stack([("Al2O3", 5.0, 100.0)], ("Al", 40.0))
RIM = 'shape = "edged"\nedge_share = 0.1\nedge_rate = 0.5'
CASES = {
    "20 nm Cu on Fe, no coupling": THIN + setup(extra=FEW),
    "20 nm Cu on Fe, half redeposited": THIN + setup(0.5, extra=FEW),
    "four metals of 50 nm, half redeposited": PAIRS + setup(0.5, extra=FEW),
    "four metals of 50 nm, curvature 0.3, 0.7 redeposited": PAIRS + setup(0.7, 0.3, extra=FEW),
    "four metals of 50 nm, rim at half the rate, 0.7 redeposited": PAIRS
    + setup(0.7, crater=RIM, extra=FEW),
    "2 µm Ni on Fe, half redeposited": THICK + setup(0.5, extra=FEW, mixing='"uniform"'),
    "100 nm oxide on Al, half redeposited": OXIDE + setup(0.5, extra=FEW),
    "100 nm oxide on Al, curvature 0.3, 0.7 redeposited": OXIDE + setup(0.7, 0.3, extra=FEW),
    "100 nm oxide on Al, Al draws 1.02 of the current": OXIDE + setup(extra=current(Al=1.02)),
    "100 nm oxide on Al, the oxide draws 0.8": OXIDE + setup(extra=current(Al2O3=0.8)),
    "four metals of 50 nm, wall 2 % faster from 1000 nm on": PAIRS
    + setup(extra=edge_field(0.02, 1000.0, 0.05)),
    "2 µm Ni on Fe, wall 30 % faster from 500 nm on": THICK
    + setup(extra=edge_field(0.3, 500.0, 0.05), mixing='"uniform"'),
}


def difference(experiment):
    """Largest difference of a channel and of an arrival between the engines.

    Returns
    -------
    signal : float
        Of the channel's full scale.
    arrival : float
        Of the time at which 99 % of a channel has come, relative to it.
    """
    quick, resolved = (
        simulate(experiment.stack, experiment.setup, seed=0, resolved=flag)["clean"].values
        for flag in (False, True)
    )
    peak = quick.max(axis=1, keepdims=True)
    signal = float(np.max(np.abs(quick - resolved) / peak))
    readings = np.arange(quick.shape[1]) + 1.0
    arrivals = []
    for values in (quick[:-1], resolved[:-1]):  # the last channel is the substrate, without end
        up_to = np.cumsum(values, axis=1)
        arrivals.append(np.array([np.interp(0.99 * row[-1], row, readings) for row in up_to]))
    return signal, float(np.max(np.abs(arrivals[1] / arrivals[0] - 1.0)))


def _percent(share: float) -> str:
    return f"{100 * share:.2g} %" if share >= 1e-5 else "below 0.001 %"


def main() -> None:
    """Print the table."""
    print("| case | signal, of full scale | time of 99 % | note of `simulate` |\n|---|---|---|---|")
    for name, text in CASES.items():
        experiment = experiment_from_toml(text, name)
        signal, arrival = difference(experiment)
        notes = recommendations(Assembly(experiment.stack, experiment.setup))
        said = "; ".join(note.split(":")[0].split(" ", 1)[1] for note in notes) or "none"
        print(f"| {name} | {_percent(signal)} | {_percent(arrival)} | {said} |", flush=True)


if __name__ == "__main__":
    main()
