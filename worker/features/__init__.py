"""Features of nominal: holes, bosses, planes, cones, spheres, slots and patterns, from its B-rep or from its mesh."""
