"""The walk: a design explained block by block, to be read, looked at and heard."""
