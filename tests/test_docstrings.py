"""Every public name has a docstring with an example, and every example does what it says."""

import doctest
import importlib

import pytest

import reliability


@pytest.mark.parametrize("name", [n for n in reliability.__all__ if n != "__version__"])
def test_example(name):
    thing = getattr(reliability, name)
    if name == "ask":  # the package that answers calls: its example is the function's
        thing = importlib.import_module("reliability.ask.asking").ask
    module = importlib.import_module(thing.__module__)
    found = doctest.DocTestFinder(recurse=False).find(thing, name, globs=dict(vars(module)))
    examples = [e for t in found for e in t.examples]
    assert examples, f"{name} has no example"
    for t in found:
        assert doctest.DocTestRunner(verbose=False).run(t).failed == 0


def test_package_example():
    assert doctest.testmod(reliability).failed == 0
