"""Looking back: replay of recordings under any settings."""
