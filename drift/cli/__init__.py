"""The commands, thin faces: parse, call the library, print."""
