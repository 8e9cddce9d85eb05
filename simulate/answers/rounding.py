"""Numbers rounded to what their uncertainty leaves of them."""

from math import floor, isfinite, log10

_SMALL = 1e-4  # below which a number has more zeros than digits
_LARGE = 1e6  # from which a number without an uncertainty is a power of ten


def rounded(value: float, u: float, *others: float) -> list[str]:
    """Numbers rounded to two significant digits of the uncertainty."""
    if not (isfinite(u) and u > 0):
        return [_with_digits(number, 4) for number in (value, u, *others)]
    digits = max(1 - floor(log10(u)), 0)
    return [f"{number:.{digits}f}" for number in (value, u, *others)]


def in_brackets(value: float, u: float) -> str:
    """A number with its standard uncertainty in units of the last digit in brackets: 2.15(9).

    The notation of the GUM, JCGM 100:2008, 7.2.2; small numbers with a power of ten.

    Examples
    --------
    >>> in_brackets(2.1514, 0.087), in_brackets(120.4, 13.2), in_brackets(3.0, 0.0)
    ('2.15(9)', '120(13)', '3')
    >>> in_brackets(1.78e-5, 2.4e-6)
    '1.8(2)e-5'
    """
    if not (isfinite(u) and u > 0):
        return _with_digits(value, 3)
    largest = max(abs(value), u)
    if largest < _SMALL:
        power = floor(log10(largest))
        return f"{in_brackets(value / 10.0**power, u / 10.0**power)}e{power}"
    first = u / 10.0 ** floor(log10(u))
    digits = (1 if first < 2.0 else 0) - floor(log10(u))
    if digits <= 0:
        return f"{value:.0f}({u:.0f})"
    return f"{value:.{digits}f}({round(u * 10**digits)})"


def _with_digits(number: float, digits: int) -> str:
    """As many significant digits, and all of them before the point."""
    is_whole = 10.0**digits - 0.5 <= abs(number) < _LARGE
    return f"{number:.0f}" if is_whole else f"{number:.{digits}g}"
