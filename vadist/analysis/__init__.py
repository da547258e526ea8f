"""What a network does before and between samples: operating point, small-signal response."""
