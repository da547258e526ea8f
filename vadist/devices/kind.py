"""What the package needs to know of a kind of device.

A device is a law between *control voltages* and *port currents*, both counted from where it
rests: so no digit is lost in a quiet passage, whatever precision a kernel steps in. To add a kind,
write one file with its law and its :class:`DeviceKind`, name it in ``vadist.devices``, and give
:class:`~vadist.circuits.network.Network` a method that places it. Nothing else knows kinds by
name.
"""

import inspect
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

GROUND = "ground"
"""Terminal of a law that is measured against ground without being connected to it."""

STEP_IN_EXPONENTS = 2.5
"""Newton may pass the steep end of a law by this many e-folds at a time."""

DRIVING_A = 1e-6
"""Current from which on a transistor at rest counts as what drives its node; amplifying stages of
guitar circuits rest at tens of microamperes and more (common practice, no published source)."""

Volts = Mapping[str, float]
Capacitance = tuple[str, str, float]
"""(terminal, terminal, farad)."""
StepLimit = tuple[float, float, float, float]
"""(low, high, step, growth): beyond [low, high] volts a control may go by one step at a time past
``growth`` times where it is."""


@dataclass(frozen=True)
class Resting:
    """A device at its operating point.

    Attributes
    ----------
    model : object
        Part from the library.
    parameters : mapping of name -> float
    volts : mapping of terminal -> volts
    currents : (ports,) amperes
    slopes : (ports, controls) siemens
    polarity : float
        -1 of a PNP or a P-channel: its law sees all volts and currents reversed.
    """

    model: Any
    parameters: Mapping[str, float]
    volts: Volts
    currents: NDArray[Any]
    slopes: NDArray[Any]
    polarity: float = 1.0

    def across(self, a: str, b: str) -> float:
        """Volts from terminal b to terminal a, as the law sees them."""
        return self.polarity * (self.volts[a] - self.volts[b])

    def swing_between(
        self, terminal: str, upper: str, lower: str, least_v: float, supply_v: float
    ) -> tuple[float, float] | None:
        """How far a node at either end of a channel goes: closed, or open but for some volts.

        Of an N-channel the current runs from the upper end to the lower. One that carries none at
        rest, by its last port, does not drive the node: it clips, and says nothing of how far.
        """
        if terminal not in (upper, lower) or not self.currents[-1] > DRIVING_A:
            return None
        open_v = self.volts[lower if terminal == upper else upper]
        if (terminal == upper) == (self.polarity > 0.0):
            return open_v + least_v, supply_v
        return 0.0, open_v - least_v


@dataclass(frozen=True)
class NoiseSource:
    """A white source, its density in A^2/Hz or V^2/Hz, at one place of the device.

    Attributes
    ----------
    place : str
        ``port``: a current beside port ``index``; ``control``: a voltage in series with control
        ``index``; ``terminals``: independent currents from ground into each of ``terminals``.
    density : float
    index : int
    terminals : tuple of str
    """

    place: str
    density: float
    index: int = 0
    terminals: tuple[str, ...] = ()


@dataclass(frozen=True)
class Varied:
    """What of a kind is varied to see what it sets: a name, and how each number follows.

    Attributes
    ----------
    label : str
        ``beta``: what a message calls it.
    powers : mapping of parameter, or ``owned_farad``, -> exponent
        Each number is multiplied by the factor to this power.
    """

    label: str
    powers: Mapping[str, float]


def _nothing(*_: Any) -> Any:
    return None


def _no_figures(_: Resting) -> Mapping[str, tuple[float, str]]:
    return {}


def _no_capacitances(_: Resting) -> list[Capacitance]:
    return []


@dataclass(frozen=True, kw_only=True)
class DeviceKind:
    """One kind of device.

    Attributes
    ----------
    name : str
        Also the name of its law in kernels.
    law : function
        Growths of the control volts and the constants of ``at_rest``, scalars, to the growth of
        each port's current followed by its slopes in all controls. Its text becomes part of the
        kernel: plain arithmetic that vectorises, no branch, no array, and no other names than
        ``exponential_less_one`` and numpy's functions.
    at_rest : function (parameters, control volts) -> tuple
        The law's constants about an operating point.
    origin : function (parameters) -> control volts
        Where no port carries current; zero volts unless given.
    parameters : tuple of str
    terminals : tuple of str
    controls : tuple of (terminal, terminal)
        The law's arguments are the voltages from the second to the first.
    injections : tuple of mapping terminal -> coefficient
        What each port current adds to the current *into* the terminals.
    limits : function of parameters
        Newton step limits of each control.
    noise : function (Resting, boltzmann * temperature) -> list of NoiseSource
    varied : Varied
    swing : function (terminal, Resting, supply volts) -> (low, high) volts or None
        How far the device lets a node at one of its terminals go.
    drawn : function (Resting) -> amperes or None
        Supply current that its ports do not show.
    figures : function (Resting) -> mapping of label -> (value, unit)
        What its operating point is told by.
    pace : int
        Steps it wants in a sample of the oversampled rate: 1, 2 or 4, as sharply as it bends.
    library : str
        What its table of parts is called in ``vadist.parts.LIBRARY``.
    symbol : str
        What it is drawn as.
    conducts : tuple of (terminal, terminal)
        Between which direct current passes.
    capacitances : function (Resting) -> list of (terminal, terminal, farad)
        Of its junctions, at their resting volts.
    owns : str
        Terminal whose equation the device replaces by that of a node of its own: an op-amp's
        output. Empty for none.
    """

    name: str
    law: Callable[..., Any]
    at_rest: Callable[[Mapping[str, float], Sequence[float]], tuple[float, ...]]
    parameters: tuple[str, ...]
    terminals: tuple[str, ...]
    controls: tuple[tuple[str, str], ...]
    injections: tuple[Mapping[str, float], ...]
    limits: Callable[[Mapping[str, float]], tuple[StepLimit, ...]]
    noise: Callable[[Resting, float], list[NoiseSource]]
    varied: Varied
    library: str
    symbol: str
    origin: Callable[[Mapping[str, float]], tuple[float, ...]] = _nothing
    swing: Callable[[str, Resting, float], tuple[float, float] | None] = _nothing
    drawn: Callable[[Resting], float | None] = _nothing
    figures: Callable[[Resting], Mapping[str, tuple[float, str]]] = _no_figures
    pace: int = 1
    conducts: tuple[tuple[str, str], ...] = ()
    capacitances: Callable[[Resting], list[Capacitance]] = _no_capacitances
    owns: str = ""

    @property
    def ports(self) -> int:
        """Number of port currents."""
        return len(self.injections)

    @property
    def constants(self) -> int:
        """Number of the law's constants."""
        return len(inspect.signature(self.law).parameters) - len(self.controls)
