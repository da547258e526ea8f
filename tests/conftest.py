"""Tests that need a graphics card are left out where there is none."""

import pytest

from vadist.errors import UsageError
from vadist.gpu.cards import count_cards, is_simulated


def _card() -> bool:
    try:
        return count_cards() > 0 and not is_simulated()
    except UsageError:
        return False


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    needy = [item for item in items if item.get_closest_marker("gpu")]
    if needy and not _card():
        config.hook.pytest_deselected(items=needy)
        items[:] = [item for item in items if item not in needy]
