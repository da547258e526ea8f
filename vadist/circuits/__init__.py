"""What is connected to what: nodes and elements, sections solved jointly, and where they rest."""
