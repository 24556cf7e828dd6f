"""The bench: what a box can and cannot see, found before it goes on a vehicle."""
