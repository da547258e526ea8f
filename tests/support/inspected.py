"""Inspections of presets as they are, made once for all tests of a process: seconds each."""

from functools import cache

from vadist.designs.files import load_design
from vadist.inspection.figures import Inspection, inspect_design


@cache
def inspected(name: str) -> Inspection:
    """What is found of a preset; to be read alone."""
    return inspect_design(load_design(name))
