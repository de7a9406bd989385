"""Straight rods through the piece: how thick a rod passes, where it touches, and how to move it so that it passes."""
