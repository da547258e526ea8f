"""Switches as they are during a take: contacts that open and close, and the one that bypasses.

::

    true                                 buffered

    signal --+--in--- first stage        signal ------- first stage
             |                                  dry --through--+
             +--through--+                                     |
                         +-- load                              +-- load
    last stage --out-----+               last stage --out------+

A closed contact has :data:`vadist.circuits.network.CLOSED_OHM`, an open one
:data:`vadist.circuits.network.OPEN_OHM`. Bypassed, ``through`` is closed and the others are open.
"""

from dataclasses import dataclass

from vadist.circuits.network import GROUND, Network
from vadist.designs.words import shown
from vadist.errors import DesignError, UsageError
from vadist.names import nearest
from vadist.quantities import parse_quantity

BYPASS = "bypass"
"""What the switch is called, and the stage that its parts belong to."""

IN, OUT = "in", "out"
"""Where it stands: the design is in circuit, or bypassed."""

TRUE, BUFFERED = "true", "buffered"

_JACK, _ENTRY = "bypass.jack", "bypass.entry"


@dataclass(frozen=True)
class Bypass:
    """How a design is bypassed.

    Attributes
    ----------
    kind : str
        ``true``: input and output change over, the input of the first stage is left alone.
        ``buffered``: the output alone changes over.
    after : str
        Of a buffered one, the stage whose output is the dry signal; empty: what drives the first.
    pull_down_ohm : float or None
        Resistor from the input of the first stage to ground, of a true one.

    Examples
    --------
    >>> parse_bypass("buffered, after=buffer").text
    'buffered,after=buffer'
    """

    kind: str = TRUE
    after: str = ""
    pull_down_ohm: float | None = None

    @property
    def text(self) -> str:
        """As ``--bypass`` takes it."""
        after = f",after={self.after}" if self.after else ""
        pulled = "" if self.pull_down_ohm is None else f",pull_down={self.pull_down_ohm!r}"
        return f"{self.kind}{after}{pulled}"

    def enter(self, network: Network, node: str, position: str) -> str:
        """Wire what lies before the first stage; the node that drives it is returned."""
        if self.kind == BUFFERED:
            return node
        network.stage = BYPASS
        network.contact("in", node, _ENTRY, (BYPASS, IN), closed=position == IN)
        if self.pull_down_ohm is not None:
            network.resistor("pull_down", _ENTRY, GROUND, self.pull_down_ohm)
        return _ENTRY

    def leave(self, network: Network, node: str, dry: str, position: str) -> str:
        """Wire what lies behind the last stage; the node that is heard is returned."""
        network.stage = BYPASS
        network.contact("out", node, _JACK, (BYPASS, IN), closed=position == IN)
        network.contact("through", dry, _JACK, (BYPASS, OUT), closed=position == OUT)
        network.outputs[BYPASS] = _JACK
        return _JACK


def parse_bypass(text: str) -> Bypass:
    """Read ``true``, ``true,pull_down=1M``, ``buffered`` or ``buffered,after=STAGE``.

    Raises
    ------
    UsageError
    """
    kind, *rest = (word.strip() for word in text.split(","))
    if kind not in (TRUE, BUFFERED):
        raise UsageError(f"bypass must be true or buffered (got {shown(kind)})")
    own = "pull_down" if kind == TRUE else "after"
    found: dict[str, str] = {}
    for word in rest:
        key, equals, value = (part.strip() for part in word.partition("="))
        if key != own or not equals or not value:
            raise UsageError(f"bypass: {kind} takes {own}=... besides (got {shown(word)})")
        found[key] = value
    if "pull_down" not in found:
        return Bypass(kind, found.get("after", ""))
    try:
        ohm = parse_quantity(found["pull_down"], "ohm")
    except DesignError as error:
        raise UsageError(f"bypass: pull_down {error}") from None
    if not 1.0 <= ohm <= 1e9:
        raise UsageError(f"bypass: pull_down must be within 1 ohm..1 Gohm (got {ohm:g})")
    return Bypass(kind, pull_down_ohm=ohm)


@dataclass(frozen=True)
class Contacts:
    """What of a design is wired as contacts.

    Attributes
    ----------
    switches : frozenset of str
        Switches of wiring lists, as ``stage.switch``.
    bypass : Bypass or None
    position : str
        Of the bypass.
    """

    switches: frozenset[str] = frozenset()
    bypass: Bypass | None = None
    position: str = IN

    def refuse_strange(self, stages: tuple[str, ...]) -> None:
        """Refuse a bypass that a design has no place for.

        Raises
        ------
        UsageError
        """
        if self.bypass is None:
            return
        if BYPASS in stages:
            raise UsageError(
                f"a design with a stage called {BYPASS!r} cannot be switched; rename it"
            )
        if self.bypass.after and self.bypass.after not in stages:
            near = nearest(self.bypass.after, stages)
            raise UsageError(f"bypass: there is no stage {self.bypass.after!r}{near}")


AS_WIRED = Contacts()
"""Switches stand where they stand, and nothing is bypassed."""
