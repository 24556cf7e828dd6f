"""The doors of the house: one way in for files, structured text and times, one way out to a file and to a terminal."""
