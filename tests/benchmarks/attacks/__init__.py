"""Attacks on the running service, on its people, on its store: each a line of what held."""
