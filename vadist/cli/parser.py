"""A parser of command lines that says what is wrong in one line, with the nearest right word."""

import argparse
import re
from collections.abc import Iterable, Sequence
from typing import Any, NoReturn

from vadist.names import nearest, printable


class Parser(argparse.ArgumentParser):
    """The standard library's parser; its help begins with a worked line, its errors are one.

    Attributes
    ----------
    example : str
        A command that does something useful, to begin the help with.
    commands : dict of str to Parser
        The parsers of its commands.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.example = ""
        self.commands: dict[str, Parser] = {}
        kwargs.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(*args, **kwargs)

    def format_help(self) -> str:
        """Help, with the worked line on top."""
        usual = super().format_help()
        return f"{self.example}\n\n{usual}" if self.example else usual

    def print_help(self, file: Any = None) -> None:
        """Print the help; the library would swallow that it cannot be written."""
        print(self.format_help(), end="", file=file)

    def error(self, message: str) -> NoReturn:
        """Leave with one line and exit code 2."""
        found = re.search(r"invalid choice: '(.*?)' \(choose from (.*)\)", message)
        if found:
            choices = re.findall(r"[\w.-]+", found[2])
            message += nearest(found[1][:80], choices)
        self.exit(2, f"{self.prog}: {printable(message)}; see {self.prog} --help\n")

    def check_options(self, words: Iterable[str]) -> None:
        """Refuse the first option that is none, with the nearest that is.

        The parser itself would first miss the option that was meant, and say that alone.
        """
        known = [name for name in self._option_string_actions if name.startswith("--")]
        for word in words:
            if word == "--":
                return
            name = word.partition("=")[0]
            if name.startswith("--") and not any(option.startswith(name) for option in known):
                self.error(f"there is no option {name}{nearest(name[:80], known)}")


def join_negative(arguments: Sequence[str]) -> list[str]:
    """Join ``--accuracy -90dB`` to ``--accuracy=-90dB``: argparse takes ``-90dB`` for an option.

    >>> join_negative(["render", "--normalise", "-1dBFS", "--threads", "2"])
    ['render', '--normalise=-1dBFS', '--threads', '2']
    """
    joined: list[str] = []
    for argument in arguments:
        option = joined[-1] if joined else ""
        if re.match(r"-\.?\d", argument) and re.fullmatch(r"--[a-z][a-z-]*", option):
            joined[-1] = f"{option}={argument}"
        else:
            joined.append(argument)
    return joined
