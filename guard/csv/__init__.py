"""CSV in and out."""
