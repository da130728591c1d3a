"""Every session of a folder: listed, found, named, thrown away, taken back."""
