"""The command ``firstpour``."""
