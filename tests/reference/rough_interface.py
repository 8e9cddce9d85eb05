"""An interface beside a roughness that is known in nm, with rates that are not."""

ROUGH = """
[[layer]]
name = "nickel"
composition = "Ni"
thickness_nm = {thickness}
interface_width_nm = {width}
erosion_rate_nm_s = {{ value = 20.0, u_rel = {u_rel} }}
[substrate]
composition = "Fe"
erosion_rate_nm_s = {{ value = 20.0, u_rel = {u_rel} }}
[crater]
shape = "flat"
[roughness]
initial_nm = {{ value = 30.0, u = 0.0 }}
[detection]
sampling_s = 0.1
duration_s = 30.0
[noise]
counts_per_unit_s = {counts}
"""
