"""The session log: written as the session runs, read back afterwards."""
