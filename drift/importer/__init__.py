"""Log files, and what is written down by hand, into the record; the record itself knows no log format."""
