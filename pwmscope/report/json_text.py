"""The JSON text of every command: one way to write it."""

from __future__ import annotations

import json
from collections.abc import Mapping

Json = Mapping[str, "Json"] | list["Json"] | str | float | int | bool | None


def json_text(data: Mapping[str, Json]) -> str:
    """Write plain data as JSON text, two spaces deep, ending in a line break.

    Parameters
    ----------
    data : dict
        Only dicts, lists, strings, finite numbers, booleans and None.

    Raises
    ------
    ValueError
        If a number is not finite, which would be a fault of pwmscope's own.

    Examples
    --------
    >>> print(json_text({"width_us": 1500.0}), end="")
    {
      "width_us": 1500.0
    }
    """
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
