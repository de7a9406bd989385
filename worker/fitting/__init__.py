"""Geometrical elements fitted to points: lines, planes, circles, cylinders, cones, spheres, and their form."""
