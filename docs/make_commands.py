"""Write commands.md again, from the command line itself.

python docs/make_commands.py
"""

import argparse
from pathlib import Path

from vadist.cli import COMMANDS, GROUPS, build_parser
from vadist.cli.parser import Parser

_HEAD = """# Commands

`vadist COMMAND --help` tells the same. This page is written by `python docs/make_commands.py`."""
PAGE = Path(__file__).with_name("commands.md")


def page() -> str:
    """Every command with its worked line, options and cautions."""
    parser = build_parser()
    lines = [_HEAD]
    for group, job in GROUPS.items():
        lines += ["", f"## {group.capitalize()}: {job}"]
        for name, told in COMMANDS.items():
            if told.group == group:
                lines += ["", *_section(name, parser.commands[name])]
                lines += [text for caution in told.cautions for text in ("", f"> {caution}")]
    return "\n".join(lines) + "\n"


def _section(name: str, command: Parser) -> list[str]:
    what = " ".join((command.description or "").split())
    rows = [
        f"| {_named(action)} | {_cell(_help(command, action))} |"
        for action in command._actions
        if action.dest != "help"
    ]
    return [f"### `vadist {name}`", "", what, "", "```sh", command.example, "```", "",
            "| argument | what it does |", "|---|---|", *rows]  # fmt: skip


def _named(action: argparse.Action) -> str:
    takes = action.metavar or (action.choices and "|".join(map(str, action.choices))) or ""
    if not action.option_strings:
        return f"`{_cell(str(takes or action.dest))}`"
    given = "" if action.nargs == 0 else f" {takes or action.dest.upper()}"
    return f"`{_cell(', '.join(action.option_strings) + given)}`"


def _help(command: Parser, action: argparse.Action) -> str:
    return " ".join(command._get_formatter()._expand_help(action).split())


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
