"""Rules for the parameters of a model, told in one form."""

import math

from vadist.errors import DesignError


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


def require_name(name: str) -> None:
    """Refuse a model nobody could name in a message."""
    if not name.strip():
        raise DesignError(f"name must not be empty (got {name!r})")


def _after(unit: str) -> str:
    return f" {unit}" if unit else ""


def _of(unit: str) -> str:
    return f" of {unit}" if unit else ""
