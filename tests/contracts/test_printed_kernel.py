"""The kernel that DEVELOPERS.md prints is the one that is generated.

Authority: the generator, asked by the very command that the page gives.
"""

import contextlib
import io
import re
from pathlib import Path


def test_the_printed_kernel_is_generated_line_by_line() -> None:
    page = (Path(__file__).parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    _, _, section = page.partition("\n## A kernel, printed\n")
    code = re.search(r"python -c '(.*?)'\n", section, re.DOTALL)
    shown = re.search(r"```python\n(.*?)```", section, re.DOTALL)
    assert code
    assert shown
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(code[1], {})
    _, _, run = printed.getvalue().partition("def run(")
    lines = iter(line.strip() for line in run.splitlines())
    for line in shown[1].splitlines():
        assert line in lines, f"not there, or not in this order: {line}"
