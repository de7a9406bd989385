"""Sending messages to subscribers: each attempt guarded, each failure tried again for three days."""
