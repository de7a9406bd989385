"""What api and worker agree on."""
