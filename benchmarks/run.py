"""Benchmarks: ratios measured side by side in one run.

Run as ``python benchmarks/run.py [output.json [section ...]]`` from the repository, on an otherwise
idle machine. Sections that are not named keep what the file holds of them, with their load.
The yardstick is a 20-layer stack of 1 um with 5 elements and 2,000 readings.
"""

import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import posterior
from plain_numpy import collected, collected_by_interp, collected_densely
from timing import best_and_median

from craterfront.models.erosion_front import crater
from craterfront.models.erosion_front.roughening import Growth
from craterfront.models.instrument import Instrument
from craterfront.models.layered_sample import LayeredSample
from craterfront.models.quick_engine.engine import run
from craterfront.models.quick_engine.slice_plan import plan
from craterfront.models.resolved_engine import resolved_annuli, resolved_engine
from craterfront.models.resolved_engine.resolved_couplings import Couplings
from craterfront.models.slopes.directions import Directions
from craterfront.models.slopes.engine_slopes import run_with_slopes

REPEATS = 7
G_COLUMNS, U_COLUMNS = 50, 40  # 2,000 columns


def yardstick() -> tuple[LayeredSample, np.ndarray]:
    """20 layers of 50 nm, 5 elements, 2,000 readings."""
    rng = np.random.default_rng(0)
    layers = 20
    sample = LayeredSample(
        thickness_nm=np.full(layers, 50.0),
        width_nm=np.full(layers, 2.0),
        shape=np.zeros(layers, dtype=np.int64),
        material=np.arange(layers + 1),
        atomic_density_per_nm3=rng.uniform(50.0, 90.0, layers + 1),
        rate_nm_s=rng.uniform(5.0, 20.0, layers + 1),
        composition=rng.dirichlet(np.ones(5), layers + 1),
    )
    duration = 1.05 * float(np.sum(sample.thickness_nm / sample.rate_nm_s[:-1]))
    return sample, np.linspace(0.0, duration, 2001)


def instrument(mixing: str, growth: str) -> Instrument:
    """A lamp-like instrument."""
    return Instrument(
        crater=crater.parabolic(0.03),
        mixing=mixing,
        mixing_length_nm=1.5,
        mixing_range_nm=3.0,
        initial_nm=3.0,
        growth=Growth(growth, relative_spread=0.02, grain_nm=50.0),
    )


