"""`guard progress` on invented runners with known truth."""
