"""One changed value, heard: candidates at one loudness, compared, written to a folder."""
