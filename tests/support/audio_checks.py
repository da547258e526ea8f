"""What tests of audio files share: a rate, a refusal in one line, the contents of a folder."""

from pathlib import Path

import pytest

from vadist.errors import AudioFileError

RATE_HZ = 48_000


def refusal(action) -> str:
    with pytest.raises(AudioFileError) as caught:
        action()
    assert "\n" not in str(caught.value)
    return str(caught.value)


def only(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())
