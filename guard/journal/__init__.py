"""One short entry a day, and its links to the runs."""
