"""What the checks against outside sources share: how a missing program is treated."""

import importlib
import os
import shutil

import pytest


def find_program(name):
    """Give the path of a program from outside the Python registries.

    On a person's machine a check whose program is missing is skipped and says
    so; on the build machine (environment variable ``CI`` is ``true``) it fails,
    because there a skipped check would go unnoticed.
    """
    found = shutil.which(name)
    if found is not None:
        return found
    message = f"The program {name} is not installed, so this outside check cannot run."
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


@pytest.fixture(scope="session")
def require_program():
    return find_program


@pytest.fixture(scope="session")
def library():
    """Import a large library for the tests that ask it; who only collects them needs none."""
    return importlib.import_module
