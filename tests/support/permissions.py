"""Commands that file permissions bind, even when root runs the tests."""

import os
import shutil

import pytest

_OVERRIDES = "-dac_override,-dac_read_search"


def bound() -> list[str]:
    """Words to put before a command; root gives up the right to pass over permissions."""
    if os.geteuid() != 0:
        return []
    if shutil.which("setpriv") is None:
        pytest.skip("file permissions do not bind root, and there is no setpriv")
    return ["setpriv", f"--bounding-set={_OVERRIDES}", f"--inh-caps={_OVERRIDES}"]
