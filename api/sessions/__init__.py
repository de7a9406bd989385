"""Browsers signed in with an access key."""
