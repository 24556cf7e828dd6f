"""Evidence for suspension work: record, check and compare what a hard point of a car's body feels."""

__version__ = "0.1.0"
