"""The parts of the site file: sections and keys, checks, lines, words."""
