"""One short file a command."""
