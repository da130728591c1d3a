"""Which readings are trusted, and what is said when none is."""
