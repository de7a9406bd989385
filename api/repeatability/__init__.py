"""What several inspections of one piece show together."""
