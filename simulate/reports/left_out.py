"""What the model leaves out, as the guide says it."""

import re
from importlib.resources import files

_HEADING = "## What the model leaves out"


def left_out() -> list[str]:
    """The points of the guide, as plain text."""
    guide = files("craterfront").joinpath("guide", "theory.md").read_text(encoding="utf-8")
    section = guide.split(_HEADING, 1)[1].split("\n## ", 1)[0]
    points = section.strip().removeprefix("- ").split("\n- ")
    return [_plain(" ".join(point.split())) for point in points]


def _plain(markdown: str) -> str:
    """Without the marks of code and links."""
    return re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", markdown).replace("`", "")
