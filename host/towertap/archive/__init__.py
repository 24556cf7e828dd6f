"""Archives recordings for years: raw stream, capture and conditions of each in its own folder, with their SHA-256."""
