"""The numerical core: arrays in, arrays out; imports numba and numpy alone."""
