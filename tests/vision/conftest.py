"""Fixtures of the measuring core's tests."""

import importlib.util
import pathlib
import sys

import pytest


@pytest.fixture(scope="session")
def blades():
    """The simulator beside this file (tests are no package, so it is loaded by its path)."""
    name = "tests_vision_blades"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, pathlib.Path(__file__).with_name("blades.py"))
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]
