"""The commands of `drift`: each reads its options, calls the library and prints; nothing is worked out here.

`main.py` finds the file of a command, and turns errors into words and exit codes.
"""
