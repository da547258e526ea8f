"""Volts through time: difference equations, lanes, segments."""
