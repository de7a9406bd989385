"""The batch worker: one inspection from files to report."""
