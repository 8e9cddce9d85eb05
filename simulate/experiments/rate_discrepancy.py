"""By what rates may be off in one measurement, without a sign of it in the residuals."""

from craterfront.notation.quantities import Quantity, RelativeDeviation
from craterfront.notation.table import Table


class Discrepancy(Table):
    """By what the model itself may be wrong, besides what its residuals show.

    Parameters
    ----------
    rate_u_rel
        Relative standard uncertainty of the rate of each layer in this very measurement, beside
        that of its material: a current or a redeposition that goes by the surface rescales it, and
        a fit is none the worse.
    """

    rate_u_rel: RelativeDeviation = Quantity.default(0.0)
