"""Whether we live, whether we can work, and what Prometheus wants to know."""
