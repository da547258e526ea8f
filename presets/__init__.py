"""Designs that ship with the package, one TOML file each; read by vadist.designs.files."""
