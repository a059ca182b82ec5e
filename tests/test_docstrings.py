"""Public docstrings are in numpy form, checked by numpydoc, and their examples run as doctests."""

import enum
import inspect

import pytest
from numpydoc.validate import validate

import pwmscope

TAKEN = {
    "GL01",  # the summary begins on the first line, as everywhere in the house
    "ES01",  # an extended summary only where there is more to say
    "SA01",  # the reference page stands the names side by side
    "EX01",  # examples are asked for below, of functions
    "RT03",  # a type that says it all needs no words
    "RT02",  # the one value of a tuple may have its name
    "PR06",  # 'str or None' reads as it is meant
    "PR07",  # a parameter that its type explains has no text
    "PR08",  # texts may begin with a literal
    "PR09",  # or end with one
    "SS06",  # a summary of two lines is allowed
    "YD01",
}
"""Checks of numpydoc that the house's form answers otherwise."""


def public_names():
    names = [f"pwmscope.{name}" for name in pwmscope.__all__ if name != "plot"]
    names += [f"pwmscope.plot.{name}" for name in dir(pwmscope.plot)]
    for name in list(names):
        found = resolve(name)
        if inspect.isclass(found):
            names += [
                f"{name}.{member}"
                for member, value in vars(found).items()
                if not member.startswith("_")
                and (inspect.isfunction(value) or isinstance(value, classmethod))
            ]
    return [name for name in names if callable(resolve(name))]


def resolve(name):
    found = pwmscope
    for part in name.split(".")[1:]:
        found = getattr(found, part)
    return found


NAMES = public_names()


@pytest.mark.parametrize("name", NAMES)
def test_a_public_docstring_is_in_numpy_form(name):
    found = resolve(name)
    is_enum = inspect.isclass(found) and issubclass(found, enum.Enum)
    taken = TAKEN | ({"PR01"} if is_enum else set())
    wrong = [f"{code}: {text}" for code, text in validate(name)["errors"] if code not in taken]
    assert wrong == []


@pytest.mark.parametrize(
    "name", [name for name in NAMES if inspect.isfunction(resolve(name)) and name.count(".") < 3]
)
def test_a_public_function_has_an_example(name):
    found = resolve(name)
    is_method = name.rpartition(".")[0] not in ("pwmscope", "pwmscope.plot")
    assert is_method or ">>>" in (inspect.getdoc(found) or ""), name
