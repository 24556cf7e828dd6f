"""Export and import: a capture's samples in the formats of other programs, and other recorders' samples as captures."""
