"""The tables that both the words and the report show, as text."""
