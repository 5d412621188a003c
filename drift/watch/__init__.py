"""What changed since last time."""
