"""What a strap, a treadmill and a foot pod say, byte by byte; pure."""
