"""`guard sessions`: list, find, name, delete and restore, check."""
