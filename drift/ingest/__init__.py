"""One reader a kind of log; detecting the kind; what was set aside."""
