"""Where the ceiling may lie: methods, answers, results."""
