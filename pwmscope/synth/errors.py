"""The error for a script that cannot be built, and the range check that raises it."""

from __future__ import annotations

import math

from pwmscope.errors import PwmscopeError


class ScriptError(PwmscopeError):
    """A script asks for something that cannot be built.

    Parameters
    ----------
    key : str
        The key, as the script names it.
    value : object
        What stands there.
    allowed : str
        What may stand there, as it reads after the word "expected".
    place : str, optional
        The file and table that hold the key.

    Examples
    --------
    >>> print(ScriptError("period_us", -3, "a number above 0", place="a.toml, frame"))
    a.toml, frame, period_us: the value is -3, expected a number above 0.
    """

    def __init__(self, key: str, value: object, allowed: str, *, place: str = "") -> None:
        where = f"{place}, {key}" if place else key
        shown = "missing" if value is None else repr(value)
        super().__init__(f"{where}: the value is {shown}, expected {allowed}.")
        self.key = key
        self.value = value
        self.allowed = allowed

    def within(self, place: str) -> ScriptError:
        """Return the same error with the place it was found in."""
        return ScriptError(self.key, self.value, self.allowed, place=place)


def require(
    key: str,
    value: float,
    *,
    above: float | None = None,
    least: float | None = None,
    most: float | None = None,
) -> None:
    """Check that a number is finite and in its range.

    Parameters
    ----------
    key : str
        The key, for the message.
    value : float
        The number.
    above : float, optional
        It must be greater than this.
    least, most : float, optional
        It must be at least, at most this.

    Raises
    ------
    ScriptError
        If it is not.

    Examples
    --------
    >>> require("jitter_us", 0.5, least=0)
    """
    bounds: list[str] = []
    good = math.isfinite(value)
    if above is not None:
        bounds.append(f"above {above:g}")
        good = good and value > above
    if least is not None:
        bounds.append(f"at least {least:g}")
        good = good and value >= least
    if most is not None:
        bounds.append(f"at most {most:g}")
        good = good and value <= most
    if not good:
        raise ScriptError(key, value, f"a number {' and '.join(bounds)}".strip())
