"""Many takes through many designs: one plan, nothing done twice, nothing lost."""
