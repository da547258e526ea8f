"""A stage of any class as a wiring list: its schematic in words."""

from collections.abc import Callable, Mapping
from typing import Any

from vadist.circuits.network import DiodeString, Network
from vadist.devices import KINDS
from vadist.parts import LIBRARY, DiodeModel
from vadist.stages.stage import DiodePair, FieldInfo, Pot, Stage
from vadist.stages.wired import OUTPUT, PART_KINDS, SOURCE, Part, Wiring

_EXAMPLES = {"ohm": 1e3, "F": 1e-7, "H": 0.1}
# Any would do: what is wired where does not depend on it.


class _Recorder(Network):
    """A network that keeps what was asked of it, as lines of a wiring list."""

    infos: Mapping[str, FieldInfo]
    listed: list[tuple[Part, tuple[Any, ...]]]


def _recorded(kind: str) -> Callable[..., None]:
    terminals = PART_KINDS[kind].terminals

    def record(network: _Recorder, part: str, *nodes_and_values: Any) -> None:
        nodes = [
            str(node).removeprefix(f"{network.stage}.")
            for node in nodes_and_values[: len(terminals)]
        ]
        info = network.infos.get(part)
        turned = kind == "resistor" and info is not None and info.kind == "pot"
        purpose = info.purpose if info else ""
        held = Part(
            part, "rheostat" if turned else kind, tuple(zip(terminals, nodes, strict=True)), purpose
        )
        network.listed.append((held, nodes_and_values[len(terminals) :]))

    return record


for _method in PART_KINDS.keys() & set(dir(Network)):
    setattr(_Recorder, _method, _recorded(_method))
setattr(_Recorder, "potentiometer", _recorded("pot"))  # noqa: B010 - as the others


def wiring_of(stage: Stage) -> Wiring:
    """List what a stage wires: each part with its kind, its nodes and its purpose.

    Examples
    --------
    >>> from vadist.stages import CouplingHighPass
    >>> for part in wiring_of(CouplingHighPass(capacitor=1e-7, bias_resistor=1e5)).parts:
    ...     print(part.name, part.kind, part.connections)
    capacitor capacitor source to output
    bias_resistor resistor output to bias
    """
    listed = recorded(lambda network: stage.wire(network, SOURCE, OUTPUT), stage.infos)
    return Wiring(tuple(part for part, _ in listed), stage.type_name, stage.told_job)


def recorded(
    wire: Callable[[Network], Any], infos: Mapping[str, FieldInfo], name: str = "stage"
) -> list[tuple[Part, tuple[Any, ...]]]:
    """Each part that is placed in a network, with the values it is given.

    Parameters
    ----------
    wire : function of a Network
        Places parts under the stage name ``name``, which is taken off the names of nodes.
    infos : mapping of part name -> FieldInfo
    """
    recorder = _Recorder(stage=name)
    recorder.infos, recorder.listed = infos, []
    wire(recorder)
    return recorder.listed


def example_of(stage: type[Stage]) -> Stage:
    """Make a stage of a class with some value for everything, what may be left out too."""
    return stage(**{name: _example(info) for name, info in stage.fields().items()})


def _example(info: FieldInfo) -> Any:
    if info.kind == "part":
        return _EXAMPLES[info.unit]
    if info.kind == "choice":
        return info.choices[0]
    if info.kind == "pot":
        return Pot(1e5)
    held = next(iter(LIBRARY[KINDS[info.kind].library].values()))
    if isinstance(held, DiodeModel):
        return DiodePair(DiodeString(held), DiodeString(held))
    return held
