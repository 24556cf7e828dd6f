"""Input and output, each in one place: reading files, JSON, TOML, times and quantities; writing files and terminals."""
