"""Designs that ship with the package, one TOML file each; read by vadist.design_files."""
