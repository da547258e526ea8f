"""The sample rates that takes may have."""

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 8_000, 384_000
"""A telephone's rate, and twice the highest that converters are commonly run at (common practice,
no published source)."""
