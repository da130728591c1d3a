"""Where readings come from: radio, practice runner, recording."""
