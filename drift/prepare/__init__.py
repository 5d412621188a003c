"""What is made of readings before a night is worked out: sets found among solves, level pairs joined."""
