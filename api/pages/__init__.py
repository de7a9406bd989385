"""Pages for people."""
