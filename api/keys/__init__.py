"""Access keys of a workspace."""
