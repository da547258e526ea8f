"""Steady sines stepped through a whole design, many levels side by side: levels and headroom."""
