"""Walls between two skins, room to cut them back, and what a displaced core does to them."""
