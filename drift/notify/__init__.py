"""Sending warnings: each message once to each address, with its secrets filled in and never shown."""
