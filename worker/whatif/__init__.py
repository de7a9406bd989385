"""What moving a surface would do, the smallest move that would do, and the list of moves to ask for."""
