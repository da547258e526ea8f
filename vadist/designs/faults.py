"""Complaints about a file, gathered so that all are told at once."""

import re
from collections.abc import Callable, Iterable
from typing import TypeVar

from vadist.designs.words import unknown
from vadist.errors import DesignError

Result = TypeVar("Result")

NAME = re.compile(r"[a-z][a-z0-9_]*")
"""What stages, controls, blocks, parts and nodes may be called."""

NAME_RULE = "must be lower case letters, digits and '_', starting with a letter"

MOST_FAULTS = 20
"""A file with more is of another kind; the rest is counted."""


class Faults:
    """Complaints about one file, each with its place."""

    def __init__(self, place: str, lines: list[str] | None = None) -> None:
        self.place = place
        self.lines = [] if lines is None else lines

    def within(self, place: str) -> "Faults":
        """Return the same list, for a place inside this one."""
        return Faults(f"{self.place}: {place}", self.lines)

    def add(self, message: str) -> None:
        """Note a complaint."""
        self.lines.append(f"{self.place}: {message}")

    def attempt(self, read: Callable[[], Result], prefix: str = "") -> Result | None:
        """Return what is read, or note the DesignError and return None."""
        try:
            return read()
        except DesignError as error:
            self.add(f"{prefix}{error}")
            return None

    def raise_if_any(self) -> None:
        """Raise with a line for every complaint, up to :data:`MOST_FAULTS`."""
        if self.lines:
            told = self.lines[:MOST_FAULTS]
            if len(self.lines) > MOST_FAULTS:
                told.append(f"{self.place}: and {len(self.lines) - MOST_FAULTS} faults more")
            raise DesignError("\n".join(told))

    def reject_unknown(self, keys: Iterable[str], known: Iterable[str], what: str) -> None:
        """Note every key that is not known."""
        names = list(known)
        for key in keys:
            if key not in names:
                few = len(self.lines) < MOST_FAULTS
                self.add(unknown(key, names, what) if few else f"unknown {what}")
