"""Rules for the parameters of a model, told in one form."""

import math
from collections.abc import Sequence

from vadist.errors import DesignError
from vadist.quantities import format_quantity


def require_positive(field: str, value: float, unit: str) -> None:
    """Refuse a parameter that is not finite and > 0."""
    if not value > 0.0:
        raise DesignError(f"{field} must be > 0{_after(unit)} (got {value:g})")
    require_finite(field, value, unit)


def require_not_negative(field: str, value: float, unit: str) -> None:
    """Refuse a parameter that is not finite and >= 0."""
    if not value >= 0.0:
        raise DesignError(f"{field} must be >= 0{_after(unit)} (got {value:g})")
    require_finite(field, value, unit)


def require_finite(field: str, value: float, unit: str) -> None:
    """Refuse a parameter that is infinite or not a number."""
    if not math.isfinite(value):
        raise DesignError(f"{field} must be a finite number{_of(unit)} (got {value:g})")


def require_one_of(field: str, value: str, choices: Sequence[str]) -> None:
    """Refuse a word that is not among a few."""
    if value not in choices:
        raise DesignError(f"{field} must be one of {', '.join(choices)} (got {value!r})")


def require_name(name: str) -> None:
    """Refuse a model nobody could name in a message."""
    if not name.strip():
        raise DesignError(f"name must not be empty (got {name!r})")


def capacitances(**farads: float) -> str:
    """Say those that a model has, behind its other figures.

    >>> capacitances(Cj=4e-12, Cd=0.0)
    ', Cj 4p'
    """
    return "".join(f", {name} {format_quantity(c, 'F')}" for name, c in farads.items() if c > 0.0)


def _after(unit: str) -> str:
    return f" {unit}" if unit else ""


def _of(unit: str) -> str:
    return f" of {unit}" if unit else ""
