"""Files received."""
