"""What the experiment file says of the depth scale."""

from collections.abc import Iterator

from craterfront.notation.quantities import PositiveLength
from craterfront.notation.table import Flag, Mistake, Table
from craterfront.problems import shown


class DepthScale(Table):
    """What fixes the depth scale, besides rates, sensitivities and known layers.

    Parameters
    ----------
    final_crater_depth_nm
        Measured depth of the crater after the profile, the mean over the analysed area [nm], with
        its uncertainty.
    from_yields
        Whether erosion rates from sputter yields count as a depth scale.
    """

    final_crater_depth_nm: PositiveLength | None = None
    from_yields: Flag = False

    def checks(self) -> Iterator[Mistake]:
        depth = self.final_crater_depth_nm
        if depth is not None and depth.status != "prior":
            yield Mistake(
                "final_crater_depth_nm",
                "must have its uncertainty, as a depth scale is as good as what fixes it: write"
                f" {{ value = {shown(depth.value)}, u = ... }}",
            )
