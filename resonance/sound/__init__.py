"""Sound: recordings, files, synthesis."""
