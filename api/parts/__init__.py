"""Parts and their revisions."""
