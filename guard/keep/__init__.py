"""What is kept: session log, summary, CSV."""
