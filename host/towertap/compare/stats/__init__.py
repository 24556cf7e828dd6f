"""What passes say of these drives, and what that says of the part: pure functions on arrays of logarithms."""
