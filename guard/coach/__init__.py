"""The months: where the ceiling is, what each run adds, whether it works. Numbers in, numbers out."""
