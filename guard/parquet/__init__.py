"""Recordings as Parquet tables, for other tools; the log stays the truth."""
