"""Lanes by the thousand on a graphics card; the only importer of ``numba.cuda``."""
