"""Scan onto nominal: orientation from any pose, ICP, robust refinement, and how sure it is."""
