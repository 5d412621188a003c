"""The local page: the same answer as the commands give, in a browser on this machine."""