def lateral_sum() -> list[dict]:
    """The quick engine against plain NumPy on the same slices; no mixing, constant roughness."""
    sample, edges_s = yardstick()
    setup = instrument("none", "none")
    projection = np.zeros((21, 5, 5))
    projection[:, np.arange(5), np.arange(5)] = 1.0

    def quick() -> np.ndarray:
        return run(sample, setup, edges_s, projection).signal

    result = run(sample, setup, edges_s, projection)
    # NumPy is given what the engine computes before the lateral sum, free of charge.
    arrival = result.places[0].arrival
    # One uniform fine grid is what one would write; the engine's own slices are fewer and better.
    slices = np.append(arrival.edges[0], arrival.edges[1:])
    sigma = np.append(arrival.sigma, arrival.sigma[-1])
    from craterfront.models.interfaces.transitions import slice_fractions

    edges_nm = result.edges_nm
    layers = slice_fractions(edges_nm, result.planes_nm, sample.width_nm, sample.shape)
    density = np.eye(21)[sample.material] * sample.atomic_density_per_nm3
    atoms = (layers @ density) * np.diff(edges_nm)[:, None] @ sample.composition
    held = atoms[arrival.source] * arrival.weight[:, None]
    arguments = (slices, sigma, held, 0.015)

    def plain(function: Callable, g: int, u: int) -> np.ndarray:
        return np.diff(function(edges_s, *arguments, g, u), axis=0)

    exact = plain(collected, 400, 120)
    full_scale = exact.max()
    rows = []
    fastest, median = best_and_median(quick, REPEATS)
    rows.append(
        {
            "what": "quick engine, whole simulation",
            "best_s": fastest,
            "median_s": median,
            "error": float(np.abs(quick() - exact).max() / full_scale),
            "ratio": 1.0,
        }
    )
    for name, function in (
        ("plain NumPy, one search for all elements", collected),
        ("plain NumPy, np.interp by element", collected_by_interp),
    ):
        value = plain(function, G_COLUMNS, U_COLUMNS)
        best, middle = best_and_median(
            lambda function=function: plain(function, G_COLUMNS, U_COLUMNS), 3
        )
        rows.append(
            {
                "what": f"{name}, {G_COLUMNS * U_COLUMNS} columns",
                "best_s": best,
                "median_s": middle,
                "error": float(np.abs(value - exact).max() / full_scale),
                "ratio": best / fastest,
            }
        )
    few = 8  # of the 2,000 columns; the rest costs the same
    start = time.perf_counter()
    plain(collected_densely, 4, few // 4)
    dense = (time.perf_counter() - start) * G_COLUMNS * U_COLUMNS / few
    rows.append(
        {
            "what": f"naive dense NumPy (extrapolated from {few} columns)",
            "best_s": dense,
            "median_s": dense,
            "error": None,
            "ratio": dense / fastest,
        }
    )
    return rows


def whole_runs() -> list[dict]:
    """The quick engine with everything switched on."""
    sample, edges_s = yardstick()
    projection = np.zeros((21, 5, 5))
    projection[:, np.arange(5), np.arange(5)] = 1.0
    rows = []
    for mixing, growth in (("uniform", "none"), ("diffusive", "none"), ("diffusive", "grains")):
        setup = instrument(mixing, growth)
        slices = plan(sample, setup, edges_s)
        run(sample, setup, edges_s, projection, slices)
        best, median = best_and_median(lambda s=setup: run(sample, s, edges_s, projection), REPEATS)
        rows.append(
            {
                "what": f"mixing {mixing}, roughness {growth}, {slices.fractions.size} slices",
                "best_s": best,
                "median_s": median,
            }
        )
    return rows


def derivatives() -> list[dict]:
    """Signal and slopes by 20 parameters over the signal: 10 layers, 5 channels, 2,000 times."""
    sample, _ = yardstick()
    layers = 10
    sample = replace(
        sample,
        thickness_nm=sample.thickness_nm[:layers],
        width_nm=sample.width_nm[:layers],
        shape=sample.shape[:layers],
        material=sample.material[: layers + 1],
        atomic_density_per_nm3=sample.atomic_density_per_nm3[: layers + 1],
        rate_nm_s=sample.rate_nm_s[: layers + 1],
        composition=sample.composition[: layers + 1],
    )
    duration = 1.05 * float(np.sum(sample.thickness_nm / sample.rate_nm_s[:-1]))
    edges_s = np.linspace(0.0, duration, 2001)
    projection = np.broadcast_to(np.eye(5), (layers + 1, 5, 5))
    rows = []
    for mixing, growth in (("none", "none"), ("uniform", "none"), ("diffusive", "grains")):
        setup = instrument(mixing, growth)
        slices = plan(sample, setup, edges_s)
        along = twenty_directions(sample, setup, edges_s.size)
        arguments = sample, setup, edges_s, projection, slices

        def signal(arguments: tuple = arguments) -> None:
            run(*arguments)

        def with_slopes(arguments: tuple = arguments, along: Directions = along) -> None:
            run_with_slopes(*arguments, along)

        signal(), with_slopes()
        plain, best = best_and_median(signal, REPEATS)[0], best_and_median(with_slopes, REPEATS)
        rows.append(
            {
                "what": f"slopes by 20 parameters, mixing {mixing}, roughness {growth}",
                "best_s": best[0],
                "median_s": best[1],
                "signal_s": plain,
                "ratio": best[0] / plain,
            }
        )
    return rows


def twenty_directions(sample: LayeredSample, setup: Instrument, times: int) -> Directions:
    """All thicknesses, five widths, two rates, roughness, curvature and mixing length."""
    out = Directions.none(sample, setup, times, 20)
    for layer in range(10):
        out.thickness_nm[layer, layer] = 1.0
    for layer in range(5):
        out.width_nm[layer, 10 + layer] = 1.0
    out.rate_nm_s[0, 15], out.rate_nm_s[1, 16] = 1.0, 1.0
    out.initial_square_nm2[17] = 2.0 * setup.initial_nm
    out.crater[0, :, 18] = 0.5, -0.5, 0.0
    out.crater_square[0, 18] = 2.0 * (setup.crater[0, 0] - setup.crater[0, 1])
    out.mixing_length_nm[19] = 1.0
    return out


def resolved_runs() -> list[dict]:
    """The resolved engine on the yardstick: its time against the number of annuli."""
    sample, edges_s = yardstick()
    projection = np.zeros((21, 5, 5))
    projection[:, np.arange(5), np.arange(5)] = 1.0
    smooth = replace(instrument("diffusive", "none"), initial_nm=0.0)

    def eroded(count: int, couplings: Couplings) -> resolved_engine.Crater:
        annuli = resolved_annuli.parabolic(0.03, count)
        return resolved_engine.run(sample, smooth, annuli, couplings, edges_s, projection)

    eroded(1, Couplings())
    rows = []
    for count, share in ((16, 0.0), (32, 0.0), (64, 0.0), (128, 0.0), (64, 0.45)):
        couplings = Couplings(redeposited_share=share)
        best, median = best_and_median(lambda n=count, c=couplings: eroded(n, c), 2)
        rows.append(
            {
                "what": f"{count} annuli, {share:g} of the atoms redeposited",
                "best_s": best,
                "median_s": median,
                "ratio": best / rows[0]["best_s"] if rows else 1.0,
            }
        )
    return rows


def commands() -> list[dict]:
    """Wall time of whole commands, once compiled."""
    layers = "".join(
        f'[[layer]]\ncomposition = "{metal}"\nthickness_nm = 50.0\nerosion_rate_nm_s = {rate}\n'
        for metal, rate in zip(["Cu", "Ni", "Cr", "Ti"] * 5, range(6, 26), strict=True)
    )
    text = layers + '[substrate]\ncomposition = "Fe"\nerosion_rate_nm_s = 10.0\n'
    text += '[crater]\nshape = "parabolic"\ncurvature = 0.03\n[roughness]\ninitial_nm = 3.0\n'
    text += '[mixing]\nmodel = "diffusive"\nlength_nm = 1.5\nrange_nm = 3.0\n'
    text += "[detection]\nsampling_s = 0.04\nduration_s = 80.0\n"
    rows = []
    program = [sys.executable, "-m", "craterfront"]
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "stack.toml"
        file.write_text(text, encoding="utf-8")
        output = str(Path(folder) / "profile.nc")
        for name, arguments, repeats in (
            ("craterfront --help", ["--help"], 7),
            (
                "craterfront simulate, 20 layers, 2,000 readings",
                ["simulate", str(file), "-o", output, "--quiet"],
                5,
            ),
        ):
            command = [*program, *arguments]
            subprocess.run(command, check=True, capture_output=True, cwd=folder)
            best, median = best_and_median(
                lambda c=command: subprocess.run(c, check=True, capture_output=True, cwd=folder),
                repeats,
            )
            rows.append({"what": name, "best_s": best, "median_s": median})
    return rows


def show(title: str, rows: list[dict]) -> None:
    """Print one table."""
    print(f"\n{title}")
    for row in rows:
        error = row.get("error")
        parts = [
            f"  {row['what']:<62} best {row['best_s']:8.3f} s  median {row['median_s']:8.3f} s"
        ]
        if "ratio" in row:
            parts.append(f"ratio {row['ratio']:7.1f}")
        if error is not None:
            parts.append(f"error {error:.1e}")
        print("  ".join(parts))


SECTIONS: dict[str, Callable[[], list[dict]]] = {
    "lateral sum": lateral_sum,
    "whole runs": whole_runs,
    "derivatives": derivatives,
    "inversion": posterior.fits,
    "posterior": posterior.draws,
    "resolved runs": resolved_runs,
    "commands": commands,
}


def main() -> None:
    """Run all sections or those named; print them, and write them to the file that is named."""
    file, chosen = (Path(sys.argv[1]) if len(sys.argv) > 1 else None), sys.argv[2:] or SECTIONS
    results = json.loads(file.read_text(encoding="utf-8")) if file and file.exists() else {}
    results["machine"] = {
        "python": platform.python_version(),
        "processor": platform.machine(),
        "cores": os.cpu_count(),
    }
    for title in chosen:
        load = os.getloadavg()[0]
        rows = SECTIONS[title]()
        results[title] = {
            "command": f"python benchmarks/run.py benchmarks/speed.json {title!r}",
            "load_before": load,
            "load_after": os.getloadavg()[0],
            "rows": rows,
        }
        show(title, rows)
        if file:
            file.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
