"""What the tests of the commands share: files to work on, command lines, looks at what came."""

import re
from pathlib import Path

SAMPLE = """
[[layer]]
name = "coat"
composition = "Cu"
thickness_nm = 60.0
interface_width_nm = 4.0
erosion_rate_nm_s = {rate}
[substrate]
composition = "Al"
erosion_rate_nm_s = {substrate}
[roughness]
initial_nm = {{ value = 0.0, u = 0 }}
[detection]
sampling_s = 0.02
duration_s = 4.0
[noise]
counts_per_unit_s = 20.0
"""
GOOD = SAMPLE.format(rate=20.0, substrate=16.0)
UNSCALED = SAMPLE.format(rate="{ guess = 20.0 }", substrate="{ guess = 16.0 }")
LAMP = """
[source]
kind = "glow discharge"
voltage_V = 700.0
current_mA = 20.0
anode_diameter_mm = 4.0
"""
LINES = """
area_mm2 = 12.5
[element.Cu]
intensity_per_ug_s = { value = 100.0, u_rel = 0.02 }
[element.Al]
intensity_per_ug_s = { value = 300.0, u_rel = 0.02 }
[noise]
counts_per_unit_s = 20.0
"""
PRECIOUS = b"what was measured last year"

TEXTS = {
    "good.toml": GOOD,
    "unscaled.toml": UNSCALED,
    "lamp.toml": GOOD + LAMP,
    "bad.toml": GOOD.replace("60.0", "-60.0").replace('"Al"', '"Xx"'),
    "syntax.toml": "title = 'one'\n[[layer]\n",
    "tin.toml": GOOD.replace('"Al"', '"Sn"'),
    "fast.toml": GOOD.replace("0.02", "1e-7"),
    "lines.toml": LINES,
    "gas.toml": LINES.replace("Al", "N").replace("12.5", "-12.5"),
    "empty.txt": "",
    "columns.txt": "time,Cu\n1,2\n2,3\n",
    "cells.txt": "time,Cu,Al\n1,2,3\n2,3,many\n3,4,5\n4,6,7\n",
    "points.txt": "Data Point #,B\n1,2\n2,x\n3,4\n4,5\n",
    "backwards.txt": "time,Cu,Al\n1,2,3\n2,3,4\n1.5,3,4\n",
}

INVERT = ("invert", "profile.nc", "-e", "good.toml")


def plain(text: str) -> str:
    """Without line breaks and the frames of tables."""
    return " ".join(re.sub("[│┃┏┓┗┛┌┐└┘├┤┡┩╇┳┴━─]", " ", text).split())


def contents(folder: Path) -> dict[str, bytes | None]:
    """Every file of a folder by its name; None for a folder in it."""
    return {p.name: p.read_bytes() if p.is_file() else None for p in folder.rglob("*")}
