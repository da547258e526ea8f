"""The build sheet: what is needed at the iron and at the meter to build one board of a design."""
