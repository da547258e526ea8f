"""Designs: their values, their files, and the paths by which a person names a value."""
