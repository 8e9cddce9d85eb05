"""What a file asks of an inversion: limits, case depths, diffusion, enrichment."""

import io

import pytest
from rich.console import Console

from craterfront.experiments.experiment import (
    experiment_from_dict,
    experiment_from_toml,
    experiment_to_dict,
)
from craterfront.problems import InputProblems
from craterfront.reports.report import print_asked

FILE = """
[[layer]]
name = "zinc"
composition = "Zn"
thickness_nm = 9000.0
erosion_rate_nm_s = 30.0
{zinc}
[[layer]]
name = "alloy"
composition = "FeZn7"
density_g_cm3 = 7.2
thickness_nm = 1000.0
erosion_rate_nm_s = 25.0
{alloy}
[substrate]
composition = "Fe"
erosion_rate_nm_s = 15.0
{more}
"""


def asking(zinc="", alloy="", more=""):
    return experiment_from_toml(FILE.format(zinc=zinc, alloy=alloy, more=more), "coating.toml")


def test_a_file_says_what_it_asks():
    experiment = asking(
        "limit = { areal_mass_g_m2_min = 60.0, thickness_nm_max = 2e4, probability = 0.9 }",
        'diffusion_time_s = 100.0\nenrichment = ["Fe"]',
        "[[limit]]\nareal_mass_g_m2_min = 70.0\n[[limit]]\nlayers = ['zinc', 'alloy']\n"
        "thickness_nm_min = 5.0\n[[case_depth]]\nelement = 'Zn'\nmass_fraction = 0.5",
    )
    assert list(experiment.asked()) == [
        ("decision: at most 20000 nm, at least 60 g/m2, with 90 %", 'layer[1] "zinc"'),
        ("diffusion length and diffusivity", 'layer[2] "alloy"'),
        ("excess of Fe", 'layer[2] "alloy"'),
        ("decision: at least 70 g/m2, with 95 %", "all layers"),
        ("decision: at least 5 nm, with 95 %", "zinc + alloy"),
        ("case depth", "Zn, mass fraction 0.5"),
    ]
    assert experiment_from_dict(experiment_to_dict(experiment)) == experiment


def test_the_explanation_lists_what_is_asked():
    text = io.StringIO()
    console = Console(file=text, width=120)
    print_asked(asking(), console)
    assert text.getvalue() == ""
    print_asked(asking("limit = { areal_mass_g_m2_min = 60.0 }"), console)
    assert 'decision: at least 60 g/m2, with 95 % │ layer[1] "zinc"' in text.getvalue()


@pytest.mark.parametrize(
    ("written", "mistake"),
    [
        ({"zinc": "limit = { }"}, 'layer[1] "zinc".limit: needs a limit'),
        (
            {"zinc": "limit = { areal_mass_g_m2_mn = 3.0 }"},
            'layer[1] "zinc".limit areal_mass_g_m2_mn: unknown key; did you mean',
        ),
        (
            {"zinc": "limit = { thickness_nm_min = -3.0 }"},
            'layer[1] "zinc".limit thickness_nm_min: must be > 0, got -3',
        ),
        (
            {"zinc": "limit = { thickness_nm_min = 9.0, thickness_nm_max = 8.0 }"},
            "thickness_nm_min: must be below thickness_nm_max, 8, got 9",
        ),
        (
            {"zinc": "limit = { thickness_nm_min = 9.0, probability = 0.3 }"},
            "probability: must be above 0.5 and below 1, got 0.3",
        ),
        (
            {"more": "[[limit]]\nlayers = ['zink', 'alloy']\nthickness_nm_min = 9.0"},
            'limit[1] layers: "zink" is no layer above the substrate; did you mean zinc?',
        ),
        (
            {"more": "[[limit]]\nlayers = ['zinc']\nthickness_nm_min = 9.0"},
            "limit[1] layers: needs several names",
        ),
        (
            {"more": "[[limit]]\nlayers = ['zinc', 'zinc']\nthickness_nm_min = 9.0"},
            "limit[1] layers: names a layer twice",
        ),
        (
            {"more": "[[case_depth]]\nelement = 'Zn'"},
            'case_depth[1] "Zn": needs one of mass_fraction and atomic_fraction, got none',
        ),
        (
            {"more": "[[case_depth]]\nelement = 'Fe'\nmass_fraction = 0.5"},
            'case_depth[1] "Fe" mass_fraction: must be above that of the substrate, 1, got 0.5',
        ),
        (
            {"more": "[[case_depth]]\nelement = 'Cr'\natomic_fraction = 0.5"},
            "atomic_fraction: must be below the most in any layer, 0, got 0.5",
        ),
        (
            {"zinc": "diffusion_time_s = { guess = 5.0 }"},
            "diffusion_time_s: cannot be a guess",
        ),
        (
            {"zinc": 'diffusion_time_s = 5.0\ninterface_shape = "linear"'},
            "diffusion_time_s: goes with interface_shape =",
        ),
        ({"zinc": 'enrichment = ["Fe"]'}, "enrichment: Fe is not in this layer"),
    ],
)
def test_mistakes_are_named_with_place_and_value(written, mistake):
    with pytest.raises(InputProblems) as problems:
        asking(**written)
    assert mistake in str(problems.value)
