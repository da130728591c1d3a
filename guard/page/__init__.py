"""What every report page shares."""
