"""Fixtures of the measuring core's tests."""

import importlib.util
import pathlib
import sys

import pytest

from vision.threads import one_blas_thread


def _beside(stem):
    """A helper module beside this file (tests are no package, so it is loaded by its path)."""
    name = f"tests_vision_{stem}"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, pathlib.Path(__file__).with_name(f"{stem}.py"))
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def blades():
    """The simulator of blades without pictures. Thousands of small matrices: BLAS on one thread, as `vision.measure.conclude` has it."""
    with one_blas_thread():
        return _beside("blades")


@pytest.fixture(scope="session")
def hopeless():
    """Drawn photos that hold no measurement, and the canvas they are drawn on."""
    return _beside("hopeless")


@pytest.fixture(scope="session")
def drawn():
    """`Drawn`: photos painted from their geometry."""
    return _beside("drawn").Drawn
