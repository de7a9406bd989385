"""Fasteners: metal round a hole, its edge and depth, cones of pressure, and places for further holes."""
