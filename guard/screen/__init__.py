"""The live terminal view and its plain-line twin."""
