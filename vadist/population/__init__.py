"""Many designs measured: a list of designs in, a table of figures out."""
