"""One design told: in figures, and as text."""
