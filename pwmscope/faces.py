"""How a package's face imports what is seldom needed, or slow to import, when it is first used."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping


def at_first_use(package: str, homes: Mapping[str, str]) -> Callable[[str], object]:
    """Make the ``__getattr__`` of a package; `homes` has the names that each module holds."""
    home_of = {name: home for home, names in homes.items() for name in names.split()}

    def found(name: str) -> object:
        if name not in home_of:
            raise AttributeError(f"module '{package}' has no attribute '{name}'")
        it: object = getattr(importlib.import_module(f"{package}.{home_of[name]}"), name)
        return it

    return found
