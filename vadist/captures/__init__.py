"""Bench recordings: read, align, compare, decide."""
