"""A design turned while its loop plays: what changes is rendered again, heard and told at once."""
