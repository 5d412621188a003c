"""The causes that can move an axis, one a file; each hands back its own columns."""
