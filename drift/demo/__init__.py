"""An invented observatory that makes logs with their truth."""
