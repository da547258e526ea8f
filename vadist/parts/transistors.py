"""The NPN transistor."""

import math
from dataclasses import dataclass

from vadist.errors import DesignError
from vadist.parts.limits import require_name, require_positive


@dataclass(frozen=True, slots=True)
class TransistorModel:
    """NPN transistor after Ebers and Moll, transport form.

    Attributes
    ----------
    name : str
        Type, as it is ordered.
    saturation_current_a : float
        Is, amperes, > 0, at 300 K.
    forward_beta, reverse_beta : float
        Current gains, > 0.
    early_voltage_v : float
        Volts, > 0; infinite for none.
    source : str
        Where the numbers come from.

    Notes
    -----
    If = Is (exp(Vbe/Vt) - 1), Ir = Is (exp(Vbc/Vt) - 1), Ic = If - Ir - Ir/Br,
    Ib = If/Bf + Ir/Br. The current gain does not fall at high or low current, and there is no
    charge storage: a boost at about 1 mA and below 20 kHz is far from either.

    References
    ----------
    J. J. Ebers, J. L. Moll, Proceedings of the IRE 42(12), 1954 (from memory, not located).
    """

    name: str
    saturation_current_a: float
    forward_beta: float
    reverse_beta: float
    early_voltage_v: float = math.inf
    source: str = "given by the user"

    def __post_init__(self) -> None:
        require_name(self.name)
        require_positive("saturation_current", self.saturation_current_a, "A")
        require_positive("forward_beta", self.forward_beta, "")
        require_positive("reverse_beta", self.reverse_beta, "")
        if not self.early_voltage_v > 0.0:
            raise DesignError(f"early_voltage must be > 0 V (got {self.early_voltage_v:g})")
