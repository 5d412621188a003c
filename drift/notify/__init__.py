"""Whom to tell, and telling them."""
