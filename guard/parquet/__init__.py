"""Recordings as Parquet tables, for others' tools; the log stays the truth."""
