"""Designs as a session hears them: as they are, with values tried one by one, or in groups."""

from collections.abc import Sequence
from dataclasses import dataclass

from vadist.audition.candidates import make_candidates
from vadist.designs.design import Design
from vadist.designs.files import apply_settings
from vadist.designs.trials import split_values
from vadist.errors import UsageError


@dataclass(frozen=True)
class Variant:
    """A design with what was changed in it.

    Attributes
    ----------
    design : Design
    changes : tuple of str
        ``path=value``, each path once, the last value that was given to it.
    """

    design: Design
    changes: tuple[str, ...]


def make_variants(
    design: Design,
    settings: Sequence[str] = (),
    trials: Sequence[str] = (),
    groups: Sequence[str] = (),
    *,
    combine: bool = False,
) -> list[Variant]:
    """Variants of a design.

    Parameters
    ----------
    design : Design
    settings : sequence of str
        ``path=value``, in all variants.
    trials : sequence of str
        ``path=v1,v2``: each value makes a variant.
    groups : sequence of str
        ``path=value,path=value``: all values together make a variant.
    combine : bool
        Every combination of the trials' values.

    Returns
    -------
    list of Variant
        Values tried, then groups; the design with its settings alone if there is neither.

    Raises
    ------
    DesignError, UsageError

    Examples
    --------
    >>> from vadist import load_design
    >>> found = make_variants(load_design("led_clipper"), ["level=0.5"], ["drive=0.2,0.9"])
    >>> [variant.changes for variant in found]
    [('level=0.5', 'drive=0.2'), ('level=0.5', 'drive=0.9')]
    """
    base = apply_settings(design, settings)
    variants = []
    if trials:
        for each in make_candidates(base, trials, combine=combine):
            tried = [f"{path}={text}" for path, text in each.changes]
            variants.append(Variant(each.design, _last([*settings, *tried])))
    for group in groups:
        values = split_values(group)
        if not all("=" in value for value in values):
            raise UsageError(f"--group must be like drive=0.9,tone=0.2 (got {group!r})")
        variants.append(Variant(apply_settings(base, values), _last([*settings, *values])))
    return variants or [Variant(base, _last(settings))]


def _last(settings: Sequence[str]) -> tuple[str, ...]:
    """Settings with each path once, its last value."""
    values = dict(setting.partition("=")[::2] for setting in settings)
    return tuple(f"{path.strip()}={value.strip()}" for path, value in values.items())
