"""What the piece is: deviation, walls, regions, holes, shrink. Arrays and frozen records in and out."""
