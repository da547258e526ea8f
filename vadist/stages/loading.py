"""Stages of one's own, written in Python, loaded because a person said so and never by a design."""

import dataclasses
import importlib.util
import re
import sys
import traceback
from pathlib import Path
from types import ModuleType

from vadist.errors import UsageError
from vadist.names import printable
from vadist.stages import STAGES
from vadist.stages.stage import FieldInfo, Stage
from vadist.stages.wired import WIRED

_KIND = re.compile(r"[a-z][a-z0-9_]*")


def load_stages(file: str | Path) -> tuple[type[Stage], ...]:
    """Run a Python file and let designs use the stages it defines, by their ``kind``.

    Parameters
    ----------
    file : str or Path
        A ``.py`` with classes derived from :class:`vadist.stages.Stage`, after the rules there.

    Returns
    -------
    tuple of type
        What is now in :data:`vadist.stages.STAGES`.

    Raises
    ------
    UsageError
        If the file cannot be run, defines no stage, or one that breaks a rule: a line for each.
    """
    path, place = Path(file), printable(file)
    if path.suffix != ".py":
        raise UsageError(f"{place}: stages are Python, in a .py file; blocks in TOML are named "
                         "by the design, under blocks_from")  # fmt: skip
    if not path.is_file():
        raise UsageError(f"{place}: no such file")
    module = _run(path, place)
    found = [
        held
        for held in vars(module).values()
        if isinstance(held, type) and issubclass(held, Stage) and held.__module__ == module.__name__
    ]
    faults = [f"{place}: {told}" for stage in found for told in _faults(stage)]
    stages = tuple(stage for stage in found if stage.kind)
    if not stages and not faults:
        faults.append(f"{place}: defines no stage, a class derived from vadist.stages.Stage")
    if faults:
        raise UsageError("\n".join(faults))
    STAGES.update({stage.kind: stage for stage in stages})
    return stages


def _run(path: Path, place: str) -> ModuleType:
    name = f"stages_of_{re.sub(r'[^A-Za-z0-9]', '_', str(path.resolve()))}"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # dataclasses look for a class's module there
    try:
        spec.loader.exec_module(module)
    except Exception as error:
        del sys.modules[name]
        steps = traceback.extract_tb(error.__traceback__)
        lines = [step.lineno for step in steps if step.filename == str(path)]
        line = getattr(error, "lineno", None) or (lines[-1] if lines else None)
        where = f"line {line}: " if line else ""
        told = " ".join(str(error).split())
        raise UsageError(f"{place}: {where}{type(error).__name__}: {told}") from None
    return module


def _faults(stage: type[Stage]) -> list[str]:
    """Which rules of a stage a class breaks."""
    name, taken = stage.__name__, STAGES.get(stage.kind)
    if not dataclasses.is_dataclass(stage) or "__dataclass_params__" not in vars(stage):
        return [f"{name} must be a dataclass: @dataclass(frozen=True, kw_only=True)"]
    faults = []
    if not stage.kind:
        return []  # a base of others
    if not isinstance(stage.kind, str) or not _KIND.fullmatch(stage.kind):
        faults.append(
            f"{name}: kind must be lower case letters, digits and '_' (got {stage.kind!r})"
        )
    elif stage.kind == WIRED or (taken is not None and taken.__module__ != stage.__module__):
        faults.append(f"{name}: kind {stage.kind!r} is that of a stage which is there already")
    if stage.wire is Stage.wire:
        faults.append(f"{name} must have a method wire(self, network, source, output)")
    for field in dataclasses.fields(stage):
        if not isinstance(field.metadata.get("info"), FieldInfo):
            faults.append(
                f"{name}.{field.name} must be made by part, pot, device or choice of "
                "vadist.stages.stage"
            )
    return faults
