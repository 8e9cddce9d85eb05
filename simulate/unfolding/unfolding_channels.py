"""What the channels of an unfolding show, and what the file says of their sensitivities."""

from craterfront.experiments.channel import Channel
from craterfront.forward_model.assembly import Assembly
from craterfront.notation.parameters import is_free
from craterfront.notation.quantities import Quantity


def measured_elements(assembly: Assembly) -> list[str]:
    """Elements that some channel shows, in the order of the sample."""
    seen = {c.element for c in assembly.channels}
    seen |= {e for c in assembly.channels for e in c.interference}
    return [e for e in assembly.elements if e in seen]


def is_unknown(channel: Channel) -> bool:
    """Whether the file says nothing of the one sensitivity of a channel."""
    quantity = channel.sensitivity
    return isinstance(quantity, Quantity) and quantity.u is None and is_free(quantity)


def sensitivity_value(channel: Channel) -> float:
    """The one sensitivity of a channel; 1 where it has several."""
    quantity = channel.sensitivity
    return quantity.value if isinstance(quantity, Quantity) else 1.0
