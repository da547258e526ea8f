"""Takes through designs: spans, files, arrays, the method and its stated error."""
